"""This package sets the points and limits of control charts, a fleet at once; it plots nothing."""

from drift.stats.charts.ewma import ewma
from drift.stats.charts.individuals import individuals
from drift.stats.charts.moving_range import moving_range
from drift.stats.charts.settings import Charted, ChartSettings

__all__ = ["ChartSettings", "Charted", "ewma", "individuals", "moving_range"]
