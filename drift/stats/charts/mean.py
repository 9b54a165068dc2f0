"""This module draws the mean chart: each visit's mean against the scatter of its replicates."""

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, stdtrit

from drift.stats.charts.prepare import fewest_visits
from drift.stats.charts.replicates import (
    Replicated,
    origin_of_scatter,
    weighted_sigma,
)
from drift.stats.charts.settings import Charted
from drift.stats.charts.shape import Lines, assemble
from drift.stats.new_point import predict

Floats = NDArray[np.float64]


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
        new = predict(
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
