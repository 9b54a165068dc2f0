"""This module holds what every figure shares: theme, time axis, SVG text; it draws no picture."""

import json
from datetime import date, timedelta
from functools import cache
from typing import Any

import altair as alt
import polars as pl
import vl_convert

from drift.folders import report
from drift.frames import DAYS_PER_YEAR, EPOCH

# Drawn width of one panel, in pixels: with its axis labels it fits the text column of a page.
PANEL_WIDTH = 560
PANEL_HEIGHT = 112

# The converter names the version of Vega-Lite by its first two numbers.
_VEGA_LITE = ".".join(alt.SCHEMA_VERSION.removeprefix("v").split(".")[:2])


@cache
def theme() -> dict[str, Any]:
    """Return ``reports/theme.json``."""
    content: dict[str, Any] = json.loads(report("theme.json"))
    return content


def colour(role: str) -> str:
    """Return the light hue of a role such as ``measured``; pages exchange it in the dark."""
    return str(theme()["light"][role])


@cache
def _config() -> dict[str, Any]:
    """Return the configuration of every figure, roles replaced by their hues."""

    def resolved(value: Any) -> Any:  # noqa: ANN401 - JSON holds anything
        if isinstance(value, dict):
            return {key: resolved(item) for key, item in value.items()}
        is_role = isinstance(value, str) and value.startswith("@")
        return colour(value[1:]) if is_role else value

    config: dict[str, Any] = resolved(theme()["config"])
    return config


def svg(chart: alt.LayerChart | alt.FacetChart | alt.VConcatChart | alt.HConcatChart) -> str:
    """Return a figure as SVG text, the same for the same figure in any process.

    No mark of a figure may be clipped: a clip path carries an id that depends on what the process
    has drawn before.
    """
    # The schema check doubles the time of a figure; the tests make it once for each.
    specification = chart.to_dict(validate=False)
    specification["config"] = _config()
    text: str = vl_convert.vegalite_to_svg(
        specification, vl_version=_VEGA_LITE, allowed_base_urls=[]
    )
    return text


def on_date(t_years: str) -> pl.Expr:
    """Return the date of a column in years since the epoch, for drawing."""
    days = (pl.col(t_years) * DAYS_PER_YEAR).round().cast(pl.Int64)
    return pl.lit(EPOCH) + pl.duration(days=days)


def values(frame: pl.DataFrame) -> alt.InlineData:
    """Return the rows of `frame` as data of a figure; nan becomes null, dates become ISO text."""
    clean = frame.with_columns(
        pl.selectors.float().fill_nan(None), pl.selectors.date().dt.to_string("%Y-%m-%dT00:00:00")
    )
    return alt.InlineData(values=clean.to_dicts())


def once() -> alt.InlineData:
    """Return data of one empty row, for marks that stand once in every panel."""
    return alt.InlineData(values=[{}])


def time_axis(span: tuple[date, date]) -> alt.X:
    """Return the time axis of a figure, a little wider than `span` on both sides."""
    margin = timedelta(days=max(20, round((span[1] - span[0]).days * 0.02)))
    bounds = [
        alt.DateTime(year=on.year, month=on.month, date=on.day)
        for on in (span[0] - margin, span[1] + margin)
    ]
    scale = alt.Scale(domain=bounds, nice=False)
    return alt.X("on:T", title=None, scale=scale, axis=alt.Axis(tickCount=8, labelFlush=False))


def reach_of(frame: pl.DataFrame, *, at_least: float) -> float:
    """Return how far an axis of bias must reach for all of `frame` and a little room beyond."""
    largest = frame.select(pl.all().fill_nan(None).abs()).max_horizontal().max()
    return 1.12 * max(at_least, largest if isinstance(largest, float) else 0.0)


def bias_axis(field: str, *, reach: float, floor: float | None = None) -> alt.Y:
    """Return an axis from `floor`, or −`reach` where there is none, to `reach`."""
    scale = alt.Scale(domain=[-reach if floor is None else floor, reach], nice=False, zero=False)
    axis = alt.Axis(format="+.2~f" if floor is None or floor < 0 else ".2~f", tickCount=5)
    return alt.Y(f"{field}:Q", title=None, scale=scale, axis=axis)


def tolerance_strip(tolerance_pct: float) -> list[alt.Chart]:
    """Return the marks of the tolerance: a strip, its two edges and the line of no bias."""
    base = alt.Chart(once())
    edge = base.mark_rule(color=colour("edge"), strokeWidth=1)
    return [
        base.mark_rect(color=colour("strip")).encode(
            y=alt.YDatum(-tolerance_pct), y2=alt.Y2Datum(tolerance_pct)
        ),
        edge.encode(y=alt.YDatum(tolerance_pct)),
        edge.encode(y=alt.YDatum(-tolerance_pct)),
        base.mark_rule(color=colour("hairline"), strokeWidth=1).encode(y=alt.YDatum(0)),
    ]


def panels(
    layers: list[alt.Chart], *, frame: pl.DataFrame, width: int, height: int
) -> alt.FacetChart:
    """Return `layers` once for each value of the column ``panel``, in order of its rows.

    All panels share both axes, so that points can be compared by eye.
    """
    order = frame["panel"].unique(maintain_order=True).to_list()
    facet = alt.Facet("panel:N", sort=order, title=None)
    layered = alt.layer(*layers).properties(width=width, height=height)
    return layered.facet(facet=facet, columns=1, data=values(frame))
