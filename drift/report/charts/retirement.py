"""This module describes the charts of the retirement memo."""

import altair as alt

from drift.report.charts.theme import Chart, hue

_ROW = 30


def choice_costs() -> Chart:
    """Return the chart of what each choice is expected to cost, with the range of most outcomes.

    Data set ``costs``, one row a choice in the order to be drawn: ``choice`` in words, ``advised``
    (bool), ``expected``, ``low`` and ``high`` in the laboratory's currency, ``failed`` and ``out``
    in words.
    """
    base = alt.Chart(alt.NamedData("costs")).encode(
        y=alt.Y("choice:N", sort=None, title=None, scale=alt.Scale(paddingInner=0.4))
    )
    shade = alt.condition("datum.advised", alt.value(hue("ink")), alt.value(hue("quiet")))
    x = alt.X("low:Q", title="expected cost", scale=alt.Scale(zero=True, nice=True))
    told = [
        alt.Tooltip("choice:N", title="choice"),
        alt.Tooltip("expected:Q", title="expected cost", format=",.0f"),
        alt.Tooltip("low:Q", title="from", format=",.0f"),
        alt.Tooltip("high:Q", title="to", format=",.0f"),
        alt.Tooltip("failed:N", title="failed checks"),
        alt.Tooltip("out:N", title="time out of tolerance"),
    ]
    return alt.layer(
        base.mark_rule(strokeWidth=2).encode(x=x, x2="high:Q", color=shade),
        base.mark_tick(thickness=2, size=10).encode(x="low:Q", color=shade),
        base.mark_tick(thickness=2, size=10).encode(x="high:Q", color=shade),
        base.mark_circle(size=70, opacity=1).encode(x="expected:Q", color=shade, tooltip=told),
        base.mark_text(align="left", dx=10, dy=-9).encode(
            x="expected:Q", text=alt.Text("expected:Q", format=",.0f"), color=shade
        ),
    ).properties(height=alt.Step(_ROW))
