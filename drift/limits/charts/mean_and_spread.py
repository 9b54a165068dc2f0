"""This module draws the mean, S, range and repeatability charts of replicate readings."""

import numpy as np
from scipy.special import fdtri, ndtr, stdtrit

from drift.arrays import Floats
from drift.limits.charts.prepare import fewest_visits
from drift.limits.charts.replicates import (
    Replicated,
    draw_textbook,
    draw_upper,
    origin_of_scatter,
    weighted_sigma,
)
from drift.limits.charts.shape import Charted, Lines, assemble
from drift.limits.rounding.prediction_limits import prediction_limits


def draw_mean(replicated: Replicated) -> Charted:
    """Draw the mean of each visit's replicates against limits from scatter within visits.

    All that makes visits differ beyond the scatter of replicates (another fill, another day)
    counts as a signal here; where visits always differ so, the individuals chart is the one to
    use.  Counts may differ from visit to visit; each has its own limits.  Form "sigma": centre ±
    A·σ with σ from the mean of s/c4; form "t": centre ± t·s₁/sqrt(n) with the pooled s₁; form
    "kept_rate": the exact law of means of rounded readings.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.1.
    """
    baseline, settings = replicated.baseline, replicated.settings
    nominal = float(2 * ndtr(-settings.sigmas))
    sizes = replicated.sizes
    if settings.limits == "kept_rate":
        new = prediction_limits(
            baseline,
            pool=replicated.pool,
            needed=fewest_visits(settings),
            nominal=nominal,
            pooling_level=settings.pooling_level,
            between=False,
        )
        # Without replicates there is no scatter within visits to compare with.
        can = np.isfinite(replicated.scatter.sigma) & (replicated.scatter.visits > 0)
        centre, sigma, df = (
            np.where(can, each, np.nan) for each in (new.centre, new.sigma, new.df)
        )
        of_row = can[baseline.block]
        lower, upper = np.where(of_row, new.lower, np.nan), np.where(of_row, new.upper, np.nan)
        attained = np.where(can, new.attained, np.nan)
    else:
        centre, one, factor = _plain(replicated, nominal)
        half = (factor * one)[baseline.block] / np.sqrt(sizes)
        lower, upper = centre[baseline.block] - half, centre[baseline.block] + half
        typical = np.bincount(baseline.block, sizes) / np.maximum(baseline.lengths, 1)
        sigma, df = one / np.sqrt(typical), replicated.pooled_df
        attained = np.full_like(sigma, np.nan)
    return assemble(
        "mean",
        baseline,
        lines=Lines(value=baseline.values, centre=centre[baseline.block], lower=lower, upper=upper),
        origin=origin_of_scatter(
            replicated,
            centre=centre,
            sigma=sigma,
            df=np.where(np.isfinite(sigma), df, np.nan),
            attained=attained,
            nominal=nominal,
        ),
    )


def _plain(replicated: Replicated, nominal: float) -> tuple[Floats, Floats, Floats]:
    """Return centre, standard deviation of one reading, and the factor of the limits."""
    baseline, sizes = replicated.baseline, replicated.sizes
    block, use, blocks = baseline.block, baseline.inside, len(baseline.starts)
    total = np.bincount(block[use], sizes[use], minlength=blocks)
    sums = np.bincount(block[use], (sizes * baseline.values)[use], minlength=blocks)
    if replicated.settings.limits == "sigma":
        one = weighted_sigma(replicated, of_range=False)
        factor = np.full(blocks, replicated.settings.sigmas)
    else:
        one = np.where(replicated.enough & (replicated.pooled > 0), replicated.pooled, np.nan)
        factor = stdtrit(np.maximum(replicated.pooled_df, 1.0), 1 - nominal / 2)
    centre = np.where(np.isfinite(one), sums / np.maximum(total, 1), np.nan)
    return centre, one, np.asarray(factor)


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
