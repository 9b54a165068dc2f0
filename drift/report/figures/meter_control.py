"""This module describes the control charts of one meter: each in full, and all in a line each."""

from collections.abc import Mapping

import altair as alt

from drift.report.figures.meter_history import MOST_PANELS
from drift.report.figures.theme import Chart, hue
from drift.report.figures.time_axis import span_of_time, time_axis

# Heights of a panel and of a line, in pixels.
_PANEL, LINE = 104, 34
_TONE = f"datum.beyond ? '{hue('stop')}' : '{hue('calm')}'"
_LIMITS = (("upper", [5, 3]), ("lower", [5, 3]), ("centre", [1, 0]))
# How far a line reaches, in distances from centre to limit.
_REACH = 2.6

CONTROL_DATA = {
    "points": ("panel", "name"),
    "dots": ("panel", "on", "value", "beyond", "phase", "point", "lower", "centre", "upper"),
    "limits": ("panel", "label", "at"),
    "runs": ("panel", "first", "last"),
}
LINES_DATA = {
    "lines": ("row", "on", "height", "beyond", "value"),
    "limits": ("row", "first", "last", "height"),
    "runs": ("row", "first", "last"),
}


def meter_control() -> Chart:
    """Return one control chart in full: a panel a point, with its limits and runs beyond them.

    Parameter ``panels`` says how many points there are; other panels take no room.
    """
    panels = [_panel(place).properties(height=_PANEL + place) for place in range(MOST_PANELS)]
    heights = [
        alt.param(name=f"height_{place}", expr=f"panels > {place} ? {_PANEL} : 0")
        for place in range(MOST_PANELS)
    ]
    views = [f"dots_{place}" for place in range(MOST_PANELS)]
    chart: alt.VConcatChart = (
        alt.vconcat(*panels, spacing=14, params=[span_of_time(*views)])
        .resolve_scale(x="shared")
        .add_params(alt.param(name="panels", value=MOST_PANELS), *heights)
    )
    return chart


def control_heights(params: Mapping[str, float]) -> dict[int, float]:
    """Return how high each panel of `meter_control` is."""
    return {place: _PANEL if params["panels"] > place else 0 for place in range(MOST_PANELS)}


def _panel(place: int) -> Chart:
    """Return the panel of one point."""

    def rows(name: str) -> alt.Chart:
        return alt.Chart(alt.NamedData(name)).transform_filter(f"datum.panel == {place}")

    def x(field: str) -> alt.X:
        return time_axis(field, labels=place == MOST_PANELS - 1, beside=6)

    def y(field: str) -> alt.Y:
        axis = alt.Axis(
            title=None,
            grid=False,
            tickCount=4,
            labelExpr="datum.value == 0 ? '0' : format(datum.value, '+.3~f')",
            labelOpacity=alt.ExprRef(f"height_{place} > 0 ? 1 : 0"),
        )
        return alt.Y(
            field, type="quantitative", axis=axis, scale=alt.Scale(zero=False, nice=True, padding=8)
        )

    dots = rows("dots")
    return alt.layer(
        rows("runs").mark_rect(color=hue("stop"), opacity=0.12).encode(x=x("first"), x2="last"),
        *(
            # In force from its visit to the next: limits of a single visit are no orphan dash.
            dots.mark_line(
                interpolate="step-after", strokeWidth=1, color=hue("quiet"), strokeDash=dash
            )
            .transform_filter(f"isValid(datum.{column})")
            .encode(x=x("on"), y=y(column))
            for column, dash in _LIMITS
        ),
        dots.mark_line(color=hue("calm"), strokeWidth=1.2).encode(
            x=x("on"), y=y("value"), detail="phase:N"
        ),
        _dots(dots.encode(x=x("on"), y=y("value"))),
        rows("limits")
        .mark_text(clip=False, align="left", dx=6)
        .encode(x=alt.value("width"), y=y("at"), text="label:N"),
        rows("points")
        .mark_text(
            clip=False, align="left", dx=2, dy=-7, fontWeight="bold", fontSize=12, color=hue("ink")
        )
        .encode(x=alt.value(0), y=alt.value(0), text="name:N"),
    )


def _dots(dots: alt.Chart) -> alt.Chart:
    """Return the dots that a reader asks; a diamond lies beyond its limits."""
    told: alt.Chart = (
        dots.mark_point(filled=True, opacity=1)
        .encode(
            shape=alt.condition("datum.beyond", alt.value("diamond"), alt.value("circle")),
            size=alt.condition("datum.beyond", alt.value(60), alt.value(26)),
            color=alt.value(alt.ExprRef(_TONE)),
            tooltip=[
                alt.Tooltip("on:T", title="visit", format="%-d %b %Y"),
                alt.Tooltip("point:N", title="at"),
                alt.Tooltip("value:Q", title="plotted", format="+.4f"),
                alt.Tooltip("lower:Q", title="lower limit", format="+.4f"),
                alt.Tooltip("upper:Q", title="upper limit", format="+.4f"),
            ],
        )
        .properties(name="dots")
    )
    return told


def meter_lines() -> Chart:
    """Return all charts in a line each, every one in the distance from its centre to its limit.

    So the limits of all lines stand at 1 and −1 of their row, and a dot beyond them is a diamond.
    """
    row = alt.Y("row:O", axis=None, scale=alt.Scale(padding=0))
    along = alt.YOffset(
        "height:Q", scale=alt.Scale(domain=[-_REACH, _REACH], range=[LINE - 2, 2], nice=False)
    )

    def x(field: str) -> alt.X:
        return time_axis(field, labels=True, beside=6)

    rows = alt.Chart(alt.NamedData("lines"))
    return alt.layer(
        alt.Chart(alt.NamedData("runs"))
        .mark_bar(color=hue("stop"), opacity=0.14, height=LINE - 6)
        .encode(x=x("first"), x2="last", y=row),
        alt.Chart(alt.NamedData("limits"))
        .mark_rule(color=hue("quiet"), strokeDash=[4, 3])
        .encode(x=x("first"), x2="last", y=row, yOffset=along),
        rows.mark_line(color=hue("calm"), strokeWidth=1.1).encode(
            x=x("on"), y=row, yOffset=along, detail="row:N"
        ),
        rows.mark_point(filled=True, opacity=1)
        .encode(
            x=x("on"),
            y=row,
            yOffset=along,
            shape=alt.condition("datum.beyond", alt.value("diamond"), alt.value("circle")),
            size=alt.condition("datum.beyond", alt.value(50), alt.value(14)),
            color=alt.value(alt.ExprRef(_TONE)),
            tooltip=[
                alt.Tooltip("on:T", title="visit", format="%-d %b %Y"),
                alt.Tooltip("value:Q", title="plotted", format="+.4f"),
            ],
        )
        .properties(name="lines"),
    ).properties(height=alt.Step(LINE), params=[span_of_time("lines")])
