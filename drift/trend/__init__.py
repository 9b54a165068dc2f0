"""Does it drift, wander or jump, and is that shown across the fleet.

Entrance: `weigh.weigh_drift`, `plain_trends.plain_trends`, `regression.fit_trends`,
`path_trend.fit_path_trends`, `change_points.link_jumps`.
Rests on `meter`.
"""
