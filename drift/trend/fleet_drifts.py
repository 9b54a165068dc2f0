"""This module holds what the series of a fleet share as to drift, for those worked out in parts."""

from dataclasses import dataclass, field

import numpy as np

from drift.arrays import Floats, Integers


@dataclass(frozen=True, slots=True)
class FleetDrifts:
    """What is known of the drifts and jumps of a fleet before those of some meters are told.

    Attributes
    ----------
    of_paths : array, shape (ratios,)
        How common each ratio of wander to noise is, by `drift.trend.path_trend.path_weights`.
    of_jumps : array, shape (ratios,)
        The same where jumps are looked for.
    shares : array, shape (ratios,)
        Sum over the series that `of_jumps` was learnt from of what each holds of every ratio.
    learnt_from : int
        How many these series are.
    meters : frozenset of str
        Meters whose series these are.
    series : array of int
        Numbers of those of them that are among the series at hand.
    drift_p, jump_p : array
        P values of every series of the fleet, of drift and of its likeliest jump; empty as long as
        they are not known.
    """

    of_paths: Floats
    of_jumps: Floats
    shares: Floats
    learnt_from: int
    meters: frozenset[str]
    series: Integers = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    drift_p: Floats = field(default_factory=lambda: np.empty(0))
    jump_p: Floats = field(default_factory=lambda: np.empty(0))
