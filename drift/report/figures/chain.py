"""This module describes the charts of what the meters are compared with."""

import altair as alt

from drift.report.figures.theme import Chart, hue
from drift.report.figures.time_axis import time_axis

VESSEL_DATA = {
    "calibrations": ("on", "vessel", "apart", "low", "high", "doubted", "label", "words"),
    "expected": ("on", "vessel", "from", "to"),
}
COMPARED_DATA = {
    "comparisons": ("on", "difference", "low", "high", "disagrees", "agrees", "words"),
}


def comparisons_over_time() -> Chart:
    """Return the chart of how far results in use are from what they were compared with.

    Data set ``comparisons``, one row a comparison: ``on``, ``difference``, ``low`` and ``high``
    (k = 2), % air; ``disagrees`` and ``agrees`` (bool), ``words``.
    """
    x = time_axis("on", labels=True, beside=20)
    y = alt.Y("low:Q", title="meter less other, % air")
    base = alt.Chart(alt.NamedData("comparisons")).encode(x=x)
    sure = alt.condition("datum.agrees", alt.value(hue("calm")), alt.value(hue("quiet")))
    zero = (
        alt.Chart(alt.InlineData([{}]))
        .mark_rule(color=hue("edge"))
        .encode(y=alt.YDatum(0, type="quantitative"))
    )
    told = [alt.Tooltip("words:N", title="")]
    doubted = base.transform_filter("datum.disagrees")
    return alt.layer(
        zero,
        base.mark_rule(strokeWidth=1.4).encode(y=y, y2="high:Q", color=sure),
        base.mark_point(filled=True, size=50, opacity=1).encode(
            y="difference:Q",
            color=sure,
            shape=alt.condition("datum.agrees", alt.value("circle"), alt.value("diamond")),
            tooltip=told,
        ),
        doubted.mark_point(
            filled=True, size=90, opacity=1, shape="triangle-up", color=hue("look")
        ).encode(y="difference:Q", tooltip=told),
    ).properties(height=200)


def vessel_values_over_time() -> Chart:
    """Return the chart of every vessel's calibrations over time.

    Data set ``calibrations``, one row a calibration: ``on``, ``vessel``, ``apart`` (value less that
    of its first calibration), ``low`` and ``high`` (k = 2), all % air at one fill; ``doubted``
    (bool), ``label`` (the vessel's name at its last calibration, else null), ``words``.  Data set
    ``expected``, one row a calibration with some before it: ``on``, ``vessel``, and where it was to
    be expected, ``from`` and ``to``.
    """
    x = time_axis("on", labels=True, beside=20)
    y = alt.Y("low:Q", title="one fill, less its first value, % air")
    base = alt.Chart(alt.NamedData("calibrations")).encode(x=x)
    shade = alt.condition("datum.doubted", alt.value(hue("look")), alt.value(hue("calm")))
    told = [alt.Tooltip("vessel:N", title="vessel"), alt.Tooltip("words:N", title="")]
    points = base.mark_point(filled=True, size=60, opacity=1).encode(
        y="apart:Q",
        color=shade,
        shape=alt.condition("datum.doubted", alt.value("triangle-up"), alt.value("circle")),
        tooltip=told,
    )
    expected = (
        alt.Chart(alt.NamedData("expected"))
        .mark_rule(strokeWidth=10, opacity=0.25, color=hue("quiet"))
        .encode(x=x, y="from:Q", y2="to:Q")
    )
    return alt.layer(
        expected,
        base.mark_line(strokeWidth=1.2, color=hue("quiet")).encode(y="apart:Q", detail="vessel:N"),
        base.mark_rule(strokeWidth=1.6).encode(y=y, y2="high:Q", color=shade),
        points,
        base.mark_text(align="left", dx=8, dy=-8, color=hue("ink"))
        .encode(y="apart:Q", text="label:N")
        .transform_filter("datum.label !== null"),
    ).properties(height=220)
