"""This module draws all charts of a fleet at once, so that what they share is computed once."""

from dataclasses import dataclass

import polars as pl

from drift.stats.charts.cusum import draw_cusum, onsets_of
from drift.stats.charts.ewma import draw_ewma
from drift.stats.charts.individuals import draw_individuals
from drift.stats.charts.mean import draw_mean
from drift.stats.charts.moving_range import draw_moving_range
from drift.stats.charts.prepare import prepare
from drift.stats.charts.replicates import prepare_replicates
from drift.stats.charts.scatter_charts import draw_range, draw_repeatability, draw_spread
from drift.stats.charts.settings import ChartSettings

# Names a chart family can be asked for; "cusum" makes two charts.
SINGLE_POINTS = ("individuals", "moving_range", "ewma", "cusum")
REPLICATES = ("mean", "spread", "range", "repeatability")


@dataclass(frozen=True, slots=True)
class Family:
    """Several charts of a fleet.

    Attributes
    ----------
    points, limits : pl.DataFrame
        Frames of `drift.frames.CHARTED` and `drift.frames.LIMITS`, chart after chart, each
        sorted by series and visit or phase.
    onsets : pl.DataFrame
        Frame of `drift.stats.charts.cusum.ONSETS`; empty where no CUSUM was asked for.
    """

    points: pl.DataFrame
    limits: pl.DataFrame
    onsets: pl.DataFrame


def draw_family(
    points: pl.DataFrame,
    *,
    settings: ChartSettings,
    charts: tuple[str, ...] = SINGLE_POINTS + REPLICATES,
) -> Family:
    """Draw charts of a fleet.

    Parameters
    ----------
    points : pl.DataFrame
        As for `drift.stats.charts.individuals`.
    settings : ChartSettings
    charts : tuple of str
        Names out of `SINGLE_POINTS` and `REPLICATES`.

    Raises
    ------
    ValueError
        If a name is unknown, a column is missing or holds a number that cannot be.
    """
    unknown = [name for name in charts if name not in SINGLE_POINTS + REPLICATES]
    if unknown or not charts:
        known = ", ".join(SINGLE_POINTS + REPLICATES)
        raise ValueError(f"unknown chart(s) {', '.join(unknown)}: the charts are {known}")
    drawn = []
    onsets = onsets_of(prepare(points.head(0), settings=settings))
    if any(name in SINGLE_POINTS for name in charts):
        prepared = prepare(points, settings=settings)
        single = {
            "individuals": draw_individuals,
            "moving_range": draw_moving_range,
            "ewma": draw_ewma,
            "cusum": draw_cusum,
        }
        drawn += [draw(prepared) for name, draw in single.items() if name in charts]
        if "cusum" in charts:
            onsets = onsets_of(prepared)
    if any(name in REPLICATES for name in charts):
        replicated = prepare_replicates(points, settings=settings)
        many = {
            "mean": draw_mean,
            "spread": draw_spread,
            "range": draw_range,
            "repeatability": draw_repeatability,
        }
        drawn += [draw(replicated) for name, draw in many.items() if name in charts]
    return Family(
        points=pl.concat([one.points for one in drawn], rechunk=False),
        limits=pl.concat([one.limits for one in drawn], rechunk=False),
        onsets=onsets,
    )
