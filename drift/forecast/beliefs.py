"""This module holds what is assumed of a fleet before any of its readings.

Beliefs are weak, worth about one meter's say each, so that a single meter can be forecast and ten
meters outvote them.  They are judgement, without a source, for a tolerance of 0.1 % air, and scale
with the tolerance.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Belief:
    """A positive number known roughly: its median and the standard deviation of its logarithm."""

    median: float
    spread: float


# % air and years; shock_rate does not scale with the tolerance.
BELIEFS = {
    "wander": Belief(0.02, 0.8),
    "noise_sd": Belief(0.03, 0.6),
    "shock_rate": Belief(0.05, 1.0),
    "shock_size": Belief(0.12, 0.5),
    "slab_sd": Belief(0.08, 0.5),
    "reset_sd": Belief(0.02, 0.7),
    "start_sd": Belief(0.05, 0.7),
    "visit_sd": Belief(0.015, 0.7),
}
# Standard deviation of the mean drift rate of those meters that drift, % air per year.
MEAN_RATE_SD = 0.05
# Pseudo-meters that do not and that do drift.
STEADY = (1.5, 1.0)
# Kinds of meters: noise and shock factors, and pseudo-meters of each.
KIND_FACTORS = ((1.0, 1.0), (2.1, 1.0), (1.0, 8.0))
KIND_WEIGHTS = (3.0, 0.5, 0.4)
