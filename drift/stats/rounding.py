"""This module gives the chance of a cell of a dial, and spreads before rounding by Sheppard.

A reading x in steps of δ says only that the value lay between x − δ/2 and x + δ/2.  Its likelihood
is Φ((x+δ/2−μ)/σ) − Φ((x−δ/2−μ)/σ).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import log_ndtr, roots_legendre

Floats = NDArray[np.float64]
# Cells narrower than this many standard deviations are integrated by quadrature: differences of
# the distribution function would lose their digits there.
_NARROW = 0.5
_NODES, _WEIGHTS = roots_legendre(10)
_LOG_ROOT_2PI = float(0.5 * np.log(2 * np.pi))


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


def sheppard_sigma(sigma_of_rounded: ArrayLike, *, resolution: ArrayLike) -> Floats:
    """Return the spread before rounding by Sheppard's correction, 0 where the step explains all.

    Valid where σ is at least about half a step.

    References
    ----------
    Sheppard (1898): variance less δ²/12.
    """
    s, step = np.asarray(sigma_of_rounded, float), np.asarray(resolution, float)
    return np.asarray(np.sqrt(np.maximum(s**2 - step**2 / 12, 0)))
