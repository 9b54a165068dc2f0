"""This module fits lines that a few strange visits do not pull away; it tests nothing."""

import numpy as np
from scipy import special

from drift.stats.blocks import Floats

# Huber's bend: 95 % as efficient as least squares where errors are normal (Huber 1981, table 1).
_BEND = 1.345
_NORMAL_MAD = float(special.ndtri(0.75))
_MOST_ROUNDS = 100
# Settled when no line moves by more than this share of its scale.
_NEAR = 1e-12


def huber_slopes(times: Floats, values: Floats) -> Floats:
    """Return the slope of Huber's robust line for each series of a block.

    Parameters
    ----------
    times, values : array, shape (series, visits)
        At least three visits.

    Returns
    -------
    array, shape (series,)
        Value per unit of time; NaN where all times are the same, and where more than half of the
        residuals vanish, so that there is no scale to judge the others by.

    Notes
    -----
    Iterated weighted least squares, the scale being the median absolute residual from zero over
    0.6745 in each round; tested against ``statsmodels`` ``RLM`` with ``HuberT``.

    References
    ----------
    Huber (1981), Robust Statistics, chapter 7; Venables and Ripley, Modern Applied Statistics
    with S, 4th edition, section 6.5.
    """
    apart = np.ptp(times, axis=1) > 0
    t = times - times.mean(axis=1, keepdims=True)
    level, slope = _weighted_line(t, values, np.ones_like(values))
    scale = np.zeros_like(slope)
    moving = np.flatnonzero(apart)
    for _ in range(_MOST_ROUNDS):
        run, rest = t[moving], values[moving]
        residual = np.abs(rest - level[moving, None] - slope[moving, None] * run)
        scale[moving] = np.median(residual, axis=1) / _NORMAL_MAD
        bend = _BEND * scale[moving, None]
        weight = np.where(residual > bend, bend / np.where(residual > 0, residual, 1.0), 1.0)
        next_level, next_slope = _weighted_line(run, rest, weight)
        moved = np.abs(next_slope - slope[moving]) * np.abs(run).max(axis=1)
        moved += np.abs(next_level - level[moving])
        level[moving], slope[moving] = next_level, next_slope
        moving = moving[moved > _NEAR * scale[moving]]
        if not moving.size:
            break
    size = np.abs(values).max(axis=1)
    return np.where(apart & (scale > _NEAR * size), slope, np.nan)


def _weighted_line(t: Floats, values: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Return the level at t = 0 and the slope of the weighted least-squares line."""
    total = weight.sum(axis=1)
    total = np.where(total > 0, total, 1.0)
    mean_t = (weight * t).sum(axis=1) / total
    mean_y = (weight * values).sum(axis=1) / total
    run = t - mean_t[:, None]
    squares = (weight * run * run).sum(axis=1)
    slope = (weight * run * (values - mean_y[:, None])).sum(axis=1)
    slope = slope / np.where(squares > 0, squares, 1.0)
    return mean_y - slope * mean_t, slope
