"""This module draws marks in one panel for each verification point; it shapes no frame."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby, pairwise

import altair as alt

from drift.figures.drawing import (
    PANEL_WIDTH,
    Drawing,
    bias_axis,
    colour,
    time_axis,
    tolerance_strip,
    values,
)

# Room above and below the marks, as a share of what they span.
_ROOM = 0.07


@dataclass(frozen=True, slots=True)
class Mark:
    """One vertex, dot or bar of a figure.

    Attributes
    ----------
    panel : str
        Heading of the panel it stands in.
    kind : str
        A key of `STYLES`, which gives its geometry and looks.
    on : date
        Where it stands on the time axis.
    y : float or None
        Bias of a vertex or dot, % air; a line is broken where it is None.
    run : int
        Which line of its kind a vertex belongs to.
    low, high : float or None
        Ends of a bar or band, % air; a bar without ends is as high as its panel.
    """

    panel: str
    kind: str
    on: date
    y: float | None = None
    run: int = 0
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Style:
    """How a kind of mark looks; `role` is a colour of the theme."""

    geometry: str
    role: str
    width: float = 1.0
    dash: tuple[int, int] = (1, 0)
    shape: str = "circle"
    size: int = 30
    filled: bool = False


# In the order in which they are drawn, the last on top.
STYLES = {
    "band": Style("band", "edge"),
    "adjusted": Style("bar", "adjusted", width=1.3, dash=(2, 2)),
    "jump": Style("bar", "ink", width=1.3, dash=(9, 4)),
    "expected": Style("bar", "forecast", width=5),
    "lower": Style("line", "quiet", dash=(5, 3)),
    "upper": Style("line", "quiet", dash=(5, 3)),
    "centre": Style("line", "quiet"),
    "fit": Style("line", "ink", width=1.6),
    "link": Style("line", "measured"),
    "dot": Style("dot", "measured", filled=True),
    "left": Style("dot", "left", width=1.6, shape="triangle-up", size=46),
    "middle": Style("dot", "ink", width=1.8, shape="stroke", size=130),
    "signal": Style("dot", "signal", width=1.9, size=170),
}


def draw_panels(
    marks: Sequence[Mark],
    *,
    panels: Sequence[str],
    span: tuple[date, date],
    reach: tuple[float, float],
    height: int,
    tolerance_pct: float | None = None,
) -> Drawing:
    """Draw marks, one panel for each heading, on shared axes.

    Parameters
    ----------
    marks : sequence of Mark
        At least one.
    panels : sequence of str
        Headings in the order of their panels.
    span : (date, date)
        First and last date of the time axis.
    reach : (float, float)
        What the axis of bias covers at least, % air; it grows to hold all marks.
    height : int
        Of one panel, pixels.
    tolerance_pct : float or None
        Largest bias that passes; None to draw no strip.
    """
    ends = _ends(marks, reach)
    on = time_axis(span)
    y = bias_axis("y", ends=ends)
    low, high = alt.Y(field="low", type="quantitative"), alt.Y2(field="high")
    until = alt.X2(field="until")
    hue = alt.Color(field="hue", type="nominal", scale=None)
    width = alt.StrokeWidth(field="width", type="quantitative", scale=None)
    dash = alt.StrokeDash(field="dash", type="nominal", scale=None)
    shape = alt.Shape(field="shape", type="nominal", scale=None)
    size = alt.Size(field="size", type="quantitative", scale=None)
    fill = alt.Fill(field="fill", type="nominal", scale=None)
    chart = alt.Chart()
    drawn = {
        "band": chart.mark_area(color=colour("edge"), opacity=0.3).encode(on, low, high),
        "stroke": chart.mark_rule().encode(on, until, low, high, hue, width, dash),
        "dot": chart.mark_point(opacity=1).encode(on, y, hue, width, shape, size, fill),
    }
    rows = _rows(marks, panels, ends)
    present = {row["geometry"] for row in rows}
    layers = [
        layer.transform_filter(f"datum.geometry === '{geometry}'")
        for geometry, layer in drawn.items()
        if geometry in present
    ]
    strip = [] if tolerance_pct is None else tolerance_strip(tolerance_pct)
    layered = alt.layer(*strip, *layers).properties(width=PANEL_WIDTH, height=height)
    facet = alt.Facet(field="panel", type="nominal", sort=list(panels), title=None)
    return layered.facet(facet=facet, columns=1, data=values(rows))


def _ends(marks: Sequence[Mark], reach: tuple[float, float]) -> tuple[float, float]:
    """Return the ends of the axis of bias: all marks, and a little room but none below zero."""
    found = [
        value for mark in marks for value in (mark.y, mark.low, mark.high) if value is not None
    ]
    low, high = min(*reach, *found), max(*reach, *found)
    room = _ROOM * (high - low)
    return (low - room if low < 0 else 0.0), high + room


def _rows(
    marks: Sequence[Mark], panels: Sequence[str], ends: tuple[float, float]
) -> list[dict[str, object]]:
    """Return what is to be drawn, in order: dots, strokes and the edges of bands.

    Lines are drawn as strokes from one vertex to the next, because a line mark costs the time of
    a small figure for each line it holds.
    """
    layers = {kind: layer for layer, kind in enumerate(STYLES)}
    places = {panel: place for place, panel in enumerate(panels)}
    in_order = sorted(
        marks, key=lambda mark: (layers[mark.kind], places[mark.panel], mark.run, mark.on)
    )
    rows: list[dict[str, object]] = []
    for (kind, panel), group in groupby(in_order, key=lambda mark: (mark.kind, mark.panel)):
        style = STYLES[kind]
        shared: dict[str, object] = {"panel": panel, "hue": colour(style.role)}
        shared |= {"width": style.width}
        if style.geometry == "dot":
            fill = colour(style.role) if style.filled else "transparent"
            shared |= {"shape": style.shape, "size": style.size, "fill": fill}
            drawn: list[dict[str, object]] = [{"on": _day(mark.on), "y": mark.y} for mark in group]
        elif style.geometry == "line":
            shared |= {"dash": style.dash}
            drawn = _strokes(list(group))
        else:
            shared |= {"dash": style.dash}
            drawn = [_bar(mark, ends) for mark in group]
        geometry = "stroke" if style.geometry in {"line", "bar"} else style.geometry
        rows += [shared | {"geometry": geometry} | row for row in drawn]
    return rows


def _bar(mark: Mark, ends: tuple[float, float]) -> dict[str, object]:
    """Return a bar, as high as the panel where it has no ends of its own."""
    low = ends[0] if mark.low is None else mark.low
    high = ends[1] if mark.high is None else mark.high
    return {"on": _day(mark.on), "until": _day(mark.on), "low": low, "high": high}


def _strokes(vertices: list[Mark]) -> list[dict[str, object]]:
    """Return the strokes between known neighbours of a run; a level stretch is one stroke."""
    strokes: list[dict[str, object]] = []
    for here, there in pairwise(vertices):
        if here.run != there.run or here.y is None or there.y is None:
            continue
        stroke: dict[str, object] = {
            "on": _day(here.on),
            "until": _day(there.on),
            "low": here.y,
            "high": there.y,
        }
        before = strokes[-1] if strokes else {}
        level = here.y == there.y == before.get("low") == before.get("high")
        if level and before["until"] == stroke["on"]:
            before["until"] = stroke["until"]
        else:
            strokes.append(stroke)
    return strokes


def _day(on: date) -> str:
    """Return a date as a figure reads it: midnight of the reader's own day."""
    return f"{on.isoformat()}T00:00:00"
