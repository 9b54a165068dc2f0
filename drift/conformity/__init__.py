"""How sure is a bias, does it conform by the rule in force, and what does the judging risk.

Entrance: `weigh.weigh_conformity`, `weigh.judge_sittings`, `decision_rules.verdict`,
`global_risk.fleet_risks`.  Rests on `meter` and `reference`.
"""
