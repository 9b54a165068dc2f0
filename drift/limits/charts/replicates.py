"""This module prepares what the charts of replicates share: readings, scatter, and the words."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import ndtr

from drift.arrays import Floats, Integers
from drift.limits.baseline import Baseline, set_baseline
from drift.limits.charts.constants import c4, c5, d2, d3
from drift.limits.charts.prepare import (
    Circumstances,
    fewest_visits,
    open_still,
    where_limits_come_from,
)
from drift.limits.charts.shape import Charted, Lines, Origin, assemble
from drift.limits.choices import ChartSettings
from drift.limits.rounding.attained_limits import upper_limits
from drift.limits.rounding.borrowing import Lenders, Pool, set_pool
from drift.limits.rounding.observations import Readings, read_readings
from drift.limits.rounding.pooled_scatter import Scatter, pool_scatter


@dataclass(frozen=True, slots=True)
class Replicated:
    """Points of a fleet with the scatter of their replicates.

    Attributes
    ----------
    settings : ChartSettings
    baseline : Baseline
    pool : Pool
        Who may borrow from whom.
    sizes : array of int, shape (rows,)
        Readings of each row.
    spread, extent : array, shape (rows,)
        Standard deviation (n − 1) and range of each row's readings; NaN for one reading.
    scatter : Scatter
        What is held of one reading's standard deviation.
    pooled, pooled_df : array, shape (blocks,)
        Root of the pooled variance of the baseline's visits and its degrees of freedom; NaN and 0
        where no visit has replicates.
    visits : array of int, shape (blocks,)
        Baseline visits with replicates.
    enough : array of bool, shape (blocks,)
        The baseline is long enough, and has as many degrees of freedom for scatter as single
        readings would have.
    """

    settings: ChartSettings
    baseline: Baseline
    pool: Pool
    sizes: Integers
    spread: Floats
    extent: Floats
    scatter: Scatter
    pooled: Floats
    pooled_df: Floats
    visits: Integers
    enough: NDArray[np.bool_]


def prepare_replicates(
    points: pl.DataFrame, *, settings: ChartSettings, lenders: Lenders | None = None
) -> Replicated:
    """Set baselines and pool the scatter of replicates.

    Parameters
    ----------
    points : pl.DataFrame
        As for `drift.limits.charting.draw_family`, with the readings of each visit in ``values``; a
        visit without them may give its ``spread`` and ``replicates`` instead.
    settings : ChartSettings
    lenders : Lenders or None
        Meters that stand for the fleet where these are some of it.

    Raises
    ------
    ValueError
        If a column is missing or holds a number that cannot be.
    """
    baseline = set_baseline(
        points, visits=settings.baseline_visits, window=settings.baseline_window
    )
    pool = set_pool(
        baseline,
        points,
        visits=settings.baseline_visits,
        window=settings.baseline_window,
        lenders=lenders,
    )
    needed = fewest_visits(settings)
    readings = read_readings(baseline)
    sizes, spread, extent = _of_rows(baseline, readings)
    blocks = len(baseline.starts)
    use = baseline.inside & (sizes > 1) & np.isfinite(spread)
    block, df = baseline.block[use], sizes[use] - 1
    pooled_df = np.bincount(block, df, minlength=blocks).astype(float)
    squares = np.bincount(block, df * spread[use] ** 2, minlength=blocks)
    visits = np.bincount(block, minlength=blocks)
    scatter = pool_scatter(baseline, pool=pool, needed=needed, pooling_level=settings.pooling_level)
    return Replicated(
        settings=settings,
        baseline=baseline,
        pool=pool,
        sizes=sizes,
        spread=spread,
        extent=extent,
        scatter=scatter,
        pooled=np.where(pooled_df > 0, np.sqrt(squares / np.maximum(pooled_df, 1)), np.nan),
        pooled_df=pooled_df,
        visits=visits,
        enough=(baseline.counts >= needed) & (pooled_df >= needed - 1),
    )


def draw_upper(
    chart: str, replicated: Replicated, *, of_range: bool, nominal: float, factor: Floats
) -> Charted:
    """Draw a chart of scatter with an upper limit that holds its false-alarm rate.

    Parameters
    ----------
    chart : str
        Its name.
    replicated : Replicated
    of_range : bool
        Whether ranges are plotted.
    nominal : float
        False-alarm rate aimed at.
    factor : array, shape (rows,)
        Limit in pooled standard deviations of the block where rounding is left out of account.
    """
    baseline, scatter = replicated.baseline, replicated.scatter
    sizes = replicated.sizes
    value = replicated.extent if of_range else replicated.spread
    known = replicated.enough & (replicated.pooled > 0)
    sigma = np.where(known, replicated.pooled, np.nan)
    df = np.where(known, replicated.pooled_df, np.nan)
    centre = np.where(sizes > 1, sigma[baseline.block], np.nan)
    upper, attained = centre * factor, np.full_like(sigma, np.nan)
    if replicated.settings.limits == "kept_rate":
        limits = upper_limits(scatter, baseline, sizes, of_range=of_range, nominal=nominal)
        # Where only standard deviations are on record, not readings, nothing is known of steps.
        told = np.isfinite(scatter.sigma)
        row = told[baseline.block]
        centre = np.where(row, limits.centre, centre)
        upper = np.where(row, limits.upper, upper)
        attained = limits.attained
        sigma, df = np.where(told, scatter.sigma, sigma), np.where(told, scatter.df, df)
    return assemble(
        chart,
        baseline,
        lines=Lines(value=value, centre=centre, lower=np.full_like(value, np.nan), upper=upper),
        origin=origin_of_scatter(
            replicated,
            centre=_first_of_blocks(baseline, centre),
            sigma=sigma * _own_spread(replicated, of_range=of_range),
            df=df,
            attained=attained,
            nominal=nominal,
        ),
    )


def draw_textbook(chart: str, replicated: Replicated, *, sigma: Floats, of_range: bool) -> Charted:
    """Draw a chart of scatter with limits at so many of its own standard deviations.

    Parameters
    ----------
    chart : str
    replicated : Replicated
    sigma : array, shape (blocks,)
        Standard deviation of one reading; NaN where it is not known.
    of_range : bool
        Whether ranges are plotted.
    """
    baseline, sizes = replicated.baseline, replicated.sizes
    value = replicated.extent if of_range else replicated.spread
    centre_factor, spread_factor = (d2, d3) if of_range else (c4, c5)
    size = np.maximum(sizes, 2)
    one = np.where(sizes > 1, sigma[baseline.block], np.nan)
    centre = centre_factor(size) * one
    half = replicated.settings.sigmas * spread_factor(size) * one
    return assemble(
        chart,
        baseline,
        lines=Lines(
            value=value, centre=centre, lower=np.maximum(centre - half, 0.0), upper=centre + half
        ),
        origin=origin_of_scatter(
            replicated,
            centre=_first_of_blocks(baseline, centre),
            sigma=sigma * _own_spread(replicated, of_range=of_range),
            df=np.where(np.isfinite(sigma), replicated.pooled_df, np.nan),
            attained=np.full_like(sigma, np.nan),
            nominal=float(2 * ndtr(-replicated.settings.sigmas)),
        ),
    )


def origin_of_scatter(
    replicated: Replicated,
    *,
    centre: Floats,
    sigma: Floats,
    df: Floats,
    attained: Floats,
    nominal: float,
) -> Origin:
    """Return where the limits of a chart of replicates come from."""
    known = np.isfinite(sigma)
    return Origin(
        centre=np.where(known, centre, np.nan),
        sigma=sigma,
        df=df,
        attained=np.where(known, attained, np.nan),
        lag1=np.full_like(sigma, np.nan),
        form=replicated.settings.limits,
        nominal=nominal,
        estimator=_estimators(replicated),
        note=_notes(replicated, known),
    )


def weighted_sigma(replicated: Replicated, *, of_range: bool) -> Floats:
    """Return the textbook estimate of one reading's standard deviation, per block.

    The mean of s/c4 (or range/d2) over the baseline's visits, each weighted by the reciprocal of
    its variance; with equal counts this is the mean of s (range) divided by c4 (d2).
    """
    baseline, sizes = replicated.baseline, replicated.sizes
    value = replicated.extent if of_range else replicated.spread
    use = baseline.inside & (sizes > 1) & np.isfinite(value)
    size = sizes[use]
    value = value[use]
    mean, own = (d2(size), d3(size)) if of_range else (c4(size), c5(size))
    weight = (mean / own) ** 2
    blocks = len(baseline.starts)
    total = np.bincount(baseline.block[use], weight, minlength=blocks)
    sums = np.bincount(baseline.block[use], weight * value / mean, minlength=blocks)
    known = replicated.enough & (sums > 0)
    return np.where(known, sums / np.where(known, total, 1), np.nan)


def _own_spread(replicated: Replicated, *, of_range: bool) -> Floats:
    """Return the standard deviation of a plotted point in units of that of one reading."""
    sizes = _first_of_blocks(
        replicated.baseline,
        np.where(replicated.sizes > 1, replicated.sizes, np.nan),
    )
    size = np.where(np.isfinite(sizes), sizes, 2).astype(np.int64)
    return d3(size) if of_range else c5(size)


def _first_of_blocks(baseline: Baseline, values: Floats) -> Floats:
    """Return the first finite value of each block, NaN where there is none."""
    first = np.full(len(baseline.starts), np.nan)
    known = np.flatnonzero(np.isfinite(values))[::-1]
    first[baseline.block[known]] = values[known]
    return first


def _of_rows(baseline: Baseline, readings: Readings) -> tuple[Integers, Floats, Floats]:
    """Return count, standard deviation and range of the readings of each row."""
    sizes = readings.counts.copy()
    if not len(sizes):
        return sizes, np.zeros(0), np.zeros(0)
    owner = np.repeat(np.arange(len(sizes)), sizes)
    mean = np.bincount(owner, readings.values) / sizes
    squares = np.bincount(owner, (readings.values - mean[owner]) ** 2)
    extent = np.maximum.reduceat(readings.values, readings.starts) - np.minimum.reduceat(
        readings.values, readings.starts
    )
    many = sizes > 1
    spread = np.where(many, np.sqrt(squares / np.maximum(sizes - 1, 1)), np.nan)
    rows = baseline.rows
    if {"spread", "replicates"} <= set(rows.columns):
        given = rows["spread"].cast(pl.Float64).fill_null(np.nan).to_numpy()
        number = rows["replicates"].cast(pl.Int64).fill_null(1).to_numpy()
        told = ~many & np.isfinite(given) & (number > 1)
        spread, sizes = np.where(told, given, spread), np.where(told, number, sizes)
    return sizes, spread, np.where(many, extent, np.nan)


def _estimators(replicated: Replicated) -> list[str]:
    """Name the estimator of each block's scatter."""
    if replicated.settings.limits != "kept_rate":
        return ["standard deviations of the baseline's visits"] * len(replicated.visits)
    likelihood = (
        "rounding likelihood of replicates, this series alone",
        "rounding likelihood of replicates, pooled",
    )
    return [likelihood[pooled] for pooled in (replicated.scatter.meters > 1).tolist()]


def _notes(replicated: Replicated, known: NDArray[np.bool_]) -> list[str]:
    """Say of each block where its limits come from."""
    settings, scatter = replicated.settings, replicated.scatter
    kept = np.full(len(known), settings.limits == "kept_rate")
    return where_limits_come_from(
        Circumstances(
            kind="visits with replicates",
            needed=fewest_visits(settings),
            visits=replicated.visits,
            enough=replicated.enough,
            known=known,
            pooled=np.where(kept, scatter.meters, 1),
            earlier=np.zeros(len(known), np.int64),
            open_still=open_still(replicated.baseline),
            unlike=kept & scatter.unlike,
            limited=kept & scatter.limited,
            widened=np.zeros(len(known), bool),
        )
    )
