"""This module draws one chart of a fleet at a time, by the function that reviews use."""

import polars as pl

from drift.limits.charting import draw_family
from drift.limits.charts.shape import Charted
from drift.limits.choices import ChartSettings


def _drawn(chart: str, points: pl.DataFrame, settings: ChartSettings) -> Charted:
    family = draw_family(points, settings=settings, charts=(chart,))
    return Charted(points=family.points, limits=family.limits)


def individuals(points: pl.DataFrame, *, settings: ChartSettings) -> Charted:
    return _drawn("individuals", points, settings)


def moving_range(points: pl.DataFrame, *, settings: ChartSettings) -> Charted:
    return _drawn("moving_range", points, settings)


def ewma(points: pl.DataFrame, *, settings: ChartSettings) -> Charted:
    return _drawn("ewma", points, settings)


def cusum(points: pl.DataFrame, *, settings: ChartSettings) -> Charted:
    return _drawn("cusum", points, settings)


def find_onsets(points: pl.DataFrame, *, settings: ChartSettings) -> pl.DataFrame:
    return draw_family(points, settings=settings, charts=("cusum",)).onsets


def mean(points: pl.DataFrame, *, settings: ChartSettings) -> Charted:
    return _drawn("mean", points, settings)


def spread(points: pl.DataFrame, *, settings: ChartSettings) -> Charted:
    return _drawn("spread", points, settings)


def value_range(points: pl.DataFrame, *, settings: ChartSettings) -> Charted:
    return _drawn("range", points, settings)


def repeatability(points: pl.DataFrame, *, settings: ChartSettings) -> Charted:
    return _drawn("repeatability", points, settings)
