"""This module describes the control charts of one meter: each in full, and all in a line each."""

import altair as alt

from drift.report.charts.meter_history import MOST_PANELS, time_axis, zoom
from drift.report.charts.theme import hue

# Heights of a panel and of a line, in pixels.
_PANEL, LINE = 104, 34
# How far a line reaches, in distances from centre to limit.
_REACH = 2.6

CONTROL_DATA = {
    "points": ("panel", "name"),
    "dots": ("panel", "on", "value", "beyond", "phase", "point", "lower", "upper", "operator"),
    "limits": ("panel", "kind", "first", "last", "value", "label", "label_at"),
    "runs": ("panel", "first", "last"),
}
LINES_DATA = {
    "lines": ("row", "on", "height", "beyond", "told"),
    "limits": ("row", "first", "last", "height"),
    "runs": ("row", "first", "last"),
}


def meter_control() -> alt.VConcatChart:
    """Return one control chart in full: a panel a point, with its limits and runs beyond them.

    Parameter ``panels`` says how many points there are; other panels take no room.
    """
    panels = [_panel(place).properties(height=_PANEL + place) for place in range(MOST_PANELS)]
    heights = [
        alt.param(name=f"height_{place}", expr=f"panels > {place} ? {_PANEL} : 0")
        for place in range(MOST_PANELS)
    ]
    return (
        alt.vconcat(*panels, spacing=14)
        .resolve_scale(x="shared")
        .add_params(alt.param(name="panels", value=MOST_PANELS), *heights)
    )


def _panel(place: int) -> alt.LayerChart:
    """Return the panel of one point."""

    def rows(name: str) -> alt.Chart:
        return alt.Chart(alt.NamedData(name)).transform_filter(f"datum.panel == {place}")

    def x(field: str) -> alt.X:
        return time_axis(field, labels=place == MOST_PANELS - 1)

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

    stop = f"datum.beyond ? '{hue('stop')}' : '{hue('calm')}'"
    dots = rows("dots")
    limits = rows("limits")
    return alt.layer(
        rows("runs").mark_rect(color=hue("stop"), opacity=0.12).encode(x=x("first"), x2="last"),
        limits.mark_rule(color=hue("quiet")).encode(
            x=x("first"),
            x2="last",
            y=y("value"),
            strokeDash=alt.condition(
                "datum.kind == 'centre'", alt.value([1, 0]), alt.value([5, 3])
            ),
        ),
        dots.mark_line(color=hue("calm"), strokeWidth=1.2).encode(
            x=x("on"), y=y("value"), detail="phase:N"
        ),
        dots.mark_point(filled=True, opacity=1)
        .encode(
            x=x("on"),
            y=y("value"),
            shape=alt.condition("datum.beyond", alt.value("diamond"), alt.value("circle")),
            size=alt.condition("datum.beyond", alt.value(60), alt.value(26)),
            color=alt.value(alt.ExprRef(stop)),
            tooltip=[
                alt.Tooltip("on:T", title="visit", format="%-d %b %Y"),
                alt.Tooltip("point:N", title="at"),
                alt.Tooltip("value:Q", title="plotted", format="+.4f"),
                alt.Tooltip("lower:Q", title="lower limit", format="+.4f"),
                alt.Tooltip("upper:Q", title="upper limit", format="+.4f"),
                alt.Tooltip("operator:N", title="operator"),
            ],
        )
        .add_params(zoom()),
        limits.transform_filter("isValid(datum.label)")
        .mark_text(align="left", dx=6)
        .encode(x=alt.value("width"), y=y("label_at"), text="label:N"),
        rows("points")
        .mark_text(align="left", dx=2, dy=-7, fontWeight="bold", fontSize=12, color=hue("ink"))
        .encode(x=alt.value(0), y=alt.value(0), text="name:N"),
    )


def meter_lines() -> alt.LayerChart:
    """Return all charts in a line each, every one in the distance from its centre to its limit.

    So the limits of all lines stand at 1 and −1 of their row, and a dot beyond them is a diamond.
    """
    row = alt.Y("row:O", axis=None, scale=alt.Scale(padding=0))
    along = alt.YOffset(
        "height:Q", scale=alt.Scale(domain=[-_REACH, _REACH], range=[LINE - 2, 2], nice=False)
    )

    def x(field: str) -> alt.X:
        return time_axis(field, labels=True)

    rows = alt.Chart(alt.NamedData("lines"))
    stop = f"datum.beyond ? '{hue('stop')}' : '{hue('calm')}'"
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
            color=alt.value(alt.ExprRef(stop)),
            tooltip=[alt.Tooltip("told:N", title="visit")],
        )
        .add_params(zoom()),
    ).properties(height=alt.Step(LINE))
