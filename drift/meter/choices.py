"""This module holds what a laboratory may choose of what readings of a meter are taken to be."""

from dataclasses import dataclass


@dataclass(frozen=True)
class ReadingChoices:
    """What a laboratory may choose of what readings of a meter are taken to be.

    Attributes
    ----------
    points_pct : tuple of float
        Nominal verification points, % air; a reading belongs to the nearest one within
        `point_window_pct`, else to its correct air content rounded to 1 %.
    point_window_pct : float
        How far the correct air content may lie from a nominal point, % air.
    resolution_pct : float
        Step a dial is read to where neither the reading nor the meter says so and the readings
        themselves do not show a finer one, % air.
    """

    points_pct: tuple[float, ...] = (0.0, 5.0, 10.0)
    point_window_pct: float = 1.0
    resolution_pct: float = 0.1
