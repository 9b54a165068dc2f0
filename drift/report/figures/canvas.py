"""This module turns rows of marks into one picture, and lays values along its axes."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt

from drift.frames import Row

# The size of a symbol of Vega at which a path drawn by pixels keeps them.
_AS_DRAWN = 4
# Names of the layers, the last on top.
LAYERS = ("under", "dots")


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
