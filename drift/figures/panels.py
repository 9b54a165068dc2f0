"""This module draws marks in one panel for each verification point; it shapes no frame."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

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
    hue = alt.Color(field="hue", type="nominal", scale=None)
    width = alt.StrokeWidth(field="width", type="quantitative", scale=None)
    dash = alt.StrokeDash(field="dash", type="nominal", scale=None)
    run = alt.Detail(field="run", type="nominal")
    shape = alt.Shape(field="shape", type="nominal", scale=None)
    size = alt.Size(field="size", type="quantitative", scale=None)
    fill = alt.Fill(field="fill", type="nominal", scale=None)
    chart = alt.Chart()
    drawn = {
        "band": chart.mark_area(color=colour("edge"), opacity=0.3).encode(on, low, high),
        "bar": chart.mark_rule().encode(on, low, high, hue, width, dash),
        "line": chart.mark_line().encode(on, y, hue, width, dash, run),
        "dot": chart.mark_point(opacity=1).encode(on, y, hue, width, shape, size, fill),
    }
    present = {STYLES[mark.kind].geometry for mark in marks}
    layers = [
        layer.transform_filter(f"datum.geometry === '{geometry}'")
        for geometry, layer in drawn.items()
        if geometry in present
    ]
    strip = [] if tolerance_pct is None else tolerance_strip(tolerance_pct)
    layered = alt.layer(*strip, *layers).properties(width=PANEL_WIDTH, height=height)
    facet = alt.Facet(field="panel", type="nominal", sort=list(panels), title=None)
    return layered.facet(facet=facet, columns=1, data=values(_rows(marks, panels, ends)))


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
    """Return marks with their looks, in the order in which they are to be drawn."""
    layers = {kind: layer for layer, kind in enumerate(STYLES)}
    places = {panel: place for place, panel in enumerate(panels)}
    in_order = sorted(
        marks, key=lambda mark: (places[mark.panel], layers[mark.kind], mark.run, mark.on)
    )
    rows: list[dict[str, object]] = []
    for mark in in_order:
        style = STYLES[mark.kind]
        row: dict[str, object] = {
            "panel": mark.panel,
            "geometry": style.geometry,
            "on": f"{mark.on.isoformat()}T00:00:00",
            "hue": colour(style.role),
            "width": style.width,
        }
        if style.geometry == "dot":
            fill = colour(style.role) if style.filled else "transparent"
            row |= {"y": mark.y, "shape": style.shape, "size": style.size, "fill": fill}
        elif style.geometry == "line":
            row |= {"y": mark.y, "run": f"{mark.kind} {mark.run}", "dash": style.dash}
        else:
            low = ends[0] if mark.low is None else mark.low
            high = ends[1] if mark.high is None else mark.high
            row |= {"low": low, "high": high, "dash": style.dash}
        rows.append(row)
    return rows
