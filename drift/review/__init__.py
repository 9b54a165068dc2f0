"""What follows for each meter and the laboratory, from one analysis in order.

Entrance: `analyse.analyse`, `policy.read_policy`, `impact.find_impact`, `visit_plan.plan_visits`,
`visit_check.check_readings`.  Rests on the store and all domains.

What decides nothing: meters' names, the order of rows, the side that biases lie to and the
calendar.  Lives are put in an order of their content before they are chosen or summed
(`drift.forecast.grid.content`), meters where segments, variances and sittings are chosen
(`drift.reference.content_order`); replicates have no order.  Equal biases and chances go to the
lowest point.  The last two readings as left are the exception: they are the last by ``replicate``,
else by row.
"""
