"""This module holds what a laboratory may choose of when a drift or a jump is shown."""

from dataclasses import dataclass


@dataclass(frozen=True)
class TrendChoices:
    """What a laboratory may choose of when a drift or a jump is shown.

    Attributes
    ----------
    trend_level : float
        Two-sided error probability of intervals on drift and of the trend tests.
    trend_visits : int
        Fewest drift steps and so visits from which a trend is tested, at least 3.
    false_discovery_rate : float
        Share of false findings accepted among meters said to drift.
    negligible_drift_pct_per_year : float
        Drift that does not matter, % air a year: a meter is shown steady when its drift is shown
        to be below this.
    """

    trend_level: float = 0.05
    trend_visits: int = 6
    false_discovery_rate: float = 0.05
    negligible_drift_pct_per_year: float = 0.02
