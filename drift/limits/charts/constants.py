"""This module computes the constants of control charts for any group size.

Every constant follows from its definition (the distribution of the range and of the standard
deviation of normal samples), so that no table has to be trusted or ends at 25.  Sizes may be
arrays; each distinct size is computed once and kept.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln, ndtr, roots_legendre

from drift.arrays import Floats

# Half-width, in standard deviations, beyond which a sample value of any usable size has no weight.
_REACH = 9.0
_NODES = 400
_LARGEST = 100_000


def c4(size: ArrayLike) -> Floats:
    """Return E(s)/σ for samples of `size` normal values.

    Parameters
    ----------
    size : array_like of int
        Sample sizes, at least 2, any shape.

    Raises
    ------
    ValueError
        If a size is below 2 or not a whole number.

    References
    ----------
    Definition c4 = sqrt(2/(n−1))·Γ(n/2)/Γ((n−1)/2); NIST/SEMATECH e-Handbook, 6.3.2.
    """
    n = _sizes(size).astype(float)
    return np.asarray(np.sqrt(2 / (n - 1)) * np.exp(gammaln(n / 2) - gammaln((n - 1) / 2)))


def c5(size: ArrayLike) -> Floats:
    """Return SD(s)/σ = sqrt(1 − c4²) for samples of `size` normal values."""
    return np.asarray(np.sqrt(1 - c4(size) ** 2))


def d2(size: ArrayLike) -> Floats:
    """Return E(range)/σ for samples of `size` normal values.

    References
    ----------
    Tippett (1925), Biometrika 17: E(R) = ∫ 1 − Φⁿ − (1−Φ)ⁿ dx.
    """
    return _per_size(size, 0)


def d3(size: ArrayLike) -> Floats:
    """Return SD(range)/σ for samples of `size` normal values.

    References
    ----------
    E(R²) = 2 ∬_{x<y} 1 − Φ(y)ⁿ − (1−Φ(x))ⁿ + (Φ(y)−Φ(x))ⁿ dx dy; Tippett (1925), Biometrika 17.
    """
    return _per_size(size, 1)


def _sizes(size: ArrayLike) -> NDArray[np.int64]:
    """Return `size` as whole numbers of at least 2, or raise."""
    given = np.asarray(size)
    sizes = given.astype(np.int64)
    if np.any(sizes != given) or np.any(sizes < 2) or np.any(sizes > _LARGEST):
        raise ValueError(
            f"a group must hold from 2 to {_LARGEST} values, a whole number; got {size!r}"
        )
    return sizes


def _per_size(size: ArrayLike, which: int) -> Floats:
    """Return the range's mean (0) or standard deviation (1) for each size."""
    sizes = _sizes(size)
    distinct, place = np.unique(sizes, return_inverse=True)
    values = np.array([_range_moments(int(n))[which] for n in distinct])
    return np.asarray(values[place].reshape(sizes.shape))


@lru_cache(maxsize=256)
def _range_moments(size: int) -> tuple[float, float]:
    """Return mean and standard deviation of the range of `size` standard normal values."""
    nodes, weights = roots_legendre(_NODES)
    x, dx = _REACH * nodes, _REACH * weights
    below, above = ndtr(x), ndtr(-x)
    mean = float(dx @ (1 - below**size - above**size))
    # Nodes of the inner integral over y run from x to the end, so that the corner at x = y is
    # an end point and the rule keeps its order.
    half = (_REACH - x) / 2
    y = x[:, None] + half[:, None] * (1 + nodes)
    inner = 1 - ndtr(y) ** size - above[:, None] ** size + (ndtr(y) - below[:, None]) ** size
    square = 2 * float((dx * half) @ (inner @ weights))
    return mean, float(np.sqrt(square - mean**2))
