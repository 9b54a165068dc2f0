"""This module gives Mann–Kendall's test the variance that a wandering path has; it fits nothing."""

from functools import lru_cache

import numpy as np
from scipy import special

from drift.stats.blocks import Floats

# Wander of one interval over twice the noise variance of one visit: where the inflation is
# computed; between them it is interpolated.
_RATIOS: Floats = np.concatenate([[0.0], np.geomspace(1e-4, 1e3, 22)])
# The number of visits squared times twice itself is the work; above this it is not done.
_MOST_VISITS = 128
# Above this the inflation is computed at every eighth power of two and interpolated.
_EVERY_LENGTH = 24


def wander_p(
    s: Floats, variance: Floats, *, ratios: Floats, weights: Floats, visits: int
) -> Floats:
    """Return the two-sided p value of "no drift" for paths that wander.

    Parameters
    ----------
    s, variance : array, shape (series,)
        Mann–Kendall's statistic and its variance for exchangeable visits, corrected for ties
        (`drift.stats.rank_trend.kendall_score`).
    ratios, weights : array, shape (series, components)
        Ratios of wander to noise as in `inflation`, and the weight of each, summing to 1.
    visits : int
        Length of the series, at least 3.

    Returns
    -------
    array, shape (series,)
        NaN above 128 visits.

    Notes
    -----
    A path that only wanders often climbs or falls almost throughout, so S is far from normal.
    It cannot pass the number of pairs; a symmetric beta distribution on that range with the
    inflated variance keeps the error probability at or below the nominal one at every ratio,
    where the normal keeps it too but hardly ever speaks (tests).
    """
    pairs = visits * (visits - 1) / 2
    inflated = variance[:, None] * inflation(visits, ratios) / pairs**2
    still = variance[:, None] <= 0
    shape = np.maximum((1 / np.where(still, 0.5, inflated) - 1) / 2, 1e-3)
    tau = np.maximum(np.abs(s[:, None]) - 1, 0) / pairs
    tails = np.where(still, 1.0, 2 * special.betainc(shape, shape, (1 - tau) / 2))
    p: Floats = (weights * tails).sum(axis=1)
    return np.minimum(p, 1.0)


def inflation(visits: int, ratios: Floats) -> Floats:
    """Return the variance of S over that of exchangeable visits, for a path without drift.

    Parameters
    ----------
    visits : int
        Length of the path, at least 2.
    ratios : array, any shape
        Wander of one interval over twice the noise variance of a visit, τ²Δ/(2σ²), at least 0.

    Returns
    -------
    array, shape of `ratios`
        At least 1; NaN above 128 visits.  Equally spaced visits are assumed.

    References
    ----------
    Hamed (2008), Journal of Hydrology 349, 350–363: for a Gaussian path the signs of two
    differences with correlation r have covariance (2/π) arcsin r, and the variance of S is the sum
    over all pairs of pairs of visits (from memory; proved in the tests by simulation).
    """
    if visits > _MOST_VISITS:
        return np.full(np.shape(ratios), np.nan)
    if visits <= _EVERY_LENGTH:
        table = _table(visits)
    else:
        power = 8 * np.log2(visits)
        below, above = (round(2 ** (edge / 8)) for edge in (np.floor(power), np.ceil(power)))
        share = 0.0 if below == above else np.log(visits / below) / np.log(above / below)
        table = _table(below) ** (1 - share) * _table(above) ** share
    at = np.interp(_spread(ratios), _spread(_RATIOS), np.log(table))
    return np.exp(at)


def _spread(ratios: Floats) -> Floats:
    """Return the scale on which the inflation is nearly straight."""
    return np.log(np.asarray(ratios) + 1e-4)


@lru_cache(maxsize=256)
def _table(visits: int) -> Floats:
    """Return the inflation at each of `_RATIOS`.

    Pairs (i, i + a) and (i + h, i + h + b) have a correlation that depends on a, b and h alone,
    and fit into the record in as many places as it leaves.
    """
    lags = np.arange(1, visits)
    a, b, h = np.meshgrid(lags, lags, np.arange(-(visits - 1), visits), indexing="ij")
    places = visits - np.maximum(a, h + b) + np.minimum(0, h)
    fits = places > 0
    a, b, h, places = a[fits], b[fits], h[fits], places[fits]
    overlap = np.maximum(0, np.minimum(a, h + b) - np.maximum(0, h))
    shared = ((h + b == a) * 1.0 - (h == a) - (h + b == 0) + (h == 0)) / 2
    exchangeable = visits * (visits - 1) * (2 * visits + 5) / 18
    table = np.empty(_RATIOS.size)
    for index, ratio in enumerate(_RATIOS):
        spread = np.sqrt((ratio * a + 1) * (ratio * b + 1))
        correlation = np.clip((ratio * overlap + shared) / spread, -1.0, 1.0)
        table[index] = (places * np.arcsin(correlation)).sum() * 2 / np.pi / exchangeable
    return table
