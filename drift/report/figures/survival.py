"""This module describes the chart of how long meters stay in tolerance."""

import altair as alt
import polars as pl

from drift import format as text
from drift.report.figures.end_labels import placed_apart
from drift.report.figures.theme import Chart, hue

_HEIGHT = 260
# Least distance of two labels, as a share of the axis.
_LABEL_GAP = 0.065
# Nearer than this the highest and the lowest estimate are one.
_SAME = 1e-9
# Room above the frame for the name of the present interval.
_ROOM = 18


def time_in_tolerance() -> Chart:
    """Return the chart of the share of stretches in tolerance that still last, by their age.

    Data sets: ``curve``, one row an age in days; ``lines``, one row a line that is named where it
    ends; ``present``, the interval in force (`survival_rows`).
    """
    x = alt.X(
        "days:Q",
        title="days since it was left in tolerance",
        scale=alt.Scale(nice=False, zero=True),
        axis=alt.Axis(tickCount=7),
    )
    y = alt.Y(
        "still:Q",
        title=None,
        scale=alt.Scale(domain=[0, 1], nice=False),
        axis=alt.Axis(format="%", tickCount=5),
    )
    told = [
        alt.Tooltip("days:Q", title="after, days", format=",.0f"),
        alt.Tooltip("still:Q", title="still in tolerance", format=".0%"),
        alt.Tooltip("low:Q", title="from", format=".0%"),
        alt.Tooltip("high:Q", title="to", format=".0%"),
        alt.Tooltip("law:Q", title="by the Weibull law", format=".0%"),
    ]
    curve, named = alt.Chart(alt.NamedData("curve")), alt.Chart(alt.NamedData("lines"))
    settled = curve.transform_filter("isValid(datum.still)").encode(x=x, y=y)
    present = alt.Chart(alt.NamedData("present"))
    aimed = alt.condition("datum.aimed", alt.value(hue("stop")), alt.value(hue("ink")))
    return alt.layer(
        curve.mark_area(color=hue("calm"), opacity=0.2).encode(
            x=x, y=alt.Y("low:Q", title=None), y2="high:Q"
        ),
        present.mark_rule(color=hue("edge"), strokeWidth=1.2).encode(x="days:Q"),
        present.mark_text(align="left", baseline="bottom", dx=-4, dy=-4, color=hue("ink")).encode(
            x="days:Q", y=alt.value(0), text="words:N"
        ),
        named.mark_rule(color=hue("stop"), strokeDash=[7, 3], strokeWidth=1.4)
        .encode(y="at:Q")
        .transform_filter("datum.aimed"),
        curve.mark_line(color=hue("ink"), strokeDash=[2, 2], strokeWidth=1.4)
        .encode(x=x, y="law:Q")
        .transform_filter("isValid(datum.law)"),
        settled.mark_line(color=hue("calm"), strokeWidth=1.8),
        settled.transform_filter("datum.dot")
        .mark_circle(color=hue("calm"), size=36, opacity=1)
        .encode(tooltip=told),
        named.mark_text(align="left", dx=6).encode(
            x=alt.value("width"), y="label_at:Q", text="words:N", color=aimed
        ),
    ).properties(height=_HEIGHT, padding={"top": _ROOM, "left": 2, "right": 2, "bottom": 2})


def survival_rows(
    curve: pl.DataFrame, *, target: float, present_days: float
) -> dict[str, pl.DataFrame]:
    """Return the data sets of `time_in_tolerance`.

    Between the checks between which something ended the estimate is open: there the line is
    straight.

    Parameters
    ----------
    curve : pl.DataFrame
        Columns of `drift.upkeep.reliability.survival_curve.CURVE`; not empty.
    target : float
        Chance of being in tolerance that is to be left.
    present_days : float
        The interval in force.
    """
    settled = pl.col("highest") - pl.col("lowest") < _SAME
    still = pl.when(settled).then("lowest")
    before, after = (
        pl.col("still").forward_fill().shift(1),
        pl.col("still").backward_fill().shift(-1),
    )
    rows = curve.select("days", "low", "high", law="weibull", still=still).with_columns(
        # Where it steps, and at its ends.
        dot=pl.col("still").is_not_null()
        & ~(before.eq(pl.col("still")) & after.eq(pl.col("still"))).fill_null(value=False)
    )
    ends = [
        ("as found", rows["still"].drop_nulls().to_list()[-1:], False),
        ("Weibull law", rows["law"].drop_nulls().to_list()[-1:], False),
        (f"target {text.share(target)}", [target], True),
    ]
    lines = pl.DataFrame(
        [(words, end, aimed) for words, last, aimed in ends for end in last],
        schema={"words": pl.String, "at": pl.Float64, "aimed": pl.Boolean},
        orient="row",
    )
    days = min(present_days, float(curve["days"].to_numpy().max()))
    return {
        "curve": rows,
        "lines": lines.with_columns(
            label_at=pl.Series(placed_apart(lines["at"].to_list(), gap=_LABEL_GAP))
        ),
        "present": pl.DataFrame(
            {"days": [days], "words": [f"present interval, {text.in_days(present_days)}"]}
        ),
    }
