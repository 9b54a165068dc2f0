"""How long may a meter go unseen, and is it worth keeping.

Entrance: `weigh.weigh_upkeep`, `retirement.recommend.weigh_retirement`,
`retirement.simulate.simulate_maintenance`, `reliability.censored_intervals.censored_intervals`,
`reliability.survival.fit_survival`.  Rests on `meter`, `forecast`
and `conformity`.
"""
