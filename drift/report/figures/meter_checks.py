"""This module describes the chart of one kind of check of a meter between its calibrations."""

import altair as alt

from drift.report.figures.theme import Chart, hue
from drift.report.figures.time_axis import time_axis

CHECK_DATA = {
    "days": ("on", "found", "outside", "words"),
    "slow": ("on", "mean", "lower", "centre", "upper", "moved", "phase", "words"),
}
_LIMITS = (("upper", [5, 3]), ("lower", [5, 3]), ("centre", [1, 0]))


def meter_checks() -> Chart:
    """Return the chart of one kind of check in dates: what was found, and its slow mean.

    Data set ``days``, one row a day: ``on``, ``found`` (less what was expected), ``outside``
    (bool), ``words``.  Data set ``slow``, one row a day with a slow mean: ``on``, ``mean``, its
    limits ``lower``, ``centre`` and ``upper`` (null where there are none), ``moved`` (bool, beyond
    them), ``phase`` and ``words``.
    """
    x = time_axis("on", labels=True, beside=12)
    axis = alt.Axis(
        title="less what was expected",
        grid=False,
        tickCount=4,
        labelExpr="datum.value == 0 ? '0' : format(datum.value, '+.3~f')",
    )
    scale = alt.Scale(zero=False, nice=True, padding=8)

    def y(field: str) -> alt.Y:
        return alt.Y(field, type="quantitative", axis=axis, scale=scale)

    days = alt.Chart(alt.NamedData("days")).encode(x=x)
    slow = alt.Chart(alt.NamedData("slow")).encode(x=x)
    told = [alt.Tooltip("words:N", title="")]
    return alt.layer(
        *(
            slow.mark_line(
                interpolate="step-after", strokeWidth=1, color=hue("quiet"), strokeDash=dash
            )
            .transform_filter(f"isValid(datum.{column})")
            .encode(y=y(column), detail="phase:N")
            for column, dash in _LIMITS
        ),
        slow.mark_line(color=hue("calm"), strokeWidth=1.6).encode(y=y("mean"), detail="phase:N"),
        slow.mark_point(filled=True, size=70, opacity=1, shape="triangle-up", color=hue("look"))
        .transform_filter("datum.moved")
        .encode(y=y("mean"), tooltip=told),
        days.mark_point(filled=True, opacity=1).encode(
            y=y("found"),
            size=alt.condition("datum.outside", alt.value(60), alt.value(22)),
            shape=alt.condition("datum.outside", alt.value("diamond"), alt.value("circle")),
            color=alt.condition("datum.outside", alt.value(hue("stop")), alt.value(hue("quiet"))),
            tooltip=told,
        ),
    ).properties(height=150)
