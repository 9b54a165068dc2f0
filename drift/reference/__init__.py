"""Is it the meters or what they are compared with: vessels, operators, shared effects.

Entrance: `weigh.weigh_reference`, `shared_effects.find_shared_effects`, `crossed_fit.fit_crossed`,
`vessel_record.check_stated_values`, `repeatability.pool_repeatability`.  Rests on `meter`,
`limits` and `trend`.
"""
