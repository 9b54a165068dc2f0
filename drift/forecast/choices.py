"""This module holds what a laboratory may choose of how far and how surely forecasts look."""

from dataclasses import dataclass


@dataclass(frozen=True)
class ForecastChoices:
    """What a laboratory may choose of how far and how surely forecasts look.

    Attributes
    ----------
    horizon_days : int
        How far ahead a crossing date is looked for.
    band_level : float
        Coverage of the bands of forecasts and crossing dates.
    believable_level : float
        Coverage of the bands in which a fresh reading at the bench is believable.
    """

    horizon_days: int = 1826
    band_level: float = 0.8
    believable_level: float = 0.99
