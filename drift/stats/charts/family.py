"""This module draws all charts of a fleet at once, so that what they share is computed once."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import polars as pl

from drift.frames import CHARTED, LIMITS, empty
from drift.stats.charts.cusum import ONSETS, draw_cusum, onsets_of
from drift.stats.charts.ewma import draw_ewma
from drift.stats.charts.individuals import draw_individuals
from drift.stats.charts.mean import draw_mean
from drift.stats.charts.moving_range import draw_moving_range
from drift.stats.charts.prepare import prepare
from drift.stats.charts.replicates import prepare_replicates
from drift.stats.charts.scatter_charts import draw_range, draw_repeatability, draw_spread
from drift.stats.charts.settings import Charted, ChartSettings
from drift.stats.phase_comparison import compare_phases

# Names a chart family can be asked for; "cusum" makes two charts.
SINGLE_POINTS = ("individuals", "moving_range", "ewma", "cusum")
REPLICATES = ("mean", "spread", "range", "repeatability")
# Charts of the initial pressure mark, which `drift.stats.charts.mark` draws from its own points.
MARKS = ("mark",)


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
    phases : pl.DataFrame
        Frame of `drift.stats.phase_comparison.PHASES`: each phase of the level against what came
        before.  Charts of scatter know no phases but the gauge's.
    charted : pl.DataFrame
        The points, ``phase`` being the one whose limits they are charted by.
    """

    points: pl.DataFrame
    limits: pl.DataFrame
    onsets: pl.DataFrame
    phases: pl.DataFrame
    charted: pl.DataFrame


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
        One row per series and visit, any number of series: ``series``, ``visit``, ``phase``,
        ``t_years``, ``value`` (null where there is no reading), ``resolution``; optionally
        ``replicates`` and ``values`` (the readings that ``value`` is the mean of), ``like`` (names
        meters whose spread may be pooled; without it all are), ``excluded`` (why a visit must
        not set limits, null for most) and ``gauge`` (the number of the gauge that was on, which
        alone restarts the charts of scatter).
    settings : ChartSettings
        How limits are set.
    charts : tuple of str
        Names out of `SINGLE_POINTS` and `REPLICATES`.

    Raises
    ------
    ValueError
        If a name is unknown, a column is missing or holds a number that cannot be.
    """
    unknown = [name for name in charts if name not in SINGLE_POINTS + REPLICATES]
    if unknown:
        known = ", ".join(SINGLE_POINTS + REPLICATES)
        raise ValueError(f"unknown chart(s) {', '.join(unknown)}: the charts are {known}")
    tested = compare_phases(
        points,
        visits=settings.baseline_visits,
        spread_level=settings.pooling_level,
        level=settings.change_level,
        window=settings.baseline_window,
    )
    scattered = points
    if "gauge" in points.columns:
        scattered = points.with_columns(phase=pl.col("gauge"))
    with ThreadPoolExecutor(2) as both:
        single = both.submit(_single_points, tested.points, settings, charts)
        many = both.submit(_replicates, tested.points, scattered, settings, charts)
    drawn, onsets = single.result()
    drawn += many.result()
    return Family(
        points=pl.concat([empty(CHARTED), *(one.points for one in drawn)], rechunk=False),
        limits=pl.concat([empty(LIMITS), *(one.limits for one in drawn)], rechunk=False),
        onsets=onsets,
        phases=tested.tests,
        charted=tested.points,
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
    points: pl.DataFrame,
    scattered: pl.DataFrame,
    settings: ChartSettings,
    charts: tuple[str, ...],
) -> list[Charted]:
    """Draw the charts of replicates: their means by the phases of the level, their scatter not."""
    drawn = []
    if "mean" in charts:
        drawn.append(draw_mean(prepare_replicates(points, settings=settings)))
    wanted = {"spread": draw_spread, "range": draw_range, "repeatability": draw_repeatability}
    drawing = [draw for name, draw in wanted.items() if name in charts]
    if drawing:
        replicated = prepare_replicates(scattered, settings=settings)
        drawn += [draw(replicated) for draw in drawing]
    return drawn
