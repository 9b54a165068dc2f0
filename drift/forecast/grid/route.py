"""This module lays out the visits of a block of lives for a walk of the filter.

All that does not depend on what the filter finds on its way is worked out once for all visits, and
each series may move by hyper-parameters of its own: trials of several for the same lives are one
walk, which takes little longer than one of them where lives are few.
"""

from dataclasses import dataclass

import numpy as np

from drift.arrays import Flags, Floats, Integers
from drift.forecast.grid.model import Grid, HyperParameters
from drift.forecast.grid.reading_likelihood import Groups, group_readings
from drift.forecast.grid.visits import Visits

SeriesRows = Integers | slice


@dataclass(frozen=True, slots=True)
class Ways:
    """How the levels of a block of series move; arrays of shape (series,).

    Attributes
    ----------
    wander, shock_rate, shock_size, reset_sd, start_sd : array
        As in `drift.forecast.grid.model.HyperParameters`, of each series.
    place : array
        Position of each series' hyper-parameters among those that the filter's tables were made of.
    """

    wander: Floats
    shock_rate: Floats
    shock_size: Floats
    reset_sd: Floats
    start_sd: Floats
    place: Integers

    def of(self, rows: SeriesRows) -> "Ways":
        """Return those of some series."""
        return Ways(
            wander=self.wander[rows],
            shock_rate=self.shock_rate[rows],
            shock_size=self.shock_size[rows],
            reset_sd=self.reset_sd[rows],
            start_sd=self.start_sd[rows],
            place=self.place[rows],
        )


def ways_of(hypers: tuple[HyperParameters, ...], place: Integers) -> Ways:
    """Return how series move whose hyper-parameters stand at `place` among `hypers`."""
    return Ways(
        wander=np.array([hyper.wander for hyper in hypers])[place],
        shock_rate=np.array([hyper.shock_rate for hyper in hypers])[place],
        shock_size=np.array([hyper.shock_size for hyper in hypers])[place],
        reset_sd=np.array([hyper.reset_sd for hyper in hypers])[place],
        start_sd=np.array([hyper.start_sd for hyper in hypers])[place],
        place=place,
    )


@dataclass(frozen=True, slots=True)
class Route:
    """The visits of a block of lives; arrays of shape (series, visits).

    Attributes
    ----------
    found, left : Groups
        Readings as found and as left.
    origin : array
        Window about the readings as found, in whole steps.
    left_mean : array
        Mean reading as left, % air, NaN for none.
    read : array of bool
        There are readings as found.
    years, reset, mixed, off, odds, jump, jump_sd, later, later_sd, jolt : array
        As in `drift.forecast.grid.visits.Visits`.
    """

    found: Groups
    left: Groups
    origin: Integers
    left_mean: Floats
    read: Flags
    years: Floats
    reset: Flags
    mixed: Flags
    off: Floats
    odds: Floats
    jump: Floats
    jump_sd: Floats
    later: Floats
    later_sd: Floats
    jolt: Flags


def plan_route(visits: Visits, lives: Integers, *, grid: Grid, table_rows: Integers) -> Route:
    """Lay out the visits of `lives`.

    Parameters
    ----------
    visits : Visits
        The fleet.
    lives : array, shape (series,)
        Positions in it.
    grid : Grid
        Of the filter.
    table_rows : array, shape (series,)
        First row of each series in the filter's table of readings.
    """
    kind = visits.kind[lives]
    found, left = visits.found[lives], visits.left[lives]
    groups = [group_readings(each, kind, visits.resolutions) for each in (found, left)]
    shifted = [Groups(each.middle, each.row + table_rows[:, None, None]) for each in groups]
    mean = mean_reading(found)
    return Route(
        found=shifted[0],
        left=shifted[1],
        origin=window_about(np.nan_to_num(mean), grid),
        left_mean=mean_reading(left),
        read=~np.isnan(mean),
        years=visits.years[lives],
        reset=visits.reset[lives],
        mixed=visits.mixed[lives],
        off=visits.off[lives],
        odds=visits.odds[lives],
        jump=visits.jump[lives],
        jump_sd=visits.jump_sd[lives],
        later=visits.later[lives],
        later_sd=visits.later_sd[lives],
        jolt=visits.jolt[lives],
    )


def mean_reading(readings: Floats) -> Floats:
    """Return the mean of readings along the last axis, NaN where there are none."""
    there = ~np.isnan(readings)
    number = there.sum(axis=-1)
    # Readings stand in order of size and none follows a missing one: no sum depends on padding.
    total = np.zeros(number.shape)
    for replicate in range(readings.shape[-1]):
        total += np.where(there[..., replicate], readings[..., replicate], 0.0)
    mean: Floats = np.where(number > 0, total / np.maximum(number, 1), np.nan)
    return mean


def window_about(middle: Floats, grid: Grid) -> Integers:
    """Return the origin of windows about levels `middle`, % air, in whole steps."""
    origin: Integers = np.rint(middle / grid.step).astype(np.int64) - grid.cells // 2
    return origin
