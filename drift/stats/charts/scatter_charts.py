"""This module draws the charts of how replicate readings scatter: S, range and repeatability."""

import numpy as np
from scipy.special import fdtri, ndtr

from drift.stats.charts.replicates import (
    Replicated,
    draw_textbook,
    draw_upper,
    weighted_sigma,
)
from drift.stats.charts.settings import Charted


def draw_spread(replicated: Replicated) -> Charted:
    """Draw the standard deviation (n − 1) of each visit's replicates.

    Visits with one reading are not plotted.  Form "sigma": B3 and B4 limits for each visit's own
    count; "t" and "kept_rate": an upper limit only, s₁·sqrt(F), which for rounded readings is
    set among the values that they can show.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.1.
    """
    settings = replicated.settings
    if settings.limits == "sigma":
        sigma = weighted_sigma(replicated, of_range=False)
        return draw_textbook("spread", replicated, sigma=sigma, of_range=False)
    nominal = float(2 * ndtr(-settings.sigmas))
    factor = _root_f(replicated, nominal)
    return draw_upper("spread", replicated, of_range=False, nominal=nominal, factor=factor)


def draw_range(replicated: Replicated) -> Charted:
    """Draw the range of each visit's replicates.

    Form "kept_rate": an upper limit only, among the values that rounded readings can show; the
    others: D3 and D4 limits for each visit's own count.  A range uses less of the data than a
    standard deviation does and is offered for hand checks.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.1.
    """
    if replicated.settings.limits != "kept_rate":
        sigma = weighted_sigma(replicated, of_range=True)
        return draw_textbook("range", replicated, sigma=sigma, of_range=True)
    nominal = float(2 * ndtr(-replicated.settings.sigmas))
    blank = np.full(len(replicated.sizes), np.nan)
    return draw_upper("range", replicated, of_range=True, nominal=nominal, factor=blank)


def draw_repeatability(replicated: Replicated) -> Charted:
    """Draw the standard deviation of replicates against s₁·sqrt(F), an upper limit only.

    s₁ is the pooled standard deviation of the baseline, F the upper quantile at the level that the
    settings name, with the degrees of freedom of the visit and of s₁.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 2.2.3.1 and 2.6.2.3.
    """
    level = replicated.settings.repeatability_level
    factor = _root_f(replicated, level)
    return draw_upper("repeatability", replicated, of_range=False, nominal=level, factor=factor)


def _root_f(replicated: Replicated, level: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return sqrt(F) of each row's degrees of freedom and its block's."""
    own = np.maximum(replicated.sizes - 1, 1).astype(float)
    pooled = np.maximum(replicated.pooled_df[replicated.baseline.block], 1.0)
    factor = np.sqrt(fdtri(own, pooled, 1 - level))
    return np.where(replicated.sizes > 1, factor, np.nan)
