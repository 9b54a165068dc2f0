"""This module chooses limits of rounded readings among the values that they can show.

The mean of n readings in steps of δ can only take values δ/n apart, so that a limit has only
certain false-alarm rates to choose from.
"""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Rates nearer than this are equal: what is left hangs on the order of a sum.
_TIE = 1e-9


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
