"""This module plans the study that would tell operators apart by so much."""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.special import nctdtr, stdtrit

from drift.reference.studies.rounded_scatter import shared_rounding

# What a study should tell between two operators, % air, and how surely.
DIFFERENCE_PCT, POWER, LEVEL = 0.02, 0.8, 0.05
_MOST_METERS, _MOST_DAYS, _MOST_REPLICATES = 30, 4, 6
# Differences looked through for the least that a study tells, % air.
_DIFFERENCES = np.geomspace(0.002, 2.0, 200)


@dataclass(frozen=True, slots=True)
class StudyScatter:
    """What a study found that matters for the next one, % air.

    Attributes
    ----------
    interaction_pct : float
        Standard deviation by which an operator differs from meter to meter.
    between_pct : float
        That between sittings of one operator with one meter.
    within_pct : float
        That of replicates, before rounding.
    resolution_pct : float or None
        Step of the dial; None where it is not on record.
    """

    interaction_pct: float
    between_pct: float
    within_pct: float
    resolution_pct: float | None


@dataclass(frozen=True, slots=True)
class Plan:
    """A study that would tell operators apart.

    Attributes
    ----------
    operators, meters, days, replicates, readings : int
        Every operator reads every meter on so many days, so many times each.
    power, power_at_worst : float
        Chance of telling a difference of `difference_pct` between two given operators, with the
        scatter as found and with each part at its upper limit.
    difference_pct : float
    read_to_pct : float or None
        Step that the dial must be read to: half of its own where no study tells it otherwise.
    told_pct : float or None
        Least difference that the study on record tells with a chance of `POWER`; None for none.
    """

    operators: int
    meters: int
    days: int
    replicates: int
    readings: int
    power: float
    power_at_worst: float
    difference_pct: float
    read_to_pct: float | None
    told_pct: float | None


def plan_study(
    scatter: StudyScatter, worst: StudyScatter, *, operators: int, done: tuple[int, int, int]
) -> Plan | None:
    """Return the smallest study that tells `DIFFERENCE_PCT` apart, None where none does.

    Parameters
    ----------
    scatter, worst : StudyScatter
        As found, and with each part at its upper limit.
    operators : int
        That are to be compared, at least 2.
    done : (meters, days, replicates)
        Of the study on record, to say what that tells.

    Notes
    -----
    Two operators' means differ with variance
    2(σ²ₒₘ/m + σ²ₛ/(md) + g/m + (σ² + δ²/12 − g)/(mdr)) for m meters on d days with r replicates,
    where g is the part of rounding that replicates share (`shared_rounding`).  Power is that of a
    two-sided t test at a level of 5 % divided by the pairs of operators, by the noncentral t with
    (operators − 1)(m − 1) degrees of freedom.
    Studies of equal readings: more meters first, then fewer replicates.
    """
    told = next(
        (
            float(one)
            for one in _DIFFERENCES
            if _power(scatter, float(one), operators=operators, sizes=done) >= POWER
        ),
        None,
    )
    step = scatter.resolution_pct
    for read_to in (step,) if step is None else (step, step / 2):
        finer, finer_worst = (replace(one, resolution_pct=read_to) for one in (scatter, worst))
        for meters, days, replicates in _sizes():
            sizes = meters, days, replicates
            power = _power(finer, DIFFERENCE_PCT, operators=operators, sizes=sizes)
            if power >= POWER:
                return Plan(
                    operators=operators,
                    meters=meters,
                    days=days,
                    replicates=replicates,
                    readings=operators * meters * days * replicates,
                    power=power,
                    power_at_worst=_power(
                        finer_worst, DIFFERENCE_PCT, operators=operators, sizes=sizes
                    ),
                    difference_pct=DIFFERENCE_PCT,
                    read_to_pct=read_to,
                    told_pct=told,
                )
    return None


@cache
def _sizes() -> list[tuple[int, int, int]]:
    """Return meters, days and replicates of studies, the fewest readings first."""
    return sorted(
        (
            (meters, days, replicates)
            for meters in range(2, _MOST_METERS + 1)
            for days in range(1, _MOST_DAYS + 1)
            for replicates in range(1, _MOST_REPLICATES + 1)
        ),
        key=lambda one: (one[0] * one[1] * one[2], -one[0], one[2]),
    )


def _power(
    scatter: StudyScatter, difference: float, *, operators: int, sizes: tuple[int, int, int]
) -> float:
    """Return the chance that a study of so many meters, days and replicates tells a difference."""
    meters, days, replicates = sizes
    freedom = (operators - 1) * (meters - 1)
    if freedom < 1:
        return 0.0
    step, within = scatter.resolution_pct or 0.0, scatter.within_pct
    shared = shared_rounding(within, step) if step else 0.0
    each = within**2 + step**2 / 12 - shared
    variance = scatter.interaction_pct**2 + shared
    variance += (scatter.between_pct**2 + each / replicates) / days
    error = (2 * max(variance, 1e-12) / meters) ** 0.5
    pairs = operators * (operators - 1) / 2
    far = min(difference / error, 30.0)
    return _beyond(freedom, round(far, 4), pairs)


@cache
def _beyond(freedom: int, far: float, pairs: float) -> float:
    """Return the chance that a noncentral t is beyond its limit for so many pairs."""
    limit = float(stdtrit(freedom, 1 - LEVEL / (2 * pairs)))
    return float(1 - nctdtr(freedom, far, limit) + nctdtr(freedom, far, -limit))
