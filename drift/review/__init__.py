"""What follows for each meter and the laboratory, from one analysis in order.

Entrance: `analyse.analyse`, `policy.read_policy`, `impact.find_impact`, `visit_plan.plan_visits`,
`visit_check.check_readings`.  Rests on the store and all domains.
"""
