"""This module computes how many visits pass until a chart signals, charts with a memory too.

A *scenario* is what the plotted points truly do: a path of their mean, in standard deviations of
one plotted point from the centre, visit by visit.  Points are independent and normal around it.
Run lengths are *zero-state*: the chart starts fresh at the visit before the path begins.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import ndtr

from drift.arrays import Floats
from drift.format import typed

# From the state of every scenario, the means at the next visit and how many visits came before,
# to the next state and the probability that nothing has signalled yet.
Advance = Callable[[Floats, Floats, int], tuple[Floats, Floats]]

# Survival below this is taken as certain to have signalled.
GONE = 1e-13
# The tail is geometric once successive ratios agree to this share of the chance to speak.
SETTLED = 1e-10
# So many times in a row: more visits than any rule remembers, so that a ratio that stays the same
# only because no pattern can be complete yet is not taken for the tail's.
SETTLED_VISITS = 20
MOST_VISITS = 50_000

# Gauss-Legendre nodes for each kernel width in the continuation region, and on top of that.  A
# normal kernel is integrated to about 1e-9 from two nodes a width upward.
NODES_PER_WIDTH = 3
_NODES_AT_LEAST = 16


@dataclass(frozen=True, slots=True)
class RunLengths:
    """The distribution of the run length in several scenarios.

    Attributes
    ----------
    survival : Floats
        Shape (visits + 1, scenarios): the probability that nothing has signalled by visit n.
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
        Where to stop, over 0: far enough that every later point would make the chart signal.

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
            f"a drift of {slowest!r} sigma a visit does not reach {typed(until_sigmas)} sigma "
            f"within {MOST_VISITS} visits"
        )
    visits = int(np.ceil(until_sigmas / slowest)) + 1
    drifts = np.array(sigmas_per_visit, dtype=np.float64)
    reached = np.minimum(np.arange(1, visits + 1)[:, None] * np.abs(drifts), until_sigmas)
    return np.asarray(np.sign(drifts) * reached)


def follow(start: Floats, means: Floats, *, advance: Advance) -> RunLengths:
    """Follow a chart visit by visit until it has signalled or its tail is geometric.

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
    """Return the fewest visits within which each scenario has signalled with at least this chance.

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
    """Return the probability that each scenario has signalled by this visit."""
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


def ewma_run_lengths(
    means: Floats, *, weight: float, limit_sigmas: float, early_limits: bool
) -> RunLengths:
    """Compute how many visits pass until an EWMA chart signals.

    Parameters
    ----------
    means : Floats
        Shape (visits, scenarios): the true mean minus the centre, in sigmas of a plotted point; the
        last row goes on for ever.
    weight : float
        Weight of the newest point, over 0 and at most 1.
    limit_sigmas : float
        Distance of the limits from the centre, in standard deviations of the weighted mean.
    early_limits : bool
        True for a chart that starts at the first visit with limits from the exact variance; False
        for limits at their lasting width from the start, as on a chart that has run for a while.

    Returns
    -------
    RunLengths
        To about eight digits.

    Raises
    ------
    ValueError
        If `weight` or `limit_sigmas` is out of range.

    References
    ----------
    S. V. Crowder (1987), Technometrics 29, 401-407: the integral equation.  J. M. Lucas and
    M. S. Saccucci (1990), Technometrics 32, 1-12.  Solved here forward in time at Gauss-Legendre
    nodes, so that limits and means may change from visit to visit.
    """
    if not 0 < weight <= 1 or not limit_sigmas > 0:
        raise ValueError(
            f"an EWMA needs a weight over 0 and at most 1 and limits over 0, not {weight!r} and "
            f"{limit_sigmas!r}"
        )
    lasting = limit_sigmas * np.sqrt(weight / (2 - weight))
    count = _NODES_AT_LEAST + int(np.ceil(NODES_PER_WIDTH * 2 * lasting / weight))
    nodes, quadrature = np.polynomial.legendre.leggauss(count)

    def half_width(visit: int) -> float:
        """Half-width of the limits after `visit` visits."""
        early = 1 - (1 - weight) ** (2 * visit) if early_limits else 1.0
        return float(lasting * np.sqrt(early))

    # Means and limits mostly stay as they are from visit to visit, and with them the kernel.
    @lru_cache(maxsize=1)
    def kernel(mean: bytes, width: float, before: float) -> Floats:
        """Density at each node after the visit from each node before it; scenarios first."""
        here = width * nodes[:, None] - (1 - weight) * before * nodes[None, :]
        moved = weight * np.frombuffer(mean)[:, None, None]
        return _normal((here - moved) / weight) / weight * (before * quadrature)

    def advance(state: Floats, mean: Floats, visit: int) -> tuple[Floats, Floats]:
        width, before = half_width(visit + 1), half_width(visit)
        if visit == 0:
            moved = _normal((width * nodes[:, None] - weight * mean) / weight) / weight
        else:
            step = kernel(mean.tobytes(), width, before)
            moved = np.matmul(step, state.T[:, :, None])[:, :, 0].T
        return moved, width * (quadrature @ moved)

    return follow(np.zeros((count, means.shape[1])), means, advance=advance)


def cusum_run_lengths(
    means: Floats, *, reference_sigmas: float, decision_sigmas: float
) -> RunLengths:
    """Compute how many visits pass until a two-sided tabular CUSUM chart signals.

    Parameters
    ----------
    means : Floats
        Shape (visits, scenarios), in sigmas; the last row goes on for ever.
    reference_sigmas : float
        Reference value k, half the shift that is looked for; 0 or more.
    decision_sigmas : float
        Decision interval h, over 0.

    Returns
    -------
    RunLengths
        To about eight digits.

    Raises
    ------
    ValueError
        If a setting is out of range.

    Notes
    -----
    The two sums are followed apart, each with its mass at zero and its density above.  What couples
    them: when one speaks, the other is at zero, because it could only have grown at the cost of the
    first.  So the chance that one side speaks at a visit is taken from the mass at zero of the
    other, which is exact for both sides together without a two-dimensional chain.

    References
    ----------
    E. S. Page (1954), Biometrika 41, 100-115; D. Brook and D. A. Evans (1972), Biometrika 59,
    539-549; K. W. Kemp (1961), Journal of the Royal Statistical Society B 23, 149-153 (two sides).
    """
    if not reference_sigmas >= 0 or not decision_sigmas > 0:
        raise ValueError(
            f"a CUSUM needs k of 0 or more and h over 0, not {reference_sigmas!r} and "
            f"{decision_sigmas!r}"
        )
    k, h = reference_sigmas, decision_sigmas
    count = _NODES_AT_LEAST + int(np.ceil(NODES_PER_WIDTH * h))
    nodes, quadrature = np.polynomial.legendre.leggauss(count)
    place, share = (nodes + 1) * h / 2, quadrature * h / 2

    @lru_cache(maxsize=1)
    def kernel(mean: bytes) -> tuple[Floats, Floats]:
        """Return where mass at zero and at each node goes: to zero and the nodes, and beyond h."""
        upper = np.frombuffer(mean)
        step = (k - np.concatenate([upper, -upper]))[:, None]
        held = np.concatenate([[0.0], place])
        moves = np.empty((len(step), 1 + count, 1 + count))
        moves[:, 1:] = _normal(place[:, None] - held[None, :] + step[:, :, None])
        moves[:, 0] = ndtr(step - held)
        # What lies at a node is its density times its share of the range.
        moves[:, :, 1:] *= share
        speaks = ndtr(held - h - step)
        speaks[:, 1:] *= share
        return moves, speaks

    def advance(state: Floats, mean: Floats, visit: int) -> tuple[Floats, Floats]:
        """Move the mass at zero (row 0) and the densities; upper sides first, then lower sides."""
        del visit
        moves, speaks = kernel(mean.tobytes())
        moved = np.matmul(moves, state.T[:, :, None])[:, :, 0].T
        moved[0] -= np.roll((speaks * state.T).sum(axis=1), len(mean))
        left = moved[0] + share @ moved[1:]
        return moved, np.maximum(left[: len(mean)], 0.0)

    start = np.zeros((1 + count, 2 * means.shape[1]))
    start[0] = 1.0
    return follow(start, means, advance=advance)


def _normal(x: Floats) -> Floats:
    """Return the standard normal density."""
    return np.asarray(np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi))
