"""This module estimates how long meters stay in tolerance, without a parametric law.

Lengths are interval-censored: known to lie in (lower, upper], where an infinite upper means that
the end was not seen.  An exact length is lower = upper.  Where every length is exact or open-ended
the estimate is that of Kaplan and Meier, and is tested equal to statsmodels' SurvfuncRight; it is
ours because that takes no interval-censored lengths, which are what visits leave.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize

from drift.arrays import Flags, Floats, Integers

# The likelihood is within this of its maximum when the climb stops, or the fit says so.
_GAP = 1e-12
_ROUNDS = 2000
_EM_STEPS = 3
# The samples of an interval vary by far more than this.
_SAMPLE_GAP = 1e-4
_NONE = 1e-300
# Less than this is what a climb leaves in cells that hold nothing.
_NO_MASS = 1e-9


@dataclass(frozen=True, slots=True)
class Survival:
    """A nonparametric estimate of survival.

    Attributes
    ----------
    left, right : array, shape (steps,)
        The only intervals (left, right] that may hold mass, ascending; the last right may be
        infinite.  Inside one of them the estimate is not determined.
    mass : array, shape (steps,)
        Probability in each.
    after : array, shape (steps,)
        Survival from `right` on, up to the next `left`.
    log_likelihood : float
        Of the (weighted) sample, natural logarithm.
    gap : float
        By how much, at most, the log likelihood could still rise.
    """

    left: Floats
    right: Floats
    mass: Floats
    after: Floats
    log_likelihood: float
    gap: float


@dataclass(frozen=True, slots=True)
class _Bounds:
    """Lengths with their bounds as whole numbers, which can be compared.

    At one and the same time an exact length begins, then right ends close, then open left ends
    begin.

    Attributes
    ----------
    times : array, shape (times,)
        All bounds, ascending.
    starts, stops : array, shape (observations,)
        3 for each time before the bound, and 0, 1 or 2 in that order.
    """

    times: Floats
    starts: Integers
    stops: Integers


@dataclass(frozen=True, slots=True)
class _Cells:
    """The intervals that may hold mass, and which of them each observation covers.

    Attributes
    ----------
    left, right : array, shape (cells,)
    first, end : array, shape (observations,)
        Observation i covers cells ``first[i]`` to ``end[i] − 1``.
    """

    left: Floats
    right: Floats
    first: Integers
    end: Integers


def fit_survival(
    lower: npt.ArrayLike, upper: npt.ArrayLike, *, weights: npt.ArrayLike | None = None
) -> Survival:
    """Estimate survival from interval-censored lengths by nonparametric maximum likelihood.

    Parameters
    ----------
    lower, upper : array_like, shape (observations,)
        Length in (lower, upper], any unit; upper may be infinite, equal to lower for an exact
        length, and is at least lower ≥ 0.
    weights : array_like, shape (observations,), optional
        How often each was observed; 0 or more, one of them over 0.  1 each by default.

    Returns
    -------
    Survival

    Raises
    ------
    ValueError
        If there is no observation, or a bound or weight is impossible.

    Notes
    -----
    Mass can lie only where a lower bound is followed at once by an upper bound.  A few steps of
    self-consistency, which cannot leave the maximum far behind, alternate with a Newton step on
    the survival curve projected on decreasing curves (iterative convex minorant), halved until
    the likelihood rises.  By concavity the likelihood is within n (max slope − 1) of its
    maximum, which is what `gap` says.

    References
    ----------
    Turnbull (1976), Journal of the Royal Statistical Society B 38, 290–295; Wellner and Zhan
    (1997), Journal of the American Statistical Association 92, 945–959 (the hybrid climb);
    Gentleman and Geyer (1994), Biometrika 81, 618–623 (the bound on the gap).
    """
    low, high, weight = _checked(lower, upper, weights)
    return _fit(_bounds(low, high), weight, gap=_GAP)


def _fit(bounds: _Bounds, weight: Floats, *, gap: float) -> Survival:
    """Fit lengths to within `gap` of the maximum for each observation."""
    keep = weight > 0
    weight = weight[keep]
    cells = _find_cells(bounds, keep)
    mass, missing = _climb(cells, weight, gap=gap)
    mass = np.where(mass < _NO_MASS, 0.0, mass)
    mass = mass / mass.sum()
    after = np.maximum(1 - np.cumsum(mass), 0.0)
    after[-1] = 0.0
    chance = _chances(cells, mass)
    return Survival(
        left=cells.left,
        right=cells.right,
        mass=mass,
        after=after,
        log_likelihood=float((weight * np.log(chance)).sum()),
        gap=missing,
    )


def survival_at(fit: Survival, times: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Return the lowest and highest survival at `times` that the estimate allows.

    They differ only inside an interval that holds mass; past a last interval without end, the
    lowest is 0.
    """
    at = np.asarray(times, dtype=np.float64)
    survival = np.concatenate([[1.0], fit.after])
    past = np.searchsorted(fit.right, at, side="right")
    # An exact length has ended at its own time, where its cell has no width to stand inside.
    entered = np.maximum(np.searchsorted(fit.left, at, side="left"), past)
    return survival[entered], survival[past]


def time_to(fit: Survival, target: float) -> tuple[float, float]:
    """Return the interval (left, right] in which survival falls to `target` or below.

    Both are infinite where survival stays above it for as long as anything was seen.

    Raises
    ------
    ValueError
        If `target` is not over 0 and under 1.
    """
    if not 0 < target < 1:
        raise ValueError(f"target is {target}; expected over 0 and under 1")
    # The last cell may be open-ended: mass there is survival that was never seen to end.
    fallen = (fit.after <= target + 1e-12) & np.isfinite(fit.right) & (fit.mass > 0)
    if not fallen.any():
        return np.inf, np.inf
    first = int(np.argmax(fallen))
    return float(fit.left[first]), float(fit.right[first])


def resampled_interval(
    lower: npt.ArrayLike,
    upper: npt.ArrayLike,
    times: npt.ArrayLike,
    *,
    cluster: npt.ArrayLike,
    confidence: float = 0.95,
    draws: int = 200,
    seed: int = 1,
) -> tuple[Floats, Floats]:
    """Return the interval of survival at `times` by drawing whole meters again.

    Parameters
    ----------
    lower, upper : array_like, shape (observations,)
        As in `fit_survival`.
    times : array_like, shape (times,)
        In the same unit.
    cluster : array_like, shape (observations,)
        The meter of each length: lengths of one meter are alike, so meters are drawn, not lengths.
    confidence : float
        Over 0 and under 1.
    draws, seed : int
        Number of samples drawn, and where the drawing starts; the same seed gives the same
        interval.

    Returns
    -------
    low, high : array, shape (times,)
        Quantiles of the lowest and of the highest survival the samples allow.

    Notes
    -----
    Where nothing failed the samples cannot vary and the interval is empty of meaning: the exact
    binomial bound of `drift.upkeep.reliability.reliability` then says what is proven.  Visits of a
    schedule end stretches at about the same ages, so the estimate settles at the usual rate there;
    where visits fall at any age it settles more slowly, and the interval is approximate.

    References
    ----------
    Efron (1981), Journal of the American Statistical Association 76, 312–319 (censored data);
    Davison and Hinkley (1997), Bootstrap Methods and their Application, section 3.8 (clusters).
    """
    low, high, _ = _checked(lower, upper, None)
    group = _by_content(low, high, np.asarray(cluster))
    count = int(group.max()) + 1
    rng = np.random.default_rng(seed)
    drawn = rng.multinomial(count, np.full(count, 1 / count), size=draws)
    at = np.asarray(times, dtype=np.float64)
    pairs, place = np.unique(np.stack([low, high]), axis=1, return_inverse=True)
    bounds = _bounds(pairs[0], pairs[1])
    lowest, highest = np.empty((draws, at.size)), np.empty((draws, at.size))
    for draw in range(draws):
        repeats = drawn[draw][group].astype(np.float64)
        counted = np.bincount(place.ravel(), weights=repeats, minlength=pairs.shape[1])
        weights = np.asarray(counted, dtype=np.float64)
        fit = _fit(bounds, weights, gap=_SAMPLE_GAP)
        lowest[draw], highest[draw] = survival_at(fit, at)
    tail = (1 - confidence) / 2
    return np.quantile(lowest, tail, axis=0), np.quantile(highest, 1 - tail, axis=0)


def _by_content(low: Floats, high: Floats, cluster: npt.NDArray[np.generic]) -> Integers:
    """Return a number for the meter of each length, in an order that no name decides."""
    names, group = np.unique(cluster, return_inverse=True)
    order = np.lexsort((high, low, group))
    lengths = np.stack([low, high], axis=1)[order]
    own = np.split(lengths, np.flatnonzero(np.diff(group[order])) + 1)
    ranked = sorted(range(names.size), key=lambda meter: own[meter].tobytes())
    number = np.empty(names.size, dtype=np.int64)
    number[ranked] = np.arange(names.size)
    return number[group]


def _checked(
    lower: npt.ArrayLike, upper: npt.ArrayLike, weights: npt.ArrayLike | None
) -> tuple[Floats, Floats, Floats]:
    """Return bounds and weights as arrays, or raise."""
    low, high = np.asarray(lower, dtype=np.float64), np.asarray(upper, dtype=np.float64)
    weight = np.ones(low.shape) if weights is None else np.asarray(weights, dtype=np.float64)
    if low.size == 0 or low.shape != high.shape or low.shape != weight.shape or low.ndim != 1:
        raise ValueError("expected as many lower as upper bounds, and at least one")
    if not (np.isfinite(low) & (low >= 0) & (high >= low)).all():
        raise ValueError("expected 0 ≤ lower ≤ upper, with lower finite")
    if not (np.isfinite(weight) & (weight >= 0)).all() or weight.sum() <= 0:
        raise ValueError("expected weights of 0 or more, one of them over 0")
    return low, high, weight


def _bounds(low: Floats, high: Floats) -> _Bounds:
    """Return lengths with their bounds as whole numbers."""
    times = np.unique(np.concatenate([low, high]))
    return _Bounds(
        times=times,
        starts=3 * np.searchsorted(times, low) + np.where(low == high, 0, 2),
        stops=3 * np.searchsorted(times, high) + 1,
    )


def _find_cells(bounds: _Bounds, keep: Flags) -> _Cells:
    """Return the intervals that run from a left end to a right end with no end between."""
    starts, stops = bounds.starts[keep], bounds.stops[keep]
    held = np.zeros(3 * bounds.times.size, dtype=bool)
    held[starts] = True
    held[stops] = True
    ends = held.nonzero()[0]
    is_start = ends % 3 != 1
    at = (is_start[:-1] & ~is_start[1:]).nonzero()[0]
    inner_left, inner_right = ends[at], ends[at + 1]
    return _Cells(
        left=bounds.times[inner_left // 3],
        right=bounds.times[inner_right // 3],
        first=inner_left.searchsorted(starts, side="left"),
        end=inner_right.searchsorted(stops, side="right"),
    )


def _chances(cells: _Cells, mass: Floats) -> Floats:
    """Return the probability of each observation."""
    total = np.empty(mass.size + 1)
    total[0] = 0.0
    mass.cumsum(out=total[1:])
    chance: Floats = np.maximum(total[cells.end] - total[cells.first], _NONE)
    return chance


def _slopes(cells: _Cells, values: Floats) -> Floats:
    """Return for each cell the sum of `values` over the observations that cover it."""
    count = cells.left.size
    begun = np.bincount(cells.first, weights=values, minlength=count + 1)
    ended = np.bincount(cells.end, weights=values, minlength=count + 1)
    begun -= ended
    covered: Floats = begun.cumsum()[:count]
    return covered


def _climb(cells: _Cells, weight: Floats, *, gap: float) -> tuple[Floats, float]:
    """Return the masses that maximise the likelihood, and the bound on what is missing."""
    number = weight.sum()
    mass = np.full(cells.left.size, 1 / cells.left.size)
    missing = np.inf
    for _ in range(_ROUNDS):
        for _ in range(_EM_STEPS):
            mass = mass * _slopes(cells, weight / _chances(cells, mass)) / number
            mass = mass / mass.sum()
        mass = _convex_step(cells, weight, mass)
        slope = _slopes(cells, weight / _chances(cells, mass))
        missing = float(max(slope.max() - number, 0.0))
        if missing < gap * number:
            break
    return mass, missing


def _convex_step(cells: _Cells, weight: Floats, mass: Floats) -> Floats:
    """Return masses after one projected Newton step that does not lower the likelihood."""
    chance = _chances(cells, mass)
    here = weight @ np.log(chance)
    count = mass.size
    if count < 2:
        return mass
    # Derivatives by the distribution function F at the inner cell edges.
    first, end = cells.first, cells.end
    pull, stiff = weight / chance, weight / chance**2
    drawn = np.bincount(end, weights=pull, minlength=count + 1)
    drawn -= np.bincount(first, weights=pull, minlength=count + 1)
    held = np.bincount(end, weights=stiff, minlength=count + 1)
    held += np.bincount(first, weights=stiff, minlength=count + 1)
    inner = np.maximum(held[1:count], _NONE)
    now = mass.cumsum()[:-1]
    goal = optimize.isotonic_regression(now + drawn[1:count] / inner, weights=inner).x
    way = np.minimum(np.maximum(goal, 0.0), 1.0) - now
    share = 1.0
    edges = np.zeros(count + 1)
    edges[-1] = 1.0
    for _ in range(20):
        edges[1:-1] = now + share * way
        trial = np.maximum(edges[1:] - edges[:-1], 0.0)
        trial /= trial.sum()
        if weight @ np.log(_chances(cells, trial)) >= here:
            # A mass of exactly 0 could never grow again by self-consistency.
            risen: Floats = trial * (1 - 1e-12) + 1e-12 / count
            return risen
        share /= 2
    return mass
