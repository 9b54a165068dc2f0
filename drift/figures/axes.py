"""This module says where dates, biases and their labels lie on a canvas; it paints nothing."""

import math
from dataclasses import dataclass
from datetime import date, timedelta

from drift import format as text
from drift.frames import DAYS_PER_YEAR

_DAYS_BY_MONTH = 900
_MONTHS_APART = 3
# Below so many days every month is labelled; from so many on there are 20 days beside a span.
_DAYS_BY_EACH_MONTH = 200
_MARGIN = 20
_MOST_YEARS = 10


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight line from values to pixels.

    Attributes
    ----------
    first, last : float
        Values at its ends; they differ.
    start, end : float
        Where these lie, in pixels.
    """

    first: float
    last: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Return where a value lies, in pixels."""
        along = (value - self.first) / (self.last - self.first)
        return self.start + along * (self.end - self.start)


@dataclass(frozen=True, slots=True)
class Dates:
    """The time axis of a figure: a little wider than its span on both sides.

    Attributes
    ----------
    first, last : date
        Its ends.
    scale : Scale
        From ordinal days to pixels.
    """

    first: date
    last: date
    scale: Scale

    def at(self, on: date) -> float:
        """Return where a day lies, in pixels."""
        return self.scale.at(on.toordinal())

    def ticks(self) -> list[tuple[float, str]]:
        """Return where the axis is labelled, and how: years, or quarters where it is short."""
        span = (self.last - self.first).days
        if span < _DAYS_BY_MONTH:
            apart = _MONTHS_APART if span >= _DAYS_BY_EACH_MONTH else 1
            months = range(self.first.year * 12, self.last.year * 12 + 12, apart)
            days = [date(month // 12, month % 12 + 1, 1) for month in months]
            return [(self.at(on), text.month(on)) for on in days if self.first <= on <= self.last]
        step = 1 + round(span / DAYS_PER_YEAR) // _MOST_YEARS
        years = range(self.first.year + 1, self.last.year + 1)
        return [(self.at(date(year, 1, 1)), str(year)) for year in years if year % step == 0]


def dates(span: tuple[date, date], *, start: float, end: float) -> Dates:
    """Return the time axis for a span of days, drawn from `start` to `end` pixels."""
    days = (span[1] - span[0]).days
    # A span of a quarter or so would drown in the margin of a single visit.
    least = _MARGIN if days < _MARGIN else min(_MARGIN, max(4, days // 15))
    margin = timedelta(days=max(least, round(days * 0.02)))
    first, last = span[0] - margin, span[1] + margin
    return Dates(first, last, Scale(first.toordinal(), last.toordinal(), start, end))


def bias_ticks(ends: tuple[float, float], *, most: int) -> list[tuple[float, str]]:
    """Return round values of an axis of bias with their labels, which carry a sign.

    Parameters
    ----------
    ends : (float, float)
        Least and largest value of the axis, % air; a sign stands where the least is below zero.
    most : int
        How many there may be; steps are 1, 2 or 5 times a power of ten.
    """
    low, high = ends
    rough = (high - low) / most
    power = math.floor(math.log10(rough))
    step, places = next(
        (factor * 10.0**exponent, max(0, -exponent))
        for exponent in (power, power + 1)
        for factor in (1, 2, 5)
        if factor * 10.0**exponent >= rough
    )
    within = range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)
    return [
        (count * step, text.fixed(count * step, places=places, signed=low < 0)) for count in within
    ]
