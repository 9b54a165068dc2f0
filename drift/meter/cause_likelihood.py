"""This module computes how well one cause explains the readings of one segment.

Every cause makes the readings jointly normal once its visit of onset, the chamber scale and the
noise are given; those are averaged over a grid, amplitudes are integrated in closed form.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr

from drift.arrays import Flags, Floats, Integers
from drift.meter.dial import shape_of_hand, shape_of_mark, shape_of_volume

# Prior standard deviation of what a cause does at 5 % air, % air.  Judgement: biases that bring a
# meter to the bench are of the size of the tolerance.
_AMPLITUDE = 0.15
# That of what an adjustment does at 5 % air, and of a mark move about what the dial model says.
_ADJUSTMENT, _PLACING = 0.20, 0.03
# What a meter in order still shows, % air (judgement, no source): graduation errors at each point,
# and at 5 % air a mark not quite in its place, its slow wandering, and its new setting every visit.
_GRADUATION, _PLACED, _WANDERED, _SETTING = 0.01, 0.015, 0.01, 0.01
# A common effect smaller than this is none, at 5 % air, % air: a tenth of the usual tolerance.
_LEAST_COMMON = 0.01
# Drift over a segment at 5 % air, % air: alike at the points or like the mark, like the hand, and
# of each point's own.
_DRIFT_ALIKE, _DRIFT_OF_HAND, _DRIFT_APART = 0.10, 0.05, 0.02
# Factors by which the stated noise may be off, with their weights.
_FACTORS = np.array([0.75, 1.2, 2.0])
_FACTOR_WEIGHTS = np.array([0.4, 0.5, 0.1])
# Gauss–Hermite nodes for the logarithm of the chamber scale.
_NODES, _NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(3)
_NODE_WEIGHTS = _NODE_WEIGHTS / _NODE_WEIGHTS.sum()
# A leak's strength: half-normal, in units of `_AMPLITUDE`.
_LEAKS = np.linspace(0.15, 2.4, 8)
_LEAK_WEIGHTS = np.exp(-(_LEAKS**2) / 2) / np.exp(-(_LEAKS**2) / 2).sum()
_HALF_NORMAL_MEAN, _HALF_NORMAL_VARIANCE = float(np.sqrt(2 / np.pi)), 1 - 2 / np.pi
# Probability that a cause was there before the first reading of the segment.
_FROM_START = 0.5


@dataclass(frozen=True, slots=True)
class Case:
    """The sittings of one segment: replicates at one visit, point and state are one row.

    Attributes
    ----------
    bias, air, elapsed : array (n,)
        Mean bias, % air; correct air content, % air; time since the first sitting, from 0 to 1.
    replicates, scatter : array (n,)
        Readings of the sitting, and their sum of squares about their mean.
    point, visit : int array (n,)
        Number of the verification point and of the visit, 0 upwards; sorted by visit.
    dried, sealed, mark_moved, hand_reset : bool array (n,)
        What was done before the reading.
    mark_worth : array (n,)
        What the mark move is worth at 5 % air; NaN where unknown.
    resolution : array (n,)
    repeatability : float
    scale, scale_sd : float
        Chamber scale, % air.
    common, common_error : array (n,)
        What the vessel of each reading does to every meter at 5 % air, against the vessel of the
        segment's first reading, and its standard error.
    common_base : float
        Standard deviation of what the vessel of the first reading may be off by itself.
    """

    bias: Floats
    air: Floats
    elapsed: Floats
    replicates: Floats
    scatter: Floats
    point: Integers
    visit: Integers
    dried: Flags
    sealed: Flags
    mark_moved: Flags
    hand_reset: Flags
    mark_worth: Floats
    resolution: Floats
    repeatability: float
    scale: float
    scale_sd: float
    common: Floats
    common_error: Floats
    common_base: float


@dataclass(frozen=True, slots=True)
class _Grid:
    """What every cause of one case has in common, over nodes (k) and noise factors (f).

    Attributes
    ----------
    case : Case
    mark, hand : array (k, n)
        Shapes over the readings.
    noise : array (f, n)
        Variance of a reading that is its own.
    columns : array (k, f, n, r)
        Columns of what a meter in order shows, of adjustments and of the error of the common
        effect, each times its prior standard deviation.
    values : array (k, n)
        Biases less what known mark moves and the common effect did.
    log_weights : array (k, f)
    """

    case: Case
    mark: Floats
    hand: Floats
    noise: Floats
    columns: Floats
    values: Floats
    log_weights: Floats


def log_evidences(case: Case) -> dict[str, float]:
    """Return the log marginal likelihood of each cause and of ``nothing``, up to one constant.

    Parameters
    ----------
    case : Case
        With at least one reading.

    Notes
    -----
    A leak is taken as normal with the mean and variance of a half-normal draw in every reading.
    What the vessel is known to do to every meter is in the readings whatever else the cause is;
    ``vessel_volume`` is that alone, ``nothing`` not even that.
    """
    grid = _grid(case)
    volume = np.broadcast_to(shape_of_volume(case.air), grid.mark.shape)
    always = np.ones(len(case.bias), dtype=bool)
    return {
        "mark_misplaced": _stepped(grid, grid.mark, active=always),
        "hand_shifted": _stepped(grid, grid.hand, active=always),
        "chamber_water": _stepped(grid, volume, active=~case.dried, positive=True),
        "leak": _leaking(grid),
        "vessel_volume": _of_the_vessel(grid),
        "plain_drift": _drifting(grid),
        "nothing": _marginal(grid, grid.columns[:, :, None], mean=-_common(case)),
    }


def _grid(case: Case) -> _Grid:
    """Lay out what every cause has in common."""
    log_sd = case.scale_sd / case.scale
    # A known scale needs one node only.
    nodes, weights = (_NODES, _NODE_WEIGHTS) if log_sd > 0 else (np.zeros(1), np.ones(1))
    scales = case.scale * np.exp(log_sd * nodes)
    mark = shape_of_mark(case.air, k=scales[:, None])
    hand = shape_of_hand(case.air, k=scales[:, None])
    sigma = _FACTORS[:, None] * case.repeatability
    # Rounding: its first harmonic stays the same while the true value does, the rest is new each
    # time (Sheppard's δ²/12 in all); see Widrow & Kollár (2008), Quantization Noise, chapter 5.
    step = case.resolution
    ratio = np.divide(sigma, step, out=np.full((len(sigma), len(step)), np.inf), where=step > 0)
    lasting = (step / np.pi) ** 2 / 2 * np.exp(-((2 * np.pi * ratio) ** 2))
    noise = sigma**2 + step**2 / 12 - lasting
    points = int(case.point.max()) + 1
    offset = np.sqrt(_GRADUATION**2 + lasting)
    belongs = np.eye(points)[case.point]
    shape = (len(scales), len(sigma), len(case.bias))
    known = case.mark_moved & np.isfinite(case.mark_worth)
    worth = np.where(known, np.where(np.isfinite(case.mark_worth), case.mark_worth, 0.0), 0.0)
    placing = np.where(known, _PLACING, _ADJUSTMENT) * case.mark_moved
    columns = np.empty((*shape, points + 5))
    columns[..., :points] = offset[None, :, :, None] * belongs
    columns[..., points] = (mark * _PLACED)[:, None]
    columns[..., points + 1] = (mark * _WANDERED * case.elapsed)[:, None]
    columns[..., points + 2] = (mark * placing)[:, None]
    columns[..., points + 3] = (hand * _ADJUSTMENT * case.hand_reset)[:, None]
    columns[..., points + 4] = case.common_error * shape_of_volume(case.air)
    used = np.array([case.mark_moved.any(), case.hand_reset.any(), case.common_error.any()])
    columns = np.delete(columns, points + 2 + np.flatnonzero(~used), axis=-1)
    return _Grid(
        case=case,
        mark=mark,
        hand=hand,
        noise=noise,
        columns=columns,
        values=case.bias - worth * mark - _common(case),
        log_weights=np.log(weights)[:, None] + np.log(_FACTOR_WEIGHTS),
    )


def _common(case: Case) -> Floats:
    """Return what the vessel does to each reading, % air."""
    return np.asarray(case.common * shape_of_volume(case.air))


def _of_the_vessel(grid: _Grid) -> float:
    """Return the log evidence that the vessel is all that is wrong.

    Where its vessels are known to have done nothing to the segment it cannot be the cause.
    """
    case = grid.case
    if np.abs(case.common).max() + case.common_base < _LEAST_COMMON:
        return -np.inf
    base = case.common_base * shape_of_volume(case.air)
    own = np.broadcast_to(base[:, None], (*grid.columns.shape[:-1], 1))
    return _marginal(grid, np.concatenate([own, grid.columns], axis=-1)[:, :, None])


def _onsets(case: Case) -> tuple[Flags, Floats]:
    """Return which readings come from each possible visit of onset on, (o, n), and log priors."""
    first = np.unique(case.visit)
    later = (1 - _FROM_START) / max(len(first) - 1, 1)
    prior = np.full(len(first), later)
    prior[0] = _FROM_START if len(first) > 1 else 1.0
    return case.visit >= first[:, None], np.log(prior)


def _stepped(grid: _Grid, shape: Floats, *, active: Flags, positive: bool = False) -> float:
    """Return the log evidence of a cause that is there from some visit on."""
    since, log_prior = _onsets(grid.case)
    cause = _AMPLITUDE * shape[:, None, None, :] * (since & active)
    full = (*grid.log_weights.shape, *since.shape, 1)
    own = np.broadcast_to(cause[..., None], full)
    rest = np.broadcast_to(grid.columns[:, :, None], (*full[:-1], grid.columns.shape[-1]))
    columns = np.concatenate([own, rest], axis=-1)
    return _marginal(grid, columns, log_prior=log_prior, positive=positive)


def _drifting(grid: _Grid) -> float:
    """Return the log evidence of drift that starts with the segment, of any smooth shape.

    It may be alike at every point, or wander like the mark or the hand, and a little of its own.
    """
    case = grid.case
    belongs = np.eye(int(case.point.max()) + 1)[case.point]
    wide = (len(grid.mark), len(case.bias), belongs.shape[1])
    shapes = np.concatenate(
        [
            np.ones_like(grid.mark)[..., None] * _DRIFT_ALIKE,
            grid.mark[..., None] * _DRIFT_ALIKE,
            grid.hand[..., None] * _DRIFT_OF_HAND,
            np.broadcast_to(belongs * _DRIFT_APART, wide),
        ],
        axis=-1,
    )
    drift = shapes * case.elapsed[:, None]
    own = np.broadcast_to(drift[:, None], (*grid.columns.shape[:-1], drift.shape[-1]))
    return _marginal(grid, np.concatenate([own, grid.columns], axis=-1)[:, :, None])


def _leaking(grid: _Grid) -> float:
    """Return the log evidence of a leak of unknown strength that is there from some visit on."""
    since, log_prior = _onsets(grid.case)
    active = (since & ~grid.case.sealed).astype(np.float64)
    each = (_LEAKS[:, None, None] * active).reshape(-1, active.shape[1])
    strength = _AMPLITUDE * each * grid.mark[:, None, None, :]
    return _marginal(
        grid,
        grid.columns[:, :, None],
        log_prior=(np.log(_LEAK_WEIGHTS)[:, None] + log_prior).ravel(),
        mean=_HALF_NORMAL_MEAN * strength,
        further=_HALF_NORMAL_VARIANCE * strength**2,
    )


def _marginal(
    grid: _Grid,
    columns: Floats,
    *,
    log_prior: Floats | None = None,
    positive: bool = False,
    mean: Floats | float = 0.0,
    further: Floats | float = 0.0,
) -> float:
    """Average normal likelihoods over the grid.

    Parameters
    ----------
    grid : _Grid
    columns : array (k, f, o, n, r)
        Columns with standard normal coefficients.
    log_prior : array (o,), optional
        Of the further grid axis (onset or strength); one value if not given.
    positive : bool
        Whether the first coefficient is half-normal.
    mean, further : array (k, f, o, n) or float
        Mean of the readings and further variance of each.
    """
    case = grid.case
    prior = np.zeros(1) if log_prior is None else log_prior
    shape = (*grid.log_weights.shape, len(prior), len(case.bias))
    left = np.broadcast_to(grid.values[:, None, None, :] - mean, shape)
    each = np.broadcast_to(grid.noise[None, :, None, :] + further, shape)
    variance = each / case.replicates
    columns = np.broadcast_to(columns, (*shape, columns.shape[-1]))
    # V = D + Σ s s' over the visits (the setting of the mark) + columns·columns'.
    setting = _SETTING * np.broadcast_to(grid.mark[:, None, None, :], shape)
    belongs = (case.visit == np.unique(case.visit)[:, None]).astype(np.float64)
    both = np.concatenate([columns, left[..., None]], axis=-1)
    weighted = both / variance[..., None]
    by_visit = (belongs * setting[..., None, :]) @ weighted
    taken = 1 + setting**2 / variance @ belongs.T
    whole = np.swapaxes(weighted, -1, -2) @ both
    whole = whole - np.swapaxes(by_visit, -1, -2) @ (by_visit / taken[..., None])
    inner = whole[..., :-1, :-1] + np.eye(columns.shape[-1])
    right = whole[..., :-1, -1]
    solved = np.linalg.solve(inner, right[..., None])[..., 0]
    squares = whole[..., -1, -1] - (right * solved).sum(axis=-1)
    log_det = np.log(variance).sum(axis=-1) + np.log(taken).sum(axis=-1)
    log_det = log_det + np.linalg.slogdet(inner)[1]
    # What replicates say about their own variance, beside their means; constants are left out.
    within = ((case.replicates - 1) * np.log(each) + case.scatter / each).sum(axis=-1)
    log_density = -(squares + log_det + within) / 2
    if positive:
        first = np.linalg.inv(inner)[..., 0, 0]
        log_density = log_density + np.log(2) + log_ndtr(solved[..., 0] / np.sqrt(first))
    return _log_sum(log_density + grid.log_weights[..., None] + prior)


def _log_sum(logs: Floats) -> float:
    """Return the logarithm of a sum given by the logarithms of its terms, which are finite.

    scipy's `logsumexp` says the same and takes a quarter of the time of all the rest.
    """
    largest = float(logs.max())
    return largest + math.log(np.exp(logs - largest).sum())
