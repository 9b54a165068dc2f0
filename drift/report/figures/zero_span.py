"""This module describes the charts of a meter's zero and span, and of its causes over time."""

import altair as alt

from drift.report.figures.theme import Chart, hue
from drift.report.figures.time_axis import span_of_time, time_axis

_HEIGHT = 130
_TONE = f"datum.beyond ? '{hue('stop')}' : '{hue('calm')}'"
_LEADS = f"datum.leads ? '{hue('look')}' : '{hue('quiet')}'"

ZERO_SPAN_DATA = {
    "parts": ("panel", "name"),
    "dots": ("panel", "on", "path", "half", "found", "beyond", "lower", "centre", "upper"),
}
CAUSE_HISTORY_DATA = {
    "chances": ("on", "cause", "chance", "leads", "stretch", "label", "late"),
}
# Words of a chance as `drift.format.probability` has them, and of limits.
_CHANCE = (
    "datum.chance < 0.01 ? 'under 1\u00a0%' : datum.chance > 0.99 ? 'over 99\u00a0%' "
    ": format(100 * datum.chance, '.0f') + '\u00a0%'"
)


def _bias(field: str) -> str:
    """Return the expression of a bias in words, as `drift.format.bias` has it: zero has no sign."""
    value = f"datum.{field}"
    words = f"abs({value}) < 0.0005 ? '0.000' : format({value}, '+.3f')"
    return f"(isValid({value}) ? ({words}) : 'cannot say')"


_LIMITS = f"isValid(datum.upper) ? {_bias('lower')} + ' to ' + {_bias('upper')} : 'none yet'"
_VISIT = alt.Tooltip("on:T", title="visit", format="%-d %b %Y")
# What a dot of zero or span says, and what one of a cause.
_SAID = [
    _VISIT,
    alt.Tooltip("unadjusted:N", title="without adjustments"),
    alt.Tooltip("as_found:N", title="found"),
    alt.Tooltip("limits:N", title="limits"),
]
_WEIGHED = [_VISIT, alt.Tooltip("cause:N", title=""), alt.Tooltip("sure:N", title="chance")]


def zero_span() -> Chart:
    """Return the chart of zero and span over time, a panel each.

    Data set ``dots``, one row a visit and part: ``path`` without adjustments with the ``half``
    width of its 95 % interval, ``found`` as found, limits of the path with their centre.
    """
    panels = [_panel(place).properties(height=_HEIGHT, name=f"panel_{place}") for place in (0, 1)]
    chart: alt.VConcatChart = alt.vconcat(
        *panels, spacing=26, params=[span_of_time("dots_0", "dots_1")]
    ).resolve_scale(x="shared")
    return chart


def _panel(place: int) -> Chart:
    """Return the panel of one part."""

    def rows(name: str) -> alt.Chart:
        return alt.Chart(alt.NamedData(name)).transform_filter(f"datum.panel == {place}")

    def x() -> alt.X:
        return time_axis("on", labels=True, beside=8)

    def y(field: str) -> alt.Y:
        axis = alt.Axis(
            title=None,
            grid=False,
            tickCount=4,
            labelExpr="datum.value == 0 ? '0' : format(datum.value, '+.2~f')",
        )
        scale = alt.Scale(zero=False, nice=True, padding=8)
        return alt.Y(field, type="quantitative", axis=axis, scale=scale)

    dots = rows("dots")
    known = dots.transform_filter("isValid(datum.upper)")
    lines = [
        known.mark_line(
            interpolate="step-after", strokeWidth=1, color=hue("quiet"), strokeDash=dash
        ).encode(x=x(), y=y(column))
        for column, dash in (("upper", [5, 3]), ("lower", [5, 3]), ("centre", [1, 0]))
    ]
    return alt.layer(
        *lines,
        dots.transform_calculate(low="datum.path - datum.half", high="datum.path + datum.half")
        .mark_rule(strokeWidth=1, color=hue("calm"), opacity=0.5)
        .encode(x=x(), y=y("low"), y2="high"),
        dots.mark_line(strokeWidth=1.2, color=hue("calm")).encode(x=x(), y=y("path")),
        dots.mark_tick(thickness=1.5, size=9, color=hue("quiet")).encode(x=x(), y=y("found")),
        _told(
            dots.transform_calculate(
                unadjusted=_bias("path"), as_found=_bias("found"), limits=_LIMITS
            ).encode(x=x(), y=y("path"), tooltip=_SAID),
            "beyond",
            "diamond",
            sizes=(70, 30),
            tone=_TONE,
        ).properties(name=f"dots_{place}"),
        rows("parts")
        .mark_text(
            clip=False, align="left", dx=2, dy=-8, fontWeight="bold", fontSize=12, color=hue("ink")
        )
        .encode(x=alt.value(0), y=alt.value(0), text="name:N"),
    )


def _told(
    dots: alt.Chart, flag: str, shape: str, *, sizes: tuple[int, int], tone: str
) -> alt.Chart:
    """Return the dots that a reader asks; those flagged have a shape and size of their own."""
    large, small = sizes
    told: alt.Chart = dots.mark_point(filled=True, opacity=1).encode(
        shape=alt.condition(f"datum.{flag}", alt.value(shape), alt.value("circle")),
        size=alt.condition(f"datum.{flag}", alt.value(large), alt.value(small)),
        color=alt.value(alt.ExprRef(tone)),
    )
    return told


def cause_history() -> Chart:
    """Return the chart of how likely each cause was at each visit.

    Data set ``chances``, one row a visit and cause: ``chance`` from 0 to 1, ``leads`` (the
    likeliest of its visit), ``stretch`` (readings between two adjustments), ``label`` (the name of
    a cause that leads somewhere, where it is surest, else null), ``late`` (in the latter half of
    the visits: there a name ends at its dot).
    """
    axis = alt.Axis(title=None, format="%", values=[0, 0.5, 1], grid=False)
    # More than 0 to 1: dots at its ends are drawn whole, and a name has room above its dot.
    scale = alt.Scale(domain=[-0.04, 1.22], nice=False)
    y = alt.Y("chance:Q", axis=axis, scale=scale)
    base = alt.Chart(alt.NamedData("chances")).encode(
        x=time_axis("on", labels=True, beside=10, years=False), y=y
    )
    return alt.layer(
        base.mark_line(strokeWidth=1, color=hue("quiet")).encode(detail=["cause:N", "stretch:N"]),
        _told(
            base.transform_calculate(sure=_CHANCE).encode(tooltip=_WEIGHED),
            "leads",
            "triangle-up",
            sizes=(90, 20),
            tone=_LEADS,
        ).properties(name="chances"),
        base.transform_filter("isValid(datum.label)")
        .mark_text(
            align=alt.ExprRef("datum.late ? 'right' : 'left'"),
            dx=alt.ExprRef("datum.late ? 6 : -6"),
            dy=-12,
            color=hue("ink"),
        )
        .encode(text="label:N"),
    ).properties(height=150, params=[span_of_time("chances")])
