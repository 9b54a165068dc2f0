"""This module describes the charts of the retirement memo."""

from collections.abc import Sequence

import altair as alt
import polars as pl

from drift.report.figures.theme import Chart, hue
from drift.upkeep.retirement.ground_table import GROUND_TABLE

_ROW = 30
# Meters that can be told apart by the shapes of their marks.
MOST_MEMOS = 6
_SHAPES = ("diamond", "square", "circle", "triangle-up", "cross", "triangle-down")
_GROUND = 46
# Where the frame of the grounds ends, in times of a threshold.
_END = 2.6


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


def grounds_met() -> Chart:
    """Return the chart of how far each ground is towards its limit.

    Data sets: ``grounds``, one row a ground and meter that is not simply kept, and ``others``, one
    a ground and other meter (`ground_rows`).
    """
    named, others = alt.Chart(alt.NamedData("grounds")), alt.Chart(alt.NamedData("others"))
    y = alt.Y("ground:N", sort=None, title=None, scale=alt.Scale(paddingInner=0.25))
    x = alt.X(
        "shown:Q",
        title=None,
        scale=alt.Scale(domain=[0, _END], nice=False),
        axis=alt.Axis(
            orient="top", values=[0, 1, 2], labelExpr="['none', 'limit', 'twice'][datum.value]"
        ),
    )
    lane = alt.YOffset("meter:N", sort=None)
    hues = alt.condition("datum.met", alt.value(hue("stop")), alt.value(hue("ink")))
    shape = alt.Shape(
        "meter:N",
        sort=None,
        scale=alt.Scale(range=list(_SHAPES)),
        legend=alt.Legend(title=None, orient="bottom", symbolFillColor=hue("ink")),
    )
    told = [
        alt.Tooltip("meter:N", title=""),
        alt.Tooltip("ground:N", title=""),
        alt.Tooltip("found:N", title="found"),
        alt.Tooltip("limit:N", title="limit"),
        alt.Tooltip("verdict:N", title=""),
    ]
    beyond = "datum.beyond"
    return alt.layer(
        others.mark_tick(color=hue("edge"), thickness=1, opacity=1, bandSize=26).encode(
            y=y, x=x, tooltip=told
        ),
        named.mark_rule(strokeWidth=1.6).encode(
            y=y, x=x, x2=alt.datum(0), yOffset=lane, color=hues
        ),
        named.mark_point(filled=True, size=64, opacity=1)
        .encode(y=y, x=x, yOffset=lane, shape=shape, color=hues, tooltip=told)
        .transform_filter(f"!{beyond}"),
        named.mark_text(align="right", text="▸", fontSize=16, color=hue("stop"))
        .encode(y=y, x=x, yOffset=lane, tooltip=told)
        .transform_filter(beyond),
        named.mark_text(align="left", dx=9)
        .encode(y=y, x=x, yOffset=lane, text="number:N", color=hues)
        .transform_filter("datum.met"),
        # Over one row, not over as many as there are meters: lines on each other print thick.
        alt.Chart(alt.InlineData([{}]))
        .mark_rule(color=hue("ink"), strokeWidth=1.4)
        .encode(x=alt.XDatum(1, type="quantitative")),
    ).properties(height=_GROUND * len(GROUND_TABLE))


def ground_rows(grounds: pl.DataFrame, memos: Sequence[str]) -> dict[str, pl.DataFrame]:
    """Return the data sets of `grounds_met`.

    Parameters
    ----------
    grounds : pl.DataFrame
        ``meter_id title distance verdict found limit number``, the last four in words; distance
        in times of the limit, null where not known.
    memos : sequence of str
        Meters that are drawn by name, `MOST_MEMOS` of them at most.
    """
    known = grounds.drop_nulls("distance").select(
        "found",
        "limit",
        "number",
        meter="meter_id",
        ground="title",
        shown=pl.col("distance").clip(0, _END),
        beyond=pl.col("distance") > _END,
        met=pl.col("verdict") == "met",
        verdict="verdict",
    )
    mine = pl.col("meter").is_in(list(memos))
    order = pl.DataFrame({"meter": list(memos)}, schema={"meter": pl.String})
    named = order.join(known, on="meter", maintain_order="left_right")
    return {"grounds": named, "others": known.filter(~mine)}
