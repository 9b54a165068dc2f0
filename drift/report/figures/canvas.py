"""This module turns rows of marks into one picture, and lays dates and biases along its axes."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import altair as alt

from drift import format as text
from drift.frames import DAYS_PER_YEAR, Row

# The size of a symbol of Vega at which a path drawn by pixels keeps them.
_AS_DRAWN = 4
# Names of the layers, the last on top.
LAYERS = ("under", "dots")

_DAYS_BY_MONTH = 900
_MONTHS_APART = 3
# Below so many days every month is labelled; from so many on there are 20 days beside a span.
_DAYS_BY_EACH_MONTH = 200
_MARGIN = 20
_MOST_YEARS = 10


@dataclass(frozen=True, slots=True)
class Word:
    """Text on a picture: where it begins, has its middle or ends, and the middle of its height."""

    x: float
    y: float
    text: str
    hue: str
    size: int = 11
    align: str = "start"
    bold: bool = False


@dataclass(frozen=True, slots=True)
class Picture:
    """A figure as rows of the layers of a canvas and words, in pixels from its upper left corner.

    Attributes
    ----------
    width, height : int
        Of the canvas.
    under : tuple of dict
        Rows of `path` and dots that nobody asks about, the last on top.
    dots : tuple of dict
        Rows of `dot` that say what they stand for.
    words : tuple of Word
        Labels and headings.
    """

    width: int
    height: int
    under: tuple[Row, ...]
    dots: tuple[Row, ...]
    words: tuple[Word, ...]

    def rows(self) -> list[dict[str, Any]]:
        """Return the rows of each layer as Vega reads them, by the layer's name."""
        layers = zip(LAYERS, (self.under, self.dots), strict=True)
        return [{"name": name, "values": values} for name, values in layers]

    def to_dict(self, *, validate: bool = True) -> dict[str, Any]:
        """Return the figure as Altair writes a chart, checked against the schema or not."""
        data = [alt.InlineData(**layer) for layer in self.rows()]
        chart = blank(*data).properties(width=self.width, height=self.height)
        specification: dict[str, Any] = chart.to_dict(validate=validate)
        return specification


def path(
    points: Sequence[tuple[float, float]],
    *,
    stroke: str | None = None,
    fill: str | None = None,
    width: float = 1.0,
    dash: Sequence[float] | None = None,
    opacity: float = 1.0,
) -> Row:
    """Return a line through points, or the area that it goes round where `fill` is given."""
    drawn = "L".join(f"{pixel(x)},{pixel(y)}" for x, y in points)
    return {
        "x": 0,
        "y": 0,
        "shape": f"M{drawn}{'Z' if fill else ''}",
        "size": _AS_DRAWN,
        "stroke": stroke,
        "fill": fill,
        "width": width,
        "dash": list(dash) if dash else None,
        "opacity": opacity,
    }


def dot(
    x: float,
    y: float,
    *,
    stroke: str,
    shape: str = "circle",
    size: int = 30,
    fill: str | None = None,
    width: float = 1.0,
    says: str = "",
) -> Row:
    """Return a symbol; `says` is what it stands for."""
    return {
        "x": pixel(x),
        "y": pixel(y),
        "shape": shape,
        "size": size,
        "stroke": stroke,
        "fill": fill,
        "width": width,
        "dash": None,
        "opacity": 1,
        "says": says,
    }


def word(
    x: float,
    y: float,
    text: str,
    *,
    hue: str,
    size: int = 11,
    align: str = "start",
    bold: bool = False,
) -> Word:
    """Return text that starts, has its middle or ends (`align`) at a place."""
    return Word(pixel(x), pixel(y), text, hue, size, align, bold)


def pixel(value: float) -> float:
    """Return a place on a canvas, to a tenth of a pixel; a whole one without its decimal."""
    rounded = round(float(value), 1)
    return int(rounded) if rounded.is_integer() else rounded


def blank(under: alt.Data, dots: alt.Data) -> alt.LayerChart | alt.FacetChart:
    """Return the chart that every picture is: paths, and dots that can be spoken of."""
    marks = {
        "x": alt.X(field="x", type="quantitative", scale=None, axis=None),
        "y": alt.Y(field="y", type="quantitative", scale=None, axis=None),
        "shape": alt.Shape(field="shape", type="nominal", scale=None),
        "size": alt.Size(field="size", type="quantitative", scale=None),
        "stroke": alt.Stroke(field="stroke", type="nominal", scale=None),
        "fill": alt.Fill(field="fill", type="nominal", scale=None),
        "strokeWidth": alt.StrokeWidth(field="width", type="quantitative", scale=None),
        "strokeDash": alt.StrokeDash(field="dash", type="nominal", scale=None),
        "opacity": alt.Opacity(field="opacity", type="quantitative", scale=None),
    }
    spoken = alt.Description(field="says", type="nominal")
    return alt.layer(
        alt.Chart(under).mark_point(aria=False).encode(**marks),
        alt.Chart(dots).mark_point(aria=True).encode(**marks, description=spoken),
        autosize="none",
    )


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
