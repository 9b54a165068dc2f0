"""This package sets the points and limits of control charts, a fleet at once; it plots nothing."""

from drift.stats.charts.cusum import ONSETS
from drift.stats.charts.family import MARKS, REPLICATES, SINGLE_POINTS, Family, draw_family
from drift.stats.charts.mark import mark
from drift.stats.charts.settings import Charted, ChartSettings

__all__ = [
    "MARKS",
    "ONSETS",
    "REPLICATES",
    "SINGLE_POINTS",
    "ChartSettings",
    "Charted",
    "Family",
    "draw_family",
    "mark",
]
