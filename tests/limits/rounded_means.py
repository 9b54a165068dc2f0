"""This module computes exact probabilities of rounded readings of a known process, as an oracle.

The mean of n readings in steps of δ can only take values δ/n apart.  A visit's readings share a
between-visit deviation (SD `between`) and scatter about it (SD `sigma`).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from drift.limits.rounding.cells import log_cell_probability, nearest_not_above

Floats = NDArray[np.float64]

# Standard deviations beyond which a reading is left out of account.
_REACH = 8.5


# Nodes over the between-visit deviation, spread evenly over ±6.5 of its standard deviations.
_BETWEEN_NODES = 401


# With more steps than this in a standard deviation rounding is noise of variance δ²/12.
_MOST_STEPS = 40.0


@dataclass(frozen=True, slots=True)
class Rounded:
    """Distribution of means of rounded readings, one row per process.

    Attributes
    ----------
    values, probabilities : array, shape (processes, values)
        Attainable means, ascending, δ/n apart, and their probabilities.
    """

    values: Floats
    probabilities: Floats


@dataclass(frozen=True, slots=True)
class AttainableLimits:
    """Limits of means of rounded readings, each half-way between two attainable means.

    Attributes
    ----------
    lower, upper : array, shape (processes,)
        Limits; a mean beyond one of them is outside.
    rate : array, shape (processes,)
        Probability that a mean of the process is outside.
    """

    lower: Floats
    upper: Floats
    rate: Floats


def distribution_of_mean(
    mean: ArrayLike,
    *,
    sigma: float,
    resolution: float,
    replicates: int = 1,
    between: float = 0.0,
) -> Rounded:
    """Return the exact distribution of the mean of `replicates` rounded readings.

    Parameters
    ----------
    mean : array_like, shape (processes,)
        Centres; readings are rounded to multiples of `resolution`.
    sigma, between : float
        Standard deviation of readings within a visit and of visits; not both 0.
    resolution : float
        Step of the readings, above 0.
    replicates : int
        Readings in a mean.

    Raises
    ------
    ValueError
        If a setting is not possible, or the step is so fine that rounding does not matter.
    """
    centre = np.atleast_1d(np.asarray(mean, float))
    total = float(np.hypot(sigma, between))
    _refuse(total, sigma, between, resolution, replicates)
    if replicates == 1:
        sigma, between = total, 0.0
    nearest = np.rint(centre / resolution)
    reach = int(np.ceil(_REACH * total / resolution)) + 1
    cells = np.arange(-reach, reach + 1)
    if between > 0:
        nodes = np.linspace(-6.5, 6.5, _BETWEEN_NODES)
        weights = np.exp(-(nodes**2) / 2)
        weights /= weights.sum()
    else:
        nodes, weights = np.zeros(1), np.ones(1)
    sums = np.zeros((len(centre), 2 * reach * replicates + 1))
    for node, weight in zip(nodes, weights, strict=True):
        deviation = centre + between * node - nearest * resolution
        sums += weight * _sum_of_cells(deviation, cells, sigma, resolution, replicates)
    place = np.arange(-reach * replicates, reach * replicates + 1) / replicates
    return Rounded(
        values=resolution * (nearest[:, None] + place),
        probabilities=sums / sums.sum(axis=1, keepdims=True),
    )


def moments_of_mean(distribution: Rounded) -> tuple[Floats, Floats]:
    """Return mean and standard deviation of means of rounded readings."""
    first = (distribution.probabilities * distribution.values).sum(axis=1)
    deviation = distribution.values - first[:, None]
    return first, np.sqrt((distribution.probabilities * deviation**2).sum(axis=1))


def rate_outside(distribution: Rounded, *, lower: ArrayLike, upper: ArrayLike) -> Floats:
    """Return the probability that a mean lies below `lower` or above `upper`.

    Parameters
    ----------
    distribution : Rounded
        One row per process.
    lower, upper : array_like, shape (processes,) or (processes, k)
        Limits; a value within 1e-9 of a step of a limit lies on it and is inside.
    """
    low, high = (np.asarray(each, float) for each in (lower, upper))
    wide = low.ndim == 2
    low, high = (each if wide else np.reshape(each, (-1, 1)) for each in (low, high))
    margin = 1e-9 * (distribution.values[:, 1] - distribution.values[:, 0])[:, None]
    cumulative = np.cumsum(distribution.probabilities, axis=1)
    padded = np.concatenate([np.zeros((len(cumulative), 1)), cumulative], axis=1)
    rates = np.empty(np.broadcast_shapes(low.shape, high.shape, (len(cumulative), 1)))
    low, high = (
        np.broadcast_to(low - margin, rates.shape),
        np.broadcast_to(high + margin, rates.shape),
    )
    for row, values in enumerate(distribution.values):
        below = padded[row, np.searchsorted(values, low[row], side="left")]
        within = padded[row, np.searchsorted(values, high[row], side="right")]
        rates[row] = below + (1 - within)
    return rates if wide else rates[:, 0]


def attainable_limits(distribution: Rounded, *, nominal: float) -> AttainableLimits:
    """Return the limits whose false-alarm rate is the nearest attainable one not above `nominal`.

    Both tails are first held to half of `nominal`; what that leaves unused then pays for one step
    inward on the side where it brings the total nearest to `nominal`.

    Parameters
    ----------
    distribution : Rounded
        One row per process.
    nominal : float
        False-alarm probability aimed at.
    """
    p = distribution.probabilities
    beyond_above = np.cumsum(p[:, ::-1], axis=1)[:, ::-1]
    beyond_below = np.cumsum(p, axis=1)
    first_out, last_out, rate = nearest_not_above(beyond_below, beyond_above, nominal=nominal)
    rows = np.arange(len(p))
    step = distribution.values[:, 1] - distribution.values[:, 0]
    return AttainableLimits(
        lower=distribution.values[rows, last_out] + step / 2,
        upper=distribution.values[rows, first_out] - step / 2,
        rate=rate,
    )


def _sum_of_cells(
    deviation: Floats, cells: NDArray[np.int64], sigma: float, resolution: float, replicates: int
) -> Floats:
    """Return the distribution of the sum of independent rounded readings, in steps."""
    if sigma > 0:
        low = ((cells - 0.5) * resolution - deviation[:, None]) / sigma
        single = np.exp(log_cell_probability(low, low + resolution / sigma))
    else:
        single = (np.rint(deviation / resolution)[:, None] == cells).astype(float)
    total = single
    for _ in range(replicates - 1):
        wider = np.zeros((len(total), total.shape[1] + single.shape[1] - 1))
        for place in range(single.shape[1]):
            wider[:, place : place + total.shape[1]] += single[:, place : place + 1] * total
        total = wider
    return total


def _refuse(total: float, sigma: float, between: float, resolution: float, replicates: int) -> None:
    """Raise if no distribution can be computed."""
    if sigma < 0 or between < 0 or not total > 0:
        raise ValueError(f"sigma {sigma} and between {between} must be at least 0 and not both 0")
    if not resolution > 0:
        raise ValueError(f"a resolution of {resolution} cannot be: it must be above 0")
    if replicates < 1:
        raise ValueError(f"a mean needs at least one reading, not {replicates}")
    if total > _MOST_STEPS * resolution:
        raise ValueError(
            f"steps of {resolution} are so fine for a spread of {total} that rounding is "
            "no more than noise; use the normal distribution"
        )


def normal_rate_outside(
    *, mean: ArrayLike, sigma: ArrayLike, lower: ArrayLike, upper: ArrayLike
) -> Floats:
    """Return the probability that an unrounded normal value lies outside limits."""
    centre, spread = np.asarray(mean, float), np.asarray(sigma, float)
    return np.asarray(ndtr((np.asarray(lower) - centre) / spread) + ndtr((centre - upper) / spread))
