"""This package sets the points and limits of control charts, a fleet at once; it plots nothing."""

from drift.stats.charts.cusum import ONSETS, cusum, find_onsets
from drift.stats.charts.ewma import ewma
from drift.stats.charts.family import MARKS, REPLICATES, SINGLE_POINTS, Family, draw_family
from drift.stats.charts.individuals import individuals
from drift.stats.charts.mark import mark
from drift.stats.charts.mean import mean
from drift.stats.charts.moving_range import moving_range
from drift.stats.charts.scatter_charts import repeatability, spread, value_range
from drift.stats.charts.settings import Charted, ChartSettings

__all__ = [
    "MARKS",
    "ONSETS",
    "REPLICATES",
    "SINGLE_POINTS",
    "ChartSettings",
    "Charted",
    "Family",
    "cusum",
    "draw_family",
    "ewma",
    "find_onsets",
    "individuals",
    "mark",
    "mean",
    "moving_range",
    "repeatability",
    "spread",
    "value_range",
]
