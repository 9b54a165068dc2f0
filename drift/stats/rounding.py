"""This module estimates centre and spread of readings rounded to a dial's steps; it sets no limits.

A reading x in steps of δ says only that the value lay between x − δ/2 and x + δ/2.  The likelihood
is the product of Φ((x+δ/2−μ)/σ) − Φ((x−δ/2−μ)/σ); every reading may have its own step.  Many
samples are fitted at once: each row of a rectangle is one sample, with weights that are 0 for
padding.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import log_ndtr, roots_legendre

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Cells narrower than this many standard deviations are integrated by quadrature: differences of
# the distribution function would lose their digits there.
_NARROW = 0.5
_NODES, _WEIGHTS = roots_legendre(10)
_LOG_ROOT_2PI = float(0.5 * np.log(2 * np.pi))
_ITERATIONS = 200
_TOLERANCE = 1e-12
# Two edges closer than this share of a step are the same edge of the dial.
_SAME_EDGE = 1e-6


@dataclass(frozen=True, slots=True)
class RoundedFit:
    """Maximum-likelihood fits of a normal distribution to rounded readings, one per sample.

    Attributes
    ----------
    mean, sigma : array, shape (samples,)
        Estimates; NaN where `identifiable` is false.
    mean_se, sigma_se : array, shape (samples,)
        Standard errors from the observed information.
    log_likelihood : array, shape (samples,)
        At the estimates; where `identifiable` is false, the bound that it rises to as σ goes to 0.
    cells : array of int, shape (samples,)
        Different readings in the sample.
    identifiable : array of bool, shape (samples,)
        False where the readings would be as likely, or likelier, with no spread at all: all in one
        cell of the dial or in two that touch.
    """

    mean: Floats
    sigma: Floats
    mean_se: Floats
    sigma_se: Floats
    log_likelihood: Floats
    cells: NDArray[np.int64]
    identifiable: Flags


def log_cell_probability(lower: ArrayLike, upper: ArrayLike) -> Floats:
    """Return log(Φ(upper) − Φ(lower)) without loss of digits in tails or narrow cells.

    Parameters
    ----------
    lower, upper : array_like
        Edges in standard deviations from the centre, lower < upper, shapes that broadcast.
    """
    low, high = np.broadcast_arrays(np.asarray(lower, float), np.asarray(upper, float))
    # By symmetry the cell is turned to the left tail, where the distribution function is small.
    turn = low + high > 0
    low, high = np.where(turn, -high, low), np.where(turn, -low, high)
    width = high - low
    wide = log_ndtr(high) + np.log(-np.expm1(np.minimum(log_ndtr(low) - log_ndtr(high), -1e-300)))
    narrow = width < _NARROW
    if not narrow.any():
        return np.asarray(wide, float)
    middle = (low + high) / 2
    inside = middle[..., None] + width[..., None] / 2 * _NODES
    # exp is taken relative to the middle, so that a far cell does not underflow.
    relative = np.exp((middle[..., None] ** 2 - inside**2) / 2) @ (_WEIGHTS / 2)
    thin = np.log(np.maximum(width, 1e-300)) - middle**2 / 2 - _LOG_ROOT_2PI + np.log(relative)
    return np.asarray(np.where(narrow, thin, wide), float)


def rounded_log_likelihood(
    values: ArrayLike, *, resolution: ArrayLike, mean: ArrayLike, sigma: ArrayLike
) -> Floats:
    """Return the log-likelihood of samples of rounded readings at a given mean and spread.

    Parameters
    ----------
    values, resolution : array_like, shape (samples, readings)
        Readings and the step of each.
    mean, sigma : array_like, shape (samples,)
        Centre and standard deviation before rounding.
    """
    x, step, count = _checked(values, resolution, None)
    centre, spread = (np.reshape(np.asarray(each, float), (-1, 1)) for each in (mean, sigma))
    low, high = (x - step / 2 - centre) / spread, (x + step / 2 - centre) / spread
    return np.asarray((count * log_cell_probability(low, high)).sum(axis=1))


def identifiable(values: Floats, *, resolution: Floats, weights: Floats) -> Flags:
    """Say for each sample whether its readings determine a spread.

    They do if two of them lie in cells that neither overlap nor touch; with a single step and
    readings without gaps this is the same as three occupied cells.

    Parameters
    ----------
    values, resolution, weights : array, shape (samples, readings)
        Readings, the step of each (above 0), and weights (0 for padding).
    """
    used = weights > 0
    highest_lower = np.where(used, values - resolution / 2, -np.inf).max(axis=1)
    lowest_upper = np.where(used, values + resolution / 2, np.inf).min(axis=1)
    step = np.where(used, resolution, np.inf).min(axis=1)
    return np.asarray(highest_lower - lowest_upper > _SAME_EDGE * step)


def fit_rounded(
    values: ArrayLike, *, resolution: ArrayLike, weights: ArrayLike | None = None
) -> RoundedFit:
    """Fit mean and standard deviation to rounded readings by maximum likelihood.

    Parameters
    ----------
    values : array_like, shape (samples, readings)
        Readings.
    resolution : array_like
        Step of each reading, above 0; broadcast against `values`.
    weights : array_like or None, shape (samples, readings)
        How often each reading occurs; 0 for padding.  None for once each.

    Raises
    ------
    ValueError
        If a number is not finite, a step is not positive or a sample is empty.

    Notes
    -----
    Newton's method in μ/σ and 1/σ, in which the log-likelihood is concave, with halved steps.

    References
    ----------
    J. Burridge (1981), A note on maximum likelihood estimation for regression models using grouped
    data, J. R. Statist. Soc. B 43, 41-45 (concavity; from memory).
    """
    x, step, count = _checked(values, resolution, weights)
    known = identifiable(x, resolution=step, weights=count)
    samples = len(x)
    total = count.sum(axis=1)
    blank = np.full(samples, np.nan)
    mean, sigma, mean_se, sigma_se = blank.copy(), blank.copy(), blank.copy(), blank.copy()
    likelihood = _bound_without_spread(x, step, count)
    if known.any():
        part = _maximise(x[known], step[known], count[known])
        mean[known], sigma[known] = part.mean, part.sigma
        mean_se[known], sigma_se[known] = part.mean_se, part.sigma_se
        likelihood[known] = part.log_likelihood
    ordered = np.sort(np.where(count > 0, x, np.inf), axis=1)
    apart = np.diff(ordered, axis=1) > _SAME_EDGE * step.min(axis=1, keepdims=True)
    apart &= np.isfinite(ordered[:, 1:])
    return RoundedFit(
        mean=mean,
        sigma=sigma,
        mean_se=mean_se,
        sigma_se=sigma_se,
        log_likelihood=np.where(total > 0, likelihood, np.nan),
        cells=1 + apart.sum(axis=1),
        identifiable=known,
    )


def fit_rounded_mean(
    values: ArrayLike,
    *,
    resolution: ArrayLike,
    sigma: ArrayLike,
    weights: ArrayLike | None = None,
) -> tuple[Floats, Floats]:
    """Fit the mean to rounded readings whose standard deviation is known.

    Parameters
    ----------
    values, resolution, weights
        As for `fit_rounded`.
    sigma : array_like, shape (samples,)
        Standard deviation of one value before rounding, above 0.

    Returns
    -------
    mean, mean_se : array, shape (samples,)
        The estimate and its standard error from the observed information; where all readings are
        in one cell much wider than σ the likelihood is nearly flat and the error large.

    Raises
    ------
    ValueError
        As for `fit_rounded`, or if a σ is not positive.
    """
    x, step, count = _checked(values, resolution, weights)
    spread = np.broadcast_to(np.asarray(sigma, float), x.shape[:1])
    if not np.all(spread > 0):
        raise ValueError("the known standard deviation of rounded readings must be above 0")
    total = count.sum(axis=1)
    mean = (count * x).sum(axis=1) / total
    information = np.empty_like(mean)
    for _ in range(_ITERATIONS):
        low = (x - step / 2 - mean[:, None]) / spread[:, None]
        _, first, second = _cell_moments(low, low + step / spread[:, None])[:3]
        information = (count * (1 - second + first**2)).sum(axis=1) / spread**2
        move = (count * first).sum(axis=1) / spread / np.maximum(information, 1e-300)
        # The log-likelihood is concave, but nearly flat inside a wide cell: a move is at most σ.
        mean = mean + np.clip(move, -spread, spread)
        if np.all(np.abs(move) < _TOLERANCE * spread):
            break
    return mean, 1 / np.sqrt(np.maximum(information, 1e-300))


def _checked(
    values: ArrayLike, resolution: ArrayLike, weights: ArrayLike | None
) -> tuple[Floats, Floats, Floats]:
    """Return the three arrays in one shape, or raise."""
    x = np.atleast_2d(np.asarray(values, float))
    step = np.broadcast_to(np.asarray(resolution, float), x.shape)
    count = (
        np.ones_like(x) if weights is None else np.broadcast_to(np.asarray(weights, float), x.shape)
    )
    used = count > 0
    if not np.all(np.isfinite(x[used])):
        raise ValueError("a reading is not a finite number")
    if not np.all(np.isfinite(step[used]) & (step[used] > 0)):
        raise ValueError("the step a reading was rounded to must be above 0")
    if not np.all(used.any(axis=1)):
        raise ValueError("a sample holds no reading")
    # Padding must not disturb the sums that it is multiplied out of.
    centre = np.where(used, x, 0).sum(axis=1, keepdims=True) / used.sum(axis=1, keepdims=True)
    largest = np.where(used, step, 0).max(axis=1, keepdims=True)
    return np.where(used, x, centre), np.where(used, step, largest), count


def _cell_moments(lower: Floats, upper: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Return the log-probability of a cell and the first four moments of a normal value in it."""
    log_probability = log_cell_probability(lower, upper)
    low = np.exp(-(lower**2) / 2 - _LOG_ROOT_2PI - log_probability)
    high = np.exp(-(upper**2) / 2 - _LOG_ROOT_2PI - log_probability)
    first = low - high
    second = 1 + lower * low - upper * high
    third = 2 * first + lower**2 * low - upper**2 * high
    fourth = 3 * second + lower**3 * low - upper**3 * high
    width = upper - lower
    narrow = width < _NARROW
    if narrow.any():
        middle, half = (lower[narrow] + upper[narrow]) / 2, width[narrow] / 2
        z = middle[:, None] + half[:, None] * _NODES
        weight = np.exp((middle[:, None] ** 2 - z**2) / 2) * _WEIGHTS
        weight /= weight.sum(axis=1, keepdims=True)
        for power, moment in enumerate((first, second, third, fourth), start=1):
            moment[narrow] = (weight * z**power).sum(axis=1)
    return log_probability, first, second, third, fourth


@dataclass(frozen=True, slots=True)
class _Derivatives:
    """Log-likelihood of samples with its first and second derivatives in α = μ/σ and β = 1/σ."""

    value: Floats
    by_a: Floats
    by_b: Floats
    by_aa: Floats
    by_ab: Floats
    by_bb: Floats


def _derivatives(x: Floats, step: Floats, count: Floats, a: Floats, b: Floats) -> _Derivatives:
    """Differentiate through the moments of the unseen values (T. A. Louis 1982, from memory)."""
    alpha, beta = a[:, None], b[:, None]
    centre = beta * x - alpha
    half = beta * step / 2
    log_probability, m1, m2, m3, m4 = _cell_moments(centre - half, centre + half)
    # The unseen value is v = (z + α)/β; its score is z for α and 1/β − z·v for β.
    zv = (m2 + alpha * m1) / beta
    zzv = (m3 + alpha * m2) / beta
    zvzv = (m4 + 2 * alpha * m3 + alpha**2 * m2) / beta**2
    v = (m1 + alpha) / beta
    vv = (m2 + 2 * alpha * m1 + alpha**2) / beta**2

    def add(terms: Floats) -> Floats:
        return np.asarray((count * terms).sum(axis=1))

    return _Derivatives(
        value=add(log_probability),
        by_a=add(m1),
        by_b=add(1 / beta - zv),
        by_aa=add(m2 - m1**2 - 1),
        by_ab=add(v - (zzv - m1 * zv)),
        by_bb=add(zvzv - zv**2 - vv - 1 / beta**2),
    )


def _maximise(x: Floats, step: Floats, count: Floats) -> RoundedFit:
    """Maximise the likelihood of samples that determine a spread."""
    total = count.sum(axis=1)
    centre = (count * x).sum(axis=1) / total
    # Working about the mean in units of the widest step keeps α and β of order one.
    unit = step.max(axis=1)
    scaled, steps = (x - centre[:, None]) / unit[:, None], step / unit[:, None]
    variance = (count * scaled**2).sum(axis=1) / total
    b = 1 / np.sqrt(np.maximum(variance - (count * steps**2).sum(axis=1) / total / 12, 0.05))
    a = np.zeros_like(b)
    active = np.arange(len(x))
    for _ in range(_ITERATIONS):
        moved_a, moved_b, done = _newton(
            scaled[active], steps[active], count[active], a[active], b[active]
        )
        a[active], b[active] = moved_a, moved_b
        active = active[~done]
        if not len(active):
            break
    at = _derivatives(scaled, steps, count, a, b)
    sigma = 1 / b
    # Covariance of (α, β), carried to (μ, σ) by the derivatives of α/β and 1/β.
    determinant = at.by_aa * at.by_bb - at.by_ab**2
    var_a, var_b, cov = -at.by_bb / determinant, -at.by_aa / determinant, at.by_ab / determinant
    var_mean = (var_a - 2 * a / b * cov + (a / b) ** 2 * var_b) / b**2
    return RoundedFit(
        mean=centre + unit * a / b,
        sigma=unit * sigma,
        mean_se=unit * np.sqrt(var_mean),
        sigma_se=unit * np.sqrt(var_b) / b**2,
        log_likelihood=at.value,
        cells=np.zeros(len(x), np.int64),
        identifiable=np.ones(len(x), bool),
    )


def _newton(
    x: Floats, step: Floats, count: Floats, a: Floats, b: Floats
) -> tuple[Floats, Floats, Flags]:
    """Take one Newton step per sample, halved until the likelihood does not fall."""
    at = _derivatives(x, step, count, a, b)
    determinant = at.by_aa * at.by_bb - at.by_ab**2
    move_a = -(at.by_bb * at.by_a - at.by_ab * at.by_b) / determinant
    move_b = -(at.by_aa * at.by_b - at.by_ab * at.by_a) / determinant
    size = np.ones_like(a)
    for _ in range(60):
        new_a, new_b = a + size * move_a, b + size * move_b
        centre, half = (
            np.maximum(new_b, 1e-12)[:, None] * x - new_a[:, None],
            new_b[:, None] * step / 2,
        )
        value = (count * log_cell_probability(centre - np.abs(half), centre + np.abs(half))).sum(
            axis=1
        )
        worse = (new_b <= 0) | ~(value >= at.value - 1e-12 * np.abs(at.value))
        if not worse.any():
            break
        size = np.where(worse, size / 2, size)
    done = (np.abs(size * move_a) < _TOLERANCE) & (np.abs(size * move_b) < _TOLERANCE * b)
    return a + size * move_a, b + size * move_b, done


def _bound_without_spread(x: Floats, step: Floats, count: Floats) -> Floats:
    """Return the log-likelihood that samples without a determined spread rise to as σ goes to 0.

    Readings in two touching cells have the share of each as its probability; a reading whose cell
    holds the common edge inside is certain.
    """
    used = count > 0
    edge_low = np.where(used, x - step / 2, -np.inf).max(axis=1, keepdims=True)
    edge_high = np.where(used, x + step / 2, np.inf).min(axis=1, keepdims=True)
    margin = _SAME_EDGE * step
    touch = np.abs(edge_low - edge_high) <= margin
    below = (count * (touch & (np.abs(x + step / 2 - edge_high) <= margin))).sum(axis=1)
    above = (count * (touch & (np.abs(x - step / 2 - edge_low) <= margin))).sum(axis=1)
    both = np.maximum(below + above, 1e-300)
    parts = [n * np.log(np.maximum(n, 1e-300) / both) for n in (below, above)]
    return np.asarray(parts[0] + parts[1])


def sheppard_sigma(sigma_of_rounded: ArrayLike, *, resolution: ArrayLike) -> Floats:
    """Return the spread before rounding by Sheppard's correction, 0 where the step explains all.

    Valid where σ is at least about half a step; below that use `fit_rounded`.

    References
    ----------
    Sheppard (1898): variance less δ²/12.
    """
    s, step = np.asarray(sigma_of_rounded, float), np.asarray(resolution, float)
    return np.asarray(np.sqrt(np.maximum(s**2 - step**2 / 12, 0)))
