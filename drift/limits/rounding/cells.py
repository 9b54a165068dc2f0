"""This module gives the chance of a cell of a dial, and picks limits among values it can show.

A reading x in steps of δ says only that the value lay between x − δ/2 and x + δ/2.  Its likelihood
is Φ((x+δ/2−μ)/σ) − Φ((x−δ/2−μ)/σ).  The mean of n readings can only take values δ/n apart, so that
a limit has only certain false-alarm rates to choose from.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import log_ndtr, roots_legendre

from drift.arrays import Floats

# Cells narrower than this many standard deviations are integrated by quadrature: differences of
# the distribution function would lose their digits there.
_NARROW = 0.5
_NODES, _WEIGHTS = roots_legendre(10)
_LOG_ROOT_2PI = float(0.5 * np.log(2 * np.pi))

# Rates nearer than this are equal: what is left hangs on the order of a sum.
_TIE = 1e-9


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


def nearest_not_above(
    beyond_below: Floats, beyond_above: Floats, *, nominal: float
) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats]:
    """Choose limits among attainable values from the probabilities of both tails.

    Both tails are held to half of `nominal`; what that leaves unused pays for one step inward on
    the side where it brings the total nearest to `nominal`.  Where both sides are equal neither is
    favoured: a process that lies as much to one side has limits as wide to the other.

    Parameters
    ----------
    beyond_below, beyond_above : array, shape (processes, values)
        Probability of a value at or below, and at or above, each attainable value.
    nominal : float
        False-alarm probability aimed at.

    Returns
    -------
    first_out, last_out : array of int, shape (processes,)
        Index of the lowest value outside above and of the highest value outside below.
    rate : array, shape (processes,)
        Probability outside.
    """
    rows = np.arange(len(beyond_above))
    last = beyond_above.shape[1] - 1
    first_out = np.where(
        (beyond_above <= nominal / 2).any(axis=1),
        (beyond_above <= nominal / 2).argmax(axis=1),
        last,
    )
    inside_below = beyond_below[:, ::-1] <= nominal / 2
    last_out = np.where(inside_below.any(axis=1), last - inside_below.argmax(axis=1), 0)
    above, below = beyond_above[rows, first_out], beyond_below[rows, last_out]
    inward_above = beyond_above[rows, np.maximum(first_out - 1, 0)] + below
    inward_below = beyond_below[rows, np.minimum(last_out + 1, last)] + above
    affords_above, affords_below = inward_above <= nominal, inward_below <= nominal
    ahead = inward_above - inward_below
    take_above = affords_above & (~affords_below | (ahead > _TIE))
    take_below = affords_below & (~affords_above | (ahead < -_TIE))
    first_out = first_out - take_above
    last_out = last_out + take_below
    return first_out, last_out, beyond_above[rows, first_out] + beyond_below[rows, last_out]
