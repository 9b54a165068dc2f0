"""Does it drift, wander or jump, and is that shown across the fleet.

Entrance: `weigh.weigh_drift`, `regression.fit_trends`, `path_trend.fit_path_trends`,
`change_points.find_change_points`, `change_points.link_jumps`.  Rests on `meter`.
"""
