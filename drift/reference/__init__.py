"""Is it the meters or what they are compared with: vessels, operators, shared effects.

Entrance: `weigh.weigh_reference`, `shared_effects.find_shared_effects`, `crossed_fit.fit_crossed`,
`pairs.check_stated_values`, `repeatability.pool_repeatability`.  Rests on `meter`,
`limits` and `trend`.

What meters share.  Without a vessel column all readings are one period, in which a shift is looked
for as in a vessel's.  A season counts only as far as both halves of the dates show it alike, a
drift of the fleet only where both halves show it and nine meters of ten take part.  How often such
shifts are found is in ``tests/benchmarks/README.md``.
"""
