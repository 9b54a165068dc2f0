"""This module joins the points of a meter; it forecasts no point.

The points of a meter move together, because most of what goes wrong (the mark, the hand, the
vessel) moves them all.  Neither the worst point's probability nor that of independent points is
then right for "some point is out"; they bound it.
"""

import numpy as np
from scipy import special

from drift.stats.blocks import Floats, Integers

# A fleet without evidence is taken to have this correlation, with the say of so many pairs.
_USUAL_TIE, _USUAL_PAIRS = 0.5, 20.0
_LARGEST_TIE = 0.98
_NODES = 32


def tie_points(scores: Floats, place: Integers) -> float:
    """Return the correlation of normal scores that share a place.

    Parameters
    ----------
    scores : array, shape (n,)
        Normal scores of how one-visit-ahead forecasts came out.
    place : array, shape (n,)
        Number of the meter and visit; scores of different points share it.

    Notes
    -----
    Intraclass correlation over all pairs, shrunk to 0.5 by twenty pairs' worth, kept in 0 to 0.98.
    """
    places, index = np.unique(place, return_inverse=True)
    total = np.bincount(index, weights=scores, minlength=places.size)
    square = np.bincount(index, weights=scores**2, minlength=places.size)
    number = np.bincount(index, minlength=places.size)
    several = number > 1
    pairs = (number[several] * (number[several] - 1) / 2).sum()
    if pairs == 0:
        return _USUAL_TIE
    products = (total[several] ** 2 - square[several]).sum() / 2
    variance = square[several].sum() / number[several].sum()
    raw = products / pairs / max(variance, 1e-12)
    shrunk = (pairs * raw + _USUAL_PAIRS * _USUAL_TIE) / (pairs + _USUAL_PAIRS)
    return float(np.clip(shrunk, 0.0, _LARGEST_TIE))


def any_out(below: Floats, above: Floats, meter: Integers, *, meters: int, tie: float) -> Floats:
    """Return the probability that some point of each meter is out, shape (meters,).

    Parameters
    ----------
    below, above : array, shape (series,)
        Each point's probability of being out on either side.
    meter : array, shape (series,)
        Its meter, 0 to `meters` − 1.
    meters : int
        Number of meters; NaN comes back for one without a point.
    tie : float
        Correlation of the points' normal scores.

    Notes
    -----
    One-factor Gaussian copula: given the common factor u the points are independent, so that ::

        P(all in) = ∫ φ(u) Π [Φ((b − √ρ u)/√(1 − ρ)) − Φ((a − √ρ u)/√(1 − ρ))] du

    with Φ(a) = P(below), Φ(b) = 1 − P(above), by Gauss–Hermite quadrature; the result is kept
    between the largest of the points' probabilities and their sum.

    References
    ----------
    Joe (2014), Dependence Modeling with Copulas, section 3.10.4 (one-factor normal copula).
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    weights = weights / weights.sum()
    low, high = special.ndtri(below)[:, None], -special.ndtri(above)[:, None]
    root, rest = np.sqrt(tie), np.sqrt(1 - tie)
    inside = special.ndtr((high - root * nodes) / rest) - special.ndtr((low - root * nodes) / rest)
    log = np.log(np.maximum(inside, 1e-300))
    sums = np.zeros((meters, _NODES))
    np.add.at(sums, meter, log)
    joint = 1 - np.exp(sums) @ weights
    single = np.clip(below + above, 0.0, 1.0)
    worst = np.full(meters, -1.0)
    np.maximum.at(worst, meter, single)
    total = np.bincount(meter, weights=single, minlength=meters)
    some = np.bincount(meter, minlength=meters) > 0
    chance: Floats = np.where(some, np.clip(joint, worst, np.minimum(total, 1.0)), np.nan)
    return chance
