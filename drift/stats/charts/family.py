"""This module draws all charts of a fleet at once, so that what they share is computed once."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import polars as pl

from drift.frames import empty
from drift.stats.charts.cusum import ONSETS, draw_cusum, onsets_of
from drift.stats.charts.ewma import draw_ewma
from drift.stats.charts.individuals import draw_individuals
from drift.stats.charts.mean import draw_mean
from drift.stats.charts.moving_range import draw_moving_range
from drift.stats.charts.prepare import prepare
from drift.stats.charts.replicates import prepare_replicates
from drift.stats.charts.scatter_charts import draw_range, draw_repeatability, draw_spread
from drift.stats.charts.settings import Charted, ChartSettings

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
    with ThreadPoolExecutor(2) as both:
        single = both.submit(_single_points, points, settings, charts)
        many = both.submit(_replicates, points, settings, charts)
    drawn, onsets = single.result()
    drawn += many.result()
    return Family(
        points=pl.concat([one.points for one in drawn], rechunk=False),
        limits=pl.concat([one.limits for one in drawn], rechunk=False),
        onsets=onsets,
    )


def _single_points(
    points: pl.DataFrame, settings: ChartSettings, charts: tuple[str, ...]
) -> tuple[list[Charted], pl.DataFrame]:
    """Draw the charts of single points and date the shifts of the CUSUM."""
    wanted = {
        "individuals": draw_individuals,
        "moving_range": draw_moving_range,
        "ewma": draw_ewma,
        "cusum": draw_cusum,
    }
    drawing = [draw for name, draw in wanted.items() if name in charts]
    if not drawing:
        return [], empty(ONSETS)
    prepared = prepare(points, settings=settings)
    onsets = onsets_of(prepared) if "cusum" in charts else empty(ONSETS)
    return [draw(prepared) for draw in drawing], onsets


def _replicates(
    points: pl.DataFrame, settings: ChartSettings, charts: tuple[str, ...]
) -> list[Charted]:
    """Draw the charts of replicates."""
    wanted = {
        "mean": draw_mean,
        "spread": draw_spread,
        "range": draw_range,
        "repeatability": draw_repeatability,
    }
    drawing = [draw for name, draw in wanted.items() if name in charts]
    if not drawing:
        return []
    replicated = prepare_replicates(points, settings=settings)
    return [draw(replicated) for draw in drawing]
