"""This module holds how many visits pass until a chart speaks; it knows no chart in particular.

A *scenario* is what the plotted points truly do: a path of their mean, in standard deviations of
one plotted point from the centre, visit by visit.  Points are independent and normal around it.
Run lengths are *zero-state*: the chart starts fresh at the visit before the path begins.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
# From the state of every scenario, the means at the next visit and how many visits came before,
# to the next state and the probability that nothing has spoken yet.
Advance = Callable[[Floats, Floats, int], tuple[Floats, Floats]]

# Survival below this is taken as certain to have spoken.
GONE = 1e-13
# The tail is geometric once successive ratios agree to this share of the chance to speak.
SETTLED = 1e-10
# So many times in a row: more visits than any rule remembers, so that a ratio that stays the same
# only because no pattern can be complete yet is not taken for the tail's.
SETTLED_VISITS = 20
MOST_VISITS = 50_000


@dataclass(frozen=True, slots=True)
class RunLengths:
    """The distribution of the run length in several scenarios.

    Attributes
    ----------
    survival : Floats
        Shape (visits + 1, scenarios): the probability that nothing has spoken by visit n.
    decay : Floats
        Shape (scenarios,): the ratio of successive survivals from the last row on.
    """

    survival: Floats
    decay: Floats


def constant_means(shifts_sigmas: tuple[float, ...]) -> Floats:
    """Return the paths of means that sit at `shifts_sigmas` from the first visit on."""
    return np.array([shifts_sigmas], dtype=np.float64)


def drifting_means(sigmas_per_visit: tuple[float, ...], *, until_sigmas: float) -> Floats:
    """Return the paths of steady drifts from the centre; each stops once it is so far away.

    Parameters
    ----------
    sigmas_per_visit : tuple of float
        Drifts, not zero.
    until_sigmas : float
        Where to stop, over 0: far enough that every later point would make the chart speak.

    Returns
    -------
    Floats
        Shape (visits, drifts): the mean at the first visit is one step of drift.

    Raises
    ------
    ValueError
        If a drift is zero, or so slow that its path would pass `MOST_VISITS` visits.
    """
    slowest = min(abs(drift) for drift in sigmas_per_visit)
    if not slowest * MOST_VISITS > until_sigmas:
        raise ValueError(
            f"a drift of {slowest!r} sigma a visit does not reach {until_sigmas:g} sigma within "
            f"{MOST_VISITS} visits"
        )
    visits = int(np.ceil(until_sigmas / slowest)) + 1
    drifts = np.array(sigmas_per_visit, dtype=np.float64)
    reached = np.minimum(np.arange(1, visits + 1)[:, None] * np.abs(drifts), until_sigmas)
    return np.asarray(np.sign(drifts) * reached)


def follow(start: Floats, means: Floats, *, advance: Advance) -> RunLengths:
    """Follow a chart visit by visit until it has spoken or its tail is geometric.

    Parameters
    ----------
    start : Floats
        State of the chart before the first visit, scenarios in the last axis.
    means : Floats
        Shape (visits, scenarios), in sigmas; the last row goes on for ever.
    advance : Advance
        One visit of the chart.

    Returns
    -------
    RunLengths
        Exact but for the quadrature inside `advance`: a chain with a finite number of states and
        a constant mean has a geometric tail, whose ratio is read off once it is constant.

    Raises
    ------
    ArithmeticError
        If the tail has not become geometric within `MOST_VISITS` visits.
    """
    state = start
    survival = [np.ones(means.shape[1])]
    ratio = np.ones(means.shape[1])
    calm = 0
    for visit in range(MOST_VISITS):
        state, left = advance(state, means[min(visit, len(means) - 1)], visit)
        alive = left > GONE
        before, ratio = ratio, np.where(alive, left / np.maximum(survival[-1], GONE), 0.0)
        survival.append(np.where(alive, left, 0.0))
        still = np.abs(ratio - before) <= SETTLED * (1.0 - ratio) + 4 * np.finfo(float).eps
        calm = calm + 1 if visit >= len(means) and bool(np.all(still | ~alive)) else 0
        if calm == SETTLED_VISITS or not alive.any():
            return RunLengths(survival=np.array(survival), decay=ratio)
    raise ArithmeticError(f"the run length had no geometric tail within {MOST_VISITS} visits")


def mean_visits(lengths: RunLengths) -> Floats:
    """Return the average run length of each scenario, in visits; infinite where none ends."""
    with np.errstate(divide="ignore"):
        tail = np.where(lengths.survival[-1] > 0, lengths.survival[-1] / (1.0 - lengths.decay), 0.0)
    return np.asarray(lengths.survival[:-1].sum(axis=0) + tail)


def quantile_visits(lengths: RunLengths, *, chance: float) -> Floats:
    """Return the fewest visits within which each scenario has spoken with at least this chance.

    It is infinite where nothing ever speaks.

    Parameters
    ----------
    lengths : RunLengths
        Shape (scenarios,) in its columns.
    chance : float
        Over 0 and under 1.
    """
    silent = 1.0 - chance
    enough = lengths.survival <= silent * (1 + 1e-12)
    inside = enough.argmax(axis=0).astype(np.float64)
    last = lengths.survival[-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        further = np.ceil(np.log(silent / last) / np.log(lengths.decay) - 1e-9)
    beyond = len(lengths.survival) - 1 + np.maximum(further, 1.0)
    beyond = np.where(lengths.decay < 1.0, beyond, np.inf)
    return np.asarray(np.where(enough.any(axis=0), inside, beyond))


def chance_by(lengths: RunLengths, *, visits: int) -> Floats:
    """Return the probability that each scenario has spoken by this visit."""
    rows = len(lengths.survival) - 1
    if visits <= rows:
        return np.asarray(1.0 - lengths.survival[visits])
    return np.asarray(1.0 - lengths.survival[-1] * lengths.decay ** (visits - rows))


def chance_at(lengths: RunLengths, *, visits: int) -> Floats:
    """Return the probabilities to speak at visits 1 to `visits`; shape (visits, scenarios)."""
    rows = len(lengths.survival) - 1
    more = np.arange(1, max(visits - rows, 0) + 1)[:, None]
    survival = np.vstack([lengths.survival, lengths.survival[-1] * lengths.decay**more])
    return np.asarray(-np.diff(survival[: visits + 1], axis=0))
