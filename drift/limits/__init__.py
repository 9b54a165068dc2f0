"""Is it stable: charts, their limits on rounded dials, the rules that speak, what charts can see.

Entrance: `charting.draw_charts`, `rules.apply_rules`, `signals.signals_of`,
`runs.detectability.detectability`, `baseline_change.tell_phases`.  Rests on nothing but the ground.
"""
