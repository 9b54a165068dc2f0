"""Is it stable: charts, their limits on rounded dials, their rules, what charts can see.

Entrance: `charting.draw_charts`, `rules.apply_rules`, `signals.signals_of`,
`runs.detectability.detectability`, `baseline_change.tell_phases`.  Rests on nothing but the ground.

How limits are frozen. A block of baseline visits borrows no visit of similar meters that came after
the last one of its own baseline (`rounding.borrowing`). What the fleet has in common (the grid its
dials are read to, the spread of replicates, the typical spread and how it varies) is learnt on few
days: whenever the visits known have grown by a quarter since it was last learnt, 25 at first. A
block goes by the last such day not after its own and does not change what was learnt
(`rounding.pooled_spread`), so that a fleet that begins together has pooled limits at its second
visit. It is learnt from the phases as adjustments and vessels cut them, since which of them go on
under earlier limits may be judged otherwise as they grow; how much of a block's own data it has
seen is taken out by that share. A fleet's common autocorrelation, the usual scatter of the t test
and the size of mark moves obey the same rule. A last, short phase that fills up the baseline before
it leaves those limits open until it ends or has a baseline of its own. Sums come out otherwise in
their last digits beside other meters, so that limits are given to nine digits.

With more than 100 baseline visits a block is weighed alone, on a grid of spreads as fine as it
knows its own: its limits are the prediction limits to 1e-6, up to 5,000 visits.  Where both sides
of a coarse dial could take one more step inward equally well, neither does: no tie is left to the
last digit of a sum.
"""
