"""The forecaster: where each meter is, where it is going and when it leaves the tolerance."""

from drift.stats.forecast.model import Settings
from drift.stats.forecast.outputs import Forecasts, forecast

__all__ = ["Forecasts", "Settings", "forecast"]
