"""This module draws rows of marks in one panel for each verification point; it shapes no data.

A figure of one meter is a frame of *mark rows*, one for each vertex, dot or bar::

    panel   heading of the panel
    kind    a key of `STYLES`, which gives its geometry and looks
    run     what a line connects; null elsewhere
    on      date
    y       bias, % air: vertices and dots
    low     lower and upper end: bars and bands
    high
"""

from dataclasses import dataclass
from datetime import date

import altair as alt
import polars as pl

from drift.figures.drawing import (
    PANEL_WIDTH,
    Drawing,
    bias_axis,
    colour,
    time_axis,
    tolerance_strip,
    values,
)

MARK_ROWS = {
    "panel": pl.String,
    "kind": pl.String,
    "run": pl.String,
    "on": pl.Date,
    "y": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
}


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


STYLES = {
    "band": Style("band", "edge"),
    "adjusted": Style("bar", "adjusted", width=1.3, dash=(2, 2)),
    "expected": Style("bar", "forecast", width=5),
    "lower": Style("line", "quiet", dash=(5, 3)),
    "upper": Style("line", "quiet", dash=(5, 3)),
    "centre": Style("line", "quiet"),
    "fit": Style("line", "ink", width=1.6),
    "link": Style("line", "measured"),
    "dot": Style("dot", "measured", size=30, filled=True),
    "left": Style("dot", "left", width=1.6, shape="triangle-up", size=46),
    "middle": Style("dot", "ink", width=1.8, shape="stroke", size=130),
    "signal": Style("dot", "signal", width=1.9, size=170),
}


def draw_panels(
    rows: pl.DataFrame,
    *,
    span: tuple[date, date],
    reach: float,
    height: int,
    floor: float | None = None,
    tolerance_pct: float | None = None,
) -> Drawing:
    """Draw mark rows, one panel for each heading in order of the rows, on shared axes.

    Parameters
    ----------
    rows : pl.DataFrame
        Mark rows, at least one.
    span : (date, date)
        First and last date of the time axis.
    reach : float
        Upper end of the axis of bias, % air; its lower end is `floor`, or −`reach`.
    height : int
        Of one panel, pixels.
    floor : float or None
        Lower end of the axis, where it is not symmetric.
    tolerance_pct : float or None
        Largest bias that passes; None to draw no strip.
    """
    on = time_axis(span)
    y = bias_axis("y", reach=reach, floor=floor)
    ends = alt.Y(field="low", type="quantitative"), alt.Y2(field="high")
    hue = alt.Color(field="hue", type="nominal", scale=None)
    width = alt.StrokeWidth(field="width", type="quantitative", scale=None)
    dash = alt.StrokeDash(field="dash", type="nominal", scale=None)
    run = alt.Detail(field="run", type="nominal")
    fill = alt.Fill(field="fill", type="nominal", scale=None)
    band = alt.Chart().mark_area(color=colour("edge"), opacity=0.3)
    dot = alt.Chart().mark_point(opacity=1)
    shape = alt.Shape(field="shape", type="nominal", scale=None)
    size = alt.Size(field="size", type="quantitative", scale=None)
    present = {STYLES[kind].geometry for kind in rows["kind"].unique()}
    drawn = {
        "band": band.encode(on, *ends),
        "bar": alt.Chart().mark_rule().encode(on, *ends, hue, width, dash),
        "line": alt.Chart().mark_line().encode(on, y, hue, width, dash, run),
        "dot": dot.encode(on, y, hue, width, shape, size, fill),
    }
    strip = [] if tolerance_pct is None else tolerance_strip(tolerance_pct)
    marks = [
        chart.transform_filter(f"datum.geometry === '{geometry}'")
        for geometry, chart in drawn.items()
        if geometry in present
    ]
    layered = alt.layer(*strip, *marks).properties(width=PANEL_WIDTH, height=height)
    order = rows["panel"].unique(maintain_order=True).to_list()
    facet = alt.Facet(field="panel", type="nominal", sort=order, title=None)
    return layered.facet(facet=facet, columns=1, data=values(_styled(rows)))


def _styled(rows: pl.DataFrame) -> pl.DataFrame:
    """Return mark rows with their looks, in the order in which they are to be drawn."""
    looks = pl.DataFrame(
        [
            {
                "kind": kind,
                "layer": layer,
                "geometry": style.geometry,
                "hue": colour(style.role),
                "fill": colour(style.role) if style.filled else "transparent",
                "width": style.width,
                "dash": list(style.dash),
                "shape": style.shape,
                "size": style.size,
            }
            for layer, (kind, style) in enumerate(STYLES.items())
        ]
    )
    order = rows.select("panel").unique(maintain_order=True).with_row_index("place")
    return (
        rows.join(looks, on="kind", how="left", maintain_order="left")
        .join(order, on="panel", how="left", maintain_order="left")
        .sort("place", "layer", "run", "on", maintain_order=True)
        .drop("place", "layer", "kind")
    )
