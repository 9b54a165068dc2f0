"""This module computes how well one cause explains the readings of one segment; it ranks none.

Every cause makes the readings jointly normal once its visit of onset, the chamber scale and the
noise are given; those are averaged over a grid, amplitudes are integrated in closed form.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr, logsumexp

from drift.stats.dial import shape_of_hand, shape_of_mark, shape_of_volume

Floats = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

# Prior standard deviation of what a cause does at 5 % air, % air.  Judgement: biases that bring a
# meter to the bench are of the size of the tolerance.
_AMPLITUDE = 0.15
# That of what an adjustment does at 5 % air, and of a mark move about what the dial model says.
_ADJUSTMENT, _PLACING = 0.20, 0.03
# Graduation error of a dial at one point, % air.  Judgement, no source.
_GRADUATION = 0.01
# Correlation of drift at two points.
_ALIKE = 0.9
# Factors by which the stated noise may be off, with their weights.
_FACTORS = np.array([0.7, 1.0, 1.4, 2.0])
_FACTOR_WEIGHTS = np.array([0.2, 0.5, 0.2, 0.1])
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
    """The readings of one segment.

    Attributes
    ----------
    bias, air, elapsed : array (n,)
        Bias, % air; correct air content, % air; time since the first reading, from 0 to 1.
    point, visit : int array (n,)
        Number of the verification point and of the visit, 0 upwards.
    dried, sealed, mark_moved, hand_reset : bool array (n,)
        What was done before the reading.
    mark_worth : array (n,)
        What the mark move is worth at 5 % air; NaN where unknown.
    resolution : array (n,)
    repeatability : float
    scale, scale_sd : float
        Chamber scale, % air.
    common : (float, float) or None
        Effect of the vessel on other meters at 5 % air and its standard error.
    vessel_u : float
        Standard deviation of that effect where no vessel is off.
    """

    bias: Floats
    air: Floats
    elapsed: Floats
    point: Codes
    visit: Codes
    dried: Flags
    sealed: Flags
    mark_moved: Flags
    hand_reset: Flags
    mark_worth: Floats
    resolution: Floats
    repeatability: float
    scale: float
    scale_sd: float
    common: tuple[float, float] | None
    vessel_u: float


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
        Columns of point offsets and of adjustments, each times its prior standard deviation.
    values : array (k, n)
        Biases less what known mark moves did.
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
    """Return the log marginal likelihood of each cause and of ``nothing``.

    Parameters
    ----------
    case : Case
        With at least one reading.

    Notes
    -----
    A leak is taken as normal with the mean and variance of a half-normal draw in every reading.
    """
    grid = _grid(case)
    volume = np.broadcast_to(shape_of_volume(case.air), grid.mark.shape)
    always = np.ones(len(case.bias), dtype=bool)
    return {
        "mark_misplaced": _stepped(grid, grid.mark, active=always),
        "hand_shifted": _stepped(grid, grid.hand, active=always),
        "chamber_water": _stepped(grid, volume, active=~case.dried, positive=True),
        "leak": _leaking(grid),
        "vessel_volume": _stepped(grid, volume, active=always, vessel=True),
        "plain_drift": _drifting(grid),
        "nothing": _marginal(grid, grid.columns[:, :, None]),
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
    columns = np.empty((*shape, points + 2))
    columns[..., :points] = offset[None, :, :, None] * belongs
    columns[..., points] = (mark * placing)[:, None]
    columns[..., points + 1] = (hand * _ADJUSTMENT * case.hand_reset)[:, None]
    if not case.hand_reset.any():
        columns = columns[..., :-1]
    if not case.mark_moved.any():
        columns = np.delete(columns, points, axis=-1)
    return _Grid(
        case=case,
        mark=mark,
        hand=hand,
        noise=noise,
        columns=columns,
        values=case.bias - worth * mark,
        log_weights=np.log(weights)[:, None] + np.log(_FACTOR_WEIGHTS),
    )


def _onsets(case: Case) -> tuple[Flags, Floats]:
    """Return which readings come from each possible visit of onset on, (o, n), and log priors."""
    first = np.unique(case.visit)
    later = (1 - _FROM_START) / max(len(first) - 1, 1)
    prior = np.full(len(first), later)
    prior[0] = _FROM_START if len(first) > 1 else 1.0
    return case.visit >= first[:, None], np.log(prior)


def _stepped(
    grid: _Grid, shape: Floats, *, active: Flags, positive: bool = False, vessel: bool = False
) -> float:
    """Return the log evidence of a cause that is there from some visit on."""
    since, log_prior = _onsets(grid.case)
    cause = _AMPLITUDE * shape[:, None, None, :] * (since & active)
    full = (*grid.log_weights.shape, *since.shape, 1)
    own = np.broadcast_to(cause[..., None], full)
    rest = np.broadcast_to(grid.columns[:, :, None], (*full[:-1], grid.columns.shape[-1]))
    columns = np.concatenate([own, rest], axis=-1)
    return _marginal(grid, columns, log_prior=log_prior, positive=positive, vessel=vessel)


def _drifting(grid: _Grid) -> float:
    """Return the log evidence of drift that starts with the segment, nearly alike at the points."""
    case = grid.case
    belongs = np.eye(int(case.point.max()) + 1)[case.point]
    together = np.sqrt(_ALIKE) * case.elapsed[:, None]
    apart = np.sqrt(1 - _ALIKE) * case.elapsed[:, None] * belongs
    drift = _AMPLITUDE * np.concatenate([together, apart], axis=1)
    own = np.broadcast_to(drift, (*grid.columns.shape[:2], *drift.shape))
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
    vessel: bool = False,
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
    vessel : bool
        Whether the first coefficient is that of the vessel, which other meters show too.
    mean, further : array (k, f, o, n) or float
        Mean of the readings and further variance of each.
    """
    case = grid.case
    prior = np.zeros(1) if log_prior is None else log_prior
    shape = (*grid.log_weights.shape, len(prior), len(case.bias))
    left = np.broadcast_to(grid.values[:, None, None, :] - mean, shape)
    variance = np.broadcast_to(grid.noise[None, :, None, :] + further, shape)
    columns = np.broadcast_to(columns, (*shape, columns.shape[-1]))
    if case.common is not None:
        left, variance, columns = _with_common(case, left, variance, columns, vessel=vessel)
    root = np.sqrt(variance)
    scaled, value = columns / root[..., None], left / root
    inner = np.swapaxes(scaled, -1, -2) @ scaled + np.eye(columns.shape[-1])
    right = (np.swapaxes(scaled, -1, -2) @ value[..., None])[..., 0]
    solved = np.linalg.solve(inner, right[..., None])[..., 0]
    squares = (value**2).sum(axis=-1) - (right * solved).sum(axis=-1)
    log_det = np.log(variance).sum(axis=-1) + np.linalg.slogdet(inner)[1]
    log_density = -(squares + log_det + value.shape[-1] * np.log(2 * np.pi)) / 2
    if positive:
        first = np.linalg.inv(inner)[..., 0, 0]
        log_density = log_density + np.log(2) + log_ndtr(solved[..., 0] / np.sqrt(first))
    return float(logsumexp(log_density + grid.log_weights[..., None] + prior))


def _with_common(
    case: Case, left: Floats, variance: Floats, columns: Floats, *, vessel: bool
) -> tuple[Floats, Floats, Floats]:
    """Add the effect seen on other meters as one more reading of the vessel's effect."""
    if case.common is None:
        return left, variance, columns
    effect, error = case.common
    one = left.shape[:-1]
    spread = error**2 + (0.0 if vessel else case.vessel_u**2)
    more = np.zeros((*one, 1, columns.shape[-1]))
    if vessel:
        more[..., 0, 0] = _AMPLITUDE
    return (
        np.concatenate([left, np.full((*one, 1), effect)], axis=-1),
        np.concatenate([variance, np.full((*one, 1), spread)], axis=-1),
        np.concatenate([columns, more], axis=-2),
    )
