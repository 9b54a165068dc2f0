"""One meter's life: what happened to it, and what its dial, marks and segments say of it.

Entrance: `ledger.build_ledger`, `known_jumps.with_known_jumps`, `segments.drift_steps`,
`causes.weigh_causes`, `tolerance.within_tolerance`.  Rests on nothing but the ground.
"""
