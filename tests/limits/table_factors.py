"""This module makes the factors of printed tables from the constants that limits are made of."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.limits.charts.constants import c4, c5, d2, d3

Floats = NDArray[np.float64]


def mean_factor(size: ArrayLike, *, sigmas: float = 3.0) -> Floats:
    """Return A: half-width of the limits of a mean of `size` values for a known σ."""
    return np.asarray(sigmas / np.sqrt(size))


def mean_factor_range(size: ArrayLike, *, sigmas: float = 3.0) -> Floats:
    """Return A2: half-width of the limits of a mean in units of the mean range."""
    return np.asarray(mean_factor(size, sigmas=sigmas) / d2(size))


def mean_factor_spread(size: ArrayLike, *, sigmas: float = 3.0) -> Floats:
    """Return A3: half-width of the limits of a mean in units of the mean standard deviation."""
    return np.asarray(mean_factor(size, sigmas=sigmas) / c4(size))


def spread_factors(size: ArrayLike, *, sigmas: float = 3.0) -> tuple[Floats, Floats]:
    """Return B5 and B6: limits of s in units of σ; the lower one never below 0."""
    centre, width = c4(size), sigmas * c5(size)
    return np.maximum(centre - width, 0.0), centre + width


def spread_factors_estimated(size: ArrayLike, *, sigmas: float = 3.0) -> tuple[Floats, Floats]:
    """Return B3 and B4: limits of s in units of the mean standard deviation."""
    lower, upper = spread_factors(size, sigmas=sigmas)
    return lower / c4(size), upper / c4(size)


def range_factors(size: ArrayLike, *, sigmas: float = 3.0) -> tuple[Floats, Floats]:
    """Return D1 and D2: limits of the range in units of σ; the lower one never below 0."""
    centre, width = d2(size), sigmas * d3(size)
    return np.maximum(centre - width, 0.0), centre + width


def range_factors_estimated(size: ArrayLike, *, sigmas: float = 3.0) -> tuple[Floats, Floats]:
    """Return D3 and D4: limits of the range in units of the mean range."""
    lower, upper = range_factors(size, sigmas=sigmas)
    return lower / d2(size), upper / d2(size)


def individuals_factor_range(size: ArrayLike, *, sigmas: float = 3.0) -> Floats:
    """Return E2: half-width of the limits of single values in units of the mean range."""
    return np.asarray(sigmas / d2(size))


def individuals_factor_spread(size: ArrayLike, *, sigmas: float = 3.0) -> Floats:
    """Return E3: half-width of the limits of single values in units of the mean s."""
    return np.asarray(sigmas / c4(size))
