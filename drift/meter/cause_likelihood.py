"""This module computes how well one cause explains the readings of one segment.

Every cause makes the readings jointly normal once its visit of onset, the chamber scale and the
noise are given; those are averaged over a grid, amplitudes are integrated in closed form.
"""

import math
from dataclasses import dataclass, replace
from itertools import accumulate, pairwise

import numpy as np
from scipy.special import log_ndtr

from drift.arrays import Flags, Floats, Integers
from drift.meter.dial import shape_of_hand, shape_of_mark, shape_of_volume
from drift.meter.visit_sums import VisitSums, sums_from, sums_until

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
    visits : int
        Number of visits (v), of equally many readings each.
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
    visits: int
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
    grid = _grid(_evened(case))
    columns, at = _columns(grid)
    # Visits are independent of each other but for what the columns do, so that what each says is
    # summed once for every cause.
    every = _summed(grid, columns, grid.noise[None, :, :, None])
    always, own = every.total(), [*at["rest"], *at["values"]]
    told = np.abs(case.common).max() + case.common_base >= _LEAST_COMMON
    return {
        **_stepped(grid, every, at),
        "leak": _leaking(grid, every.taken(own)),
        # Where its vessels are known to have done nothing to the segment they are not the cause.
        "vessel_volume": _marginal(grid, always.taken([*at["vessel"], *own])) if told else -np.inf,
        "plain_drift": _marginal(grid, always.taken([*at["drift"], *own])),
        "nothing": _marginal(grid, always.taken([*at["rest"], *at["uncommon"]])),
    }


def _evened(case: Case) -> Case:
    """Give every visit as many rows; those added stand for no reading."""
    counts = np.unique(case.visit, return_counts=True)[1]
    wide = np.arange(counts.max()) < counts[:, None]
    if wide.all():
        return case
    at = (np.cumsum(counts) - counts)[:, None] + np.where(wide, np.arange(wide.shape[1]), 0)
    at, real = at.ravel(), wide.ravel()
    return replace(
        case,
        bias=case.bias[at],
        air=case.air[at],
        elapsed=case.elapsed[at],
        replicates=case.replicates[at] * real,
        scatter=case.scatter[at] * real,
        point=case.point[at],
        visit=case.visit[at],
        dried=case.dried[at],
        sealed=case.sealed[at],
        mark_moved=case.mark_moved[at],
        hand_reset=case.hand_reset[at],
        mark_worth=case.mark_worth[at],
        resolution=case.resolution[at],
        common=case.common[at],
        common_error=case.common_error[at],
    )


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
        visits=len(np.unique(case.visit)),
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


def _columns(grid: _Grid) -> tuple[Floats, dict[str, list[int]]]:
    """Return the columns of all causes and the values, (k, f, n, q), and where each stands."""
    case, shape = grid.case, grid.mark.shape
    volume = shape_of_volume(case.air)
    parts = {
        "rest": grid.columns,
        "values": grid.values[:, None, :, None],
        "uncommon": (grid.values + _common(case))[:, None, :, None],
        "vessel": np.broadcast_to(case.common_base * volume, shape)[:, None, :, None],
        "drift": _drifts(grid)[:, None],
        "mark_misplaced": _AMPLITUDE * grid.mark[:, None, :, None],
        "hand_shifted": _AMPLITUDE * grid.hand[:, None, :, None],
        "chamber_water": np.broadcast_to(_AMPLITUDE * volume * ~case.dried, shape)[
            :, None, :, None
        ],
    }
    ends = [0, *accumulate(part.shape[-1] for part in parts.values())]
    at = dict(zip(parts, (list(range(*both)) for both in pairwise(ends)), strict=True))
    columns = np.empty((*grid.columns.shape[:-1], ends[-1]))
    for name, part in parts.items():
        columns[..., at[name]] = part
    return columns, at


def _drifts(grid: _Grid) -> Floats:
    """Return the columns of drift that starts with the segment, of any smooth shape; (k, n, m).

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
    return np.asarray(shapes * case.elapsed[:, None])


def _onsets(visits: int) -> Floats:
    """Return the log prior of each visit that a cause may be there from, (v,)."""
    prior = np.full(visits, (1 - _FROM_START) / max(visits - 1, 1))
    prior[0] = _FROM_START if visits > 1 else 1.0
    return np.asarray(np.log(prior))


def _summed(grid: _Grid, columns: Floats, each: Floats) -> VisitSums:
    """Sum over the readings of every visit.

    Parameters
    ----------
    grid : _Grid
    columns : array (k, f, n, q)
    each : array, broadcast with (k, f, n, l)
        Variance of each reading, for l strengths of what scatters them.
    """
    case = grid.case
    by_visit = (*columns.shape[:2], grid.visits, -1)
    rows = columns.reshape(*by_visit, columns.shape[-1])
    precision = np.broadcast_to(
        case.replicates[:, None] / each, (*columns.shape[:3], each.shape[-1])
    )
    precision = np.swapaxes(precision.reshape(*by_visit, each.shape[-1]), -1, -2)
    # V = D + Σ s s' over the visits (the setting of the mark).
    setting = _SETTING * grid.mark.reshape(len(grid.mark), 1, grid.visits, 1, -1)
    weighted = precision * setting
    taken = 1 + (weighted * setting).sum(axis=-1)
    set_ = weighted @ rows
    pairs = rows[..., :, None] * rows[..., None, :]
    products = (precision @ pairs.reshape(*rows.shape[:-1], -1)).reshape(*set_.shape, -1)
    products -= (set_ / taken[..., None])[..., :, None] * set_[..., None, :]
    costs = case.replicates[:, None] * np.log(each) + case.scatter[:, None] / each
    costs = costs.reshape(*costs.shape[:2], grid.visits, -1, each.shape[-1]).sum(axis=3)
    return VisitSums(products, costs + np.log(taken))


def _stepped(grid: _Grid, every: VisitSums, at: dict[str, list[int]]) -> dict[str, float]:
    """Return the log evidence of each cause that is there from some visit on."""
    names = ("mark_misplaced", "hand_shifted", "chamber_water")
    own = [*at["rest"], *at["values"]]
    step = np.array([at[name] for name in names])
    lower, squares, costs = every.taken(own).total().explained()
    # Nothing of a column is left in the visits before the onset.
    products = sums_from(
        np.concatenate(
            [every.products[..., 0, step, own], every.products[..., 0, step, step]], axis=-1
        )
    )
    crossed = np.moveaxis(products[..., :-2], -1, 2)
    solved = np.linalg.solve(lower[..., 0, :-1, :-1], crossed.reshape(*crossed.shape[:3], -1))
    solved = solved.reshape(crossed.shape)
    left = 1 + products[..., -1] - (solved**2).sum(axis=2)
    fitted = (lower[..., 0, -1, :-1, None, None] * solved).sum(axis=2)
    slope = products[..., -2] - fitted
    gained = (slope**2 / left - np.log(left)) / 2 + _onsets(grid.visits)[:, None]
    # Water can only lift the bias.
    gained[..., -1] += np.log(2) + log_ndtr(slope[..., -1] / np.sqrt(left[..., -1]))
    log_density = gained - (squares + costs)[..., None] / 2
    return {name: _averaged(grid, log_density[..., place]) for place, name in enumerate(names)}


def _leaking(grid: _Grid, steady: VisitSums) -> float:
    """Return the log evidence of a leak of unknown strength that is there from some visit on.

    `steady` is of the columns of a meter in order and of the values.
    """
    reach = _AMPLITUDE * grid.mark * ~grid.case.sealed
    shape = (*grid.columns.shape[:-1], 1)
    values = np.broadcast_to(grid.values[:, None, :, None], shape)
    mean = np.broadcast_to(_HALF_NORMAL_MEAN * reach[:, None, :, None], shape)
    each = grid.noise[:, :, None] + _HALF_NORMAL_VARIANCE * (reach[:, None, :, None] * _LEAKS) ** 2
    leaking = _summed(grid, np.concatenate([grid.columns, values, mean], axis=-1), each)
    # The values less the mean of what a leak of each strength does.
    products, strength = leaking.products, _LEAKS[:, None]
    products[..., -2, :] -= strength * products[..., -1, :]
    products[..., :, -2] -= strength * products[..., :, -1]
    joined = VisitSums(
        sums_from(products[..., :-1, :-1]) + sums_until(steady.products),
        sums_from(leaking.costs) + sums_until(steady.costs),
    )
    prior = _onsets(grid.visits)[:, None] + np.log(_LEAK_WEIGHTS)
    return _marginal(grid, joined, log_prior=prior)


def _marginal(grid: _Grid, summed: VisitSums, *, log_prior: Floats | float = 0.0) -> float:
    """Average normal likelihoods over the grid; the last of the columns are the values."""
    _, squares, costs = summed.explained()
    return _averaged(grid, -(squares + costs) / 2 + log_prior)


def _averaged(grid: _Grid, log_density: Floats) -> float:
    """Return the logarithm of a mean of densities over nodes, factors and further axes, summed."""
    further = (1,) * (log_density.ndim - 2)
    return log_sum(log_density + grid.log_weights.reshape(*grid.log_weights.shape, *further))


def log_sum(logs: Floats) -> float:
    """Return the logarithm of a sum given by the logarithms of its terms, one of them finite.

    scipy's `logsumexp` says the same and takes a quarter of the time of all the rest.
    """
    largest = float(logs.max())
    return largest + math.log(np.exp(logs - largest).sum())
