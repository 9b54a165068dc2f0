"""This module sets limits about a path whose points have errors of their own.

A path is the running sum of steps from what one visit left to what the next found, so that an
adjustment does not restart it: it leaves its limits where something moved, whoever put it right.
"""

import numpy as np
import polars as pl
from scipy.special import ndtr, stdtrit

from drift.arrays import Floats
from drift.frames import Schema
from drift.limits.baseline import Baseline, set_baseline
from drift.limits.charts.prepare import fewest_visits
from drift.limits.choices import ChartSettings

# One row per point: centre and limits from the path's own baseline, null where it is too short;
# beyond: the point lies outside.
PATH_LIMITS: Schema = {
    "series": pl.Int64,
    "visit": pl.Int64,
    "centre": pl.Float64,
    "lower": pl.Float64,
    "upper": pl.Float64,
    "in_baseline": pl.Boolean,
    "beyond": pl.Boolean,
}


def path_limits(points: pl.DataFrame, *, settings: ChartSettings) -> pl.DataFrame:
    """Return centre and limits of every path.

    Parameters
    ----------
    points : pl.DataFrame
        One row per series and visit: ``series visit phase t_years`` (a phase is one instrument),
        ``value`` (null where unknown) and ``error`` of the path, ``anew`` (the step to the point
        starts from a reading of its own, whose error stays in the path), and ``law_slope`` (how
        uncertain the value is by each unit that ``beside``, a path beside it, is off its centre).
    settings : ChartSettings
        The baseline, and the half-width in `sigmas`.

    Returns
    -------
    pl.DataFrame
        Frame of `PATH_LIMITS`, of points with a value.

    Notes
    -----
    A new point of n that scatter alike lies within t·s·√(1 + 1/n) of their mean (NIST/SEMATECH
    e-Handbook 2.2.3.5.2, the interval of a new observation); s is about the straight line through
    the baseline, n − 2 degrees of freedom, so that a drift in it does not pass for scatter.
    A coarse dial can show n equal points of which s knows nothing, so that limits are never nearer
    than `sigmas`·√2 errors: the points and their mean are rounded alike.
    Each step that starts anew adds two errors squared.
    """
    named = points.with_columns(resolution=pl.lit(None, dtype=pl.Float64))
    base = set_baseline(named, visits=settings.baseline_visits, window=settings.baseline_window)
    if base.rows.is_empty():
        return pl.DataFrame(schema=PATH_LIMITS)
    block, inside, count = base.block, base.inside, base.counts
    blocks, number = len(base.starts), np.maximum(base.counts, 1)
    centre = np.bincount(block[inside], base.values[inside], minlength=blocks) / number
    scatter, freedom = _about_a_line(base, centre)
    error, slope, beside = (
        base.rows[name].fill_null(0.0).to_numpy() for name in ("error", "law_slope", "beside")
    )
    usual = np.bincount(block[inside], beside[inside], minlength=blocks) / number
    tail = 2 * ndtr(-settings.sigmas)
    reach = stdtrit(freedom, 1 - tail / 2) * scatter * np.sqrt(1 + 1 / number)
    started = np.cumsum(base.rows["anew"].to_numpy() & ~inside).astype(np.float64)
    since = started - started[base.starts][block]
    further = settings.sigmas**2 * (2 * since * error**2 + (slope * (beside - usual[block])) ** 2)
    least = settings.sigmas * np.sqrt(2) * error
    half = np.sqrt(np.maximum(reach[block], least) ** 2 + further)
    known = (count >= fewest_visits(settings))[block]
    middle = centre[block]
    return base.rows.select(
        "series",
        "visit",
        centre=pl.Series(np.where(known, middle, np.nan), nan_to_null=True),
        lower=pl.Series(np.where(known, middle - half, np.nan), nan_to_null=True),
        upper=pl.Series(np.where(known, middle + half, np.nan), nan_to_null=True),
        in_baseline="in_baseline",
        beyond=pl.Series(known & (np.abs(base.values - middle) > half)),
    ).cast(PATH_LIMITS)  # type: ignore[arg-type]  # names to types


def _about_a_line(base: Baseline, centre: Floats) -> tuple[Floats, Floats]:
    """Return the scatter of each baseline about a line in time, and its degrees of freedom."""
    block, inside, blocks = base.block, base.inside, len(base.starts)

    def total(values: Floats) -> Floats:
        summed = np.bincount(block, np.where(inside, values, 0.0), minlength=blocks)
        return np.asarray(summed, dtype=np.float64)

    number = np.maximum(base.counts, 1)
    times = base.rows["t_years"].to_numpy()
    early = times - (total(times) / number)[block]
    apart = base.values - centre[block]
    lasted = total(early**2)
    slope = np.divide(total(early * apart), lasted, out=np.zeros(blocks), where=lasted > 0)
    freedom = np.maximum(base.counts - 2.0, 1.0)
    squares = total((apart - slope[block] * early) ** 2)
    return np.sqrt(squares / freedom), freedom
