"""This module holds what every figure shares: theme, axes, SVG text; it draws no picture."""

import json
import math
from collections.abc import Callable
from datetime import date, timedelta
from functools import cache, wraps
from typing import Any, ParamSpec

import altair as alt
import polars as pl
import vl_convert
from altair.utils.schemapi import debug_mode

from drift.folders import report
from drift.frames import DAYS_PER_YEAR, EPOCH

Drawing = alt.LayerChart | alt.FacetChart
Settings = ParamSpec("Settings")

# Drawn width of one panel, in pixels: with its axis labels it fits the text column of a page.
PANEL_WIDTH = 560

# The converter names the version of Vega-Lite by its first two numbers.
_VEGA_LITE = ".".join(alt.SCHEMA_VERSION.removeprefix("v").split(".")[:2])
_DAYS_BY_MONTH = 900
_MOST_YEARS = 10

# Label of an axis of bias: it carries its sign; zero has none.
SIGNED = "datum.value > 0 ? '+' + datum.label : datum.label"


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


def svg(chart: Drawing) -> str:
    """Return a figure as SVG text, the same for the same figure in any process.

    No mark of a figure may be clipped: a clip path carries an id that depends on what the process
    has drawn before.
    """
    specification = chart.to_dict(validate=False)
    specification["config"] = _config()
    text: str = vl_convert.vegalite_to_svg(
        specification, vl_version=_VEGA_LITE, allowed_base_urls=[]
    )
    return text


def unchecked(draw: Callable[Settings, Drawing]) -> Callable[Settings, Drawing]:
    """Make a drawing function put its chart together without schema checks.

    Altair checks every part of a chart, which doubles the time of a figure; the tests check each
    figure once instead.  For the same reason axes and scales are given as dicts: Altair copies a
    chart at each step, and its own classes hold some eighty empty settings each.
    """

    @wraps(draw)
    def unchecked_draw(*args: Settings.args, **kwargs: Settings.kwargs) -> Drawing:
        with debug_mode(arg=False):
            return draw(*args, **kwargs)

    return unchecked_draw


def on_date(t_years: str) -> pl.Expr:
    """Return the date of a column in years since the epoch."""
    days = (pl.col(t_years) * DAYS_PER_YEAR).round().cast(pl.Int64)
    return pl.lit(EPOCH) + pl.duration(days=days)


def known(value: float | None) -> float | None:
    """Return a finite number, None for all else."""
    return value if value is not None and math.isfinite(value) else None


def values(rows: list[dict[str, object]]) -> alt.InlineData:
    """Return rows as data of a figure.

    They go as JSON text: Altair copies a list of rows at every step of building a chart.
    """
    return alt.InlineData(
        values=json.dumps(rows, allow_nan=False, separators=(",", ":")),
        format=alt.JsonDataFormat(type="json"),
    )


def time_axis(span: tuple[date, date]) -> alt.X:
    """Return the time axis of a figure, a little wider than `span` on both sides."""
    days = (span[1] - span[0]).days
    margin = timedelta(days=max(20, round(days * 0.02)))
    bounds = [
        {"year": on.year, "month": on.month, "date": on.day}
        for on in (span[0] - margin, span[1] + margin)
    ]
    by_month = days < _DAYS_BY_MONTH
    step = 3 if by_month else 1 + round(days / DAYS_PER_YEAR) // _MOST_YEARS
    axis = {
        "format": "%b %Y" if by_month else "%Y",
        "tickCount": {"interval": "month" if by_month else "year", "step": step},
    }
    scale = {"domain": bounds, "nice": False}
    return alt.X(field="on", type="temporal", title=None, scale=scale, axis=axis)


def bias_axis(field: str, *, ends: tuple[float, float]) -> alt.Y:
    """Return an axis of bias from one end to the other, % air."""
    scale = {"domain": list(ends), "nice": False, "zero": False}
    axis = {"tickCount": 3, "labelExpr": SIGNED if ends[0] < 0 else "datum.label"}
    return alt.Y(field=field, type="quantitative", title=None, scale=scale, axis=axis)


def tolerance_strip(tolerance_pct: float) -> list[alt.Chart]:
    """Return the marks of the tolerance: a strip and its two edges."""
    edges: list[dict[str, object]] = [{"edge": -tolerance_pct}, {"edge": tolerance_pct}]
    return [
        alt.Chart(values([{}]))
        .mark_rect(color=colour("strip"))
        .encode(y=alt.YDatum(-tolerance_pct), y2=alt.Y2Datum(tolerance_pct)),
        alt.Chart(values(edges))
        .mark_rule(color=colour("edge"), strokeWidth=1)
        .encode(y=alt.Y("edge:Q")),
    ]
