"""This module describes the chart of the impact note."""

import altair as alt
import polars as pl

from drift import format as text
from drift.report.figures.end_labels import placed_apart
from drift.report.figures.theme import Chart, Layers, hue
from drift.report.figures.time_axis import span_of_time, time_axis
from drift.review.suspicion import MORE_LIKELY_WRONG, Impact

_DAY = "%-d %b %Y"
_SIGNED = "datum.value == 0 ? '0' : format(datum.value, '+~g')"
_PANEL, _CHANCE, _LANE = 120, 90, 34
# Least distance of the names of chances.
_LABEL_GAP = 0.16
# Points that are described; a page, or `drift.report.figures.rows.filled`, leaves out those
# without a row.
_PANELS = 6


def doubtful_span() -> Chart:
    """Return the chart of a span in doubt: field tests, bias and chance that the meter was out.

    Data sets: ``path``, one row a point and day; ``visits``, what was read; ``tests``, field
    tests; ``drops``, days of recorded drops; ``panels``, one row a point with its limits
    (`span_rows`).
    """
    chart: Chart = (
        alt.vconcat(_tests(), *(_bias(panel) for panel in range(_PANELS)), _chance())
        .resolve_scale(x="shared")
        .properties(
            spacing=22,
            params=[
                span_of_time("tests", *(f"bias_{panel}" for panel in range(_PANELS)), "chance")
            ],
        )
    )
    return chart


def _days(*, labels: bool = False) -> alt.X:
    """Return the axis of days."""
    return time_axis("on", labels=labels, beside=6, years=False)


def _tests() -> Layers:
    """Return the lane of field tests, each at its day."""
    told = [
        alt.Tooltip("on:T", title="field test", format=_DAY),
        alt.Tooltip("test:N", title=""),
        alt.Tooltip("air:N", title="reported"),
        alt.Tooltip("verdict:N", title="verdict"),
        alt.Tooltip("wrong:N", title="chance of the other verdict"),
        alt.Tooltip("remarks:N", title=""),
    ]
    base = alt.Chart(alt.NamedData("tests"))
    hues = alt.condition("datum.doubtful", alt.value(hue("stop")), alt.value(hue("ink")))
    shapes = alt.condition("datum.doubtful", alt.value("diamond"), alt.value("circle"))
    return alt.layer(
        base.mark_point(filled=True, size=60, opacity=1)
        .encode(x=_days(), color=hues, shape=shapes, tooltip=told)
        .properties(name="tests"),
        data=alt.NamedData("tests"),
    ).properties(height=_LANE, name="if_tests", title="field tests")


def _bias(panel: int) -> Layers:
    """Return the bias of one point with its band, its limits and what was read."""
    mine = f"datum.panel === {panel}"
    x, y = (
        _days(),
        alt.Y(
            "bias:Q",
            title=None,
            axis=alt.Axis(tickCount=5, labelExpr=_SIGNED),
            scale=alt.Scale(padding=8),
        ),
    )
    path = alt.Chart(alt.NamedData("path")).transform_filter(mine)
    limits = alt.Chart(alt.NamedData("panels")).transform_filter(mine)
    edges = [
        limits.mark_rule(color=hue("ink"), strokeWidth=1.2).encode(y=f"{edge}:Q")
        for edge in ("upper", "lower")
    ]
    name = limits.mark_text(
        clip=False,
        align="left",
        baseline="bottom",
        dy=-3,
        fontSize=12,
        fontWeight="bold",
        color=hue("ink"),
    ).encode(x=alt.value(0), y=alt.value(0), text="point:N")
    return alt.layer(
        # First, as the layer that time is zoomed in: it holds the field of the axis.
        path.mark_area(color=hue("calm"), opacity=0.22)
        .encode(x=x, y=alt.Y("low:Q", title=None), y2="high:Q")
        .properties(name=f"bias_{panel}"),
        path.mark_line(color=hue("calm"), strokeWidth=1.6).encode(x=x, y=y),
        *edges,
        alt.Chart(alt.NamedData("drops"))
        .mark_rule(color=hue("look"), strokeDash=[5, 3], strokeWidth=1.4)
        .encode(x=x, tooltip=[alt.Tooltip("on:T", title="recorded drop", format=_DAY)]),
        _read_dots(mine, x, y),
        name,
    ).properties(height=_PANEL, name=f"panel_{panel}")


def _read_dots(mine: str, x: alt.X, y: alt.Y) -> alt.Chart:
    """Return what was read at the visits, one shape a stage."""
    told = [
        alt.Tooltip("on:T", title="visit", format=_DAY),
        alt.Tooltip("stage:N", title=""),
        alt.Tooltip("point:N", title="point"),
        alt.Tooltip("bias:Q", title="bias, % air", format="+.3f"),
        alt.Tooltip("operator:N", title="operator"),
        alt.Tooltip("vessel:N", title="vessel"),
        alt.Tooltip("remarks:N", title=""),
    ]
    dots: alt.Chart = (
        alt.Chart(alt.NamedData("visits"))
        .transform_filter(mine)
        .mark_point(filled=True, size=56, opacity=1)
        .encode(
            x=x,
            y=y,
            color=alt.condition("datum.outside", alt.value(hue("stop")), alt.value(hue("calm"))),
            shape=alt.Shape(
                "stage:N",
                legend=None,
                scale=alt.Scale(domain=["as found", "as left"], range=["circle", "triangle-up"]),
            ),
            tooltip=told,
        )
    )
    return dots


def _chance() -> Layers:
    """Return the chance that each point was out of tolerance on each day."""
    base = alt.Chart(alt.NamedData("path"))
    told = [
        alt.Tooltip("on:T", title="day", format=_DAY),
        alt.Tooltip("point:N", title="point"),
        alt.Tooltip("out:Q", title="chance it is out", format=".0%"),
        alt.Tooltip("been_out:Q", title="chance it has been out by then", format=".0%"),
    ]
    y = alt.Y(
        "out:Q",
        title=None,
        scale=alt.Scale(domain=[0, 1]),
        axis=alt.Axis(format="%", values=[0, 0.5, 1]),
    )
    dash = alt.StrokeDash("point:N", sort=None, legend=None)
    ends = alt.Chart(alt.NamedData("panels")).transform_filter("isValid(datum.end_at)")
    return alt.layer(
        base.mark_line(color=hue("stop"), strokeWidth=1.8)
        .encode(x=_days(labels=True), y=y, strokeDash=dash)
        .properties(name="chance"),
        base.mark_circle(color=hue("stop"), size=40, opacity=1)
        .encode(x=_days(labels=True), y=y, tooltip=told)
        .transform_filter("datum.told"),
        ends.mark_text(align="left", dx=6, clip=False, color=hue("stop")).encode(
            x=alt.value("width"), y="end_at:Q", text="point:N"
        ),
    ).properties(height=_CHANCE, title="chance it is out")


def span_rows(
    impact: Impact, visits: pl.DataFrame, *, tolerance_pct: float
) -> dict[str, pl.DataFrame]:
    """Return the data sets of `doubtful_span`.

    Parameters
    ----------
    impact : Impact
        With the path of its span, not empty.
    visits : pl.DataFrame
        Rows of the meter in the ledger, columns of `drift.meter.ledger.LEDGER`.
    tolerance_pct : float
        Largest bias that passes, % air.
    """
    suspicion = impact.suspicion
    points = impact.path["point_pct"].unique().sort().to_list()[:_PANELS]
    places = pl.DataFrame(
        {
            "point_pct": points,
            "panel": range(len(points)),
            "point": [text.point(point) for point in points],
            "upper": tolerance_pct,
            "lower": -tolerance_pct,
        }
    )
    ends = [impact.path["on_date"].min(), impact.path["on_date"].max()]
    path = impact.path.join(places, on="point_pct", maintain_order="left").select(
        "panel",
        "point",
        on="on_date",
        bias="bias_pct",
        low="low_pct",
        high="high_pct",
        out="p_out",
        been_out="p_been_out",
        told=(pl.col("on_date").dt.day() == 1) | pl.col("on_date").is_in(ends),
    )
    within = pl.col("performed_on").is_between(suspicion.started, suspicion.closed)
    read = visits.filter(within).join(places, on="point_pct", maintain_order="left")
    last = path.filter(pl.col("on") == ends[1]).select("panel", end_at="out")
    named = places.join(last, on="panel", how="left", maintain_order="left")
    end_at = placed_apart(named["end_at"].to_list(), gap=_LABEL_GAP)
    return {
        "path": path,
        "visits": pl.concat(
            [_read(read, f"{stage}_bias_pct", tolerance_pct) for stage in ("as_found", "as_left")]
        ),
        "tests": _field_tests(impact.tests),
        "drops": pl.DataFrame({"on": list(impact.drops)}, schema={"on": pl.Date}),
        "panels": named.with_columns(end_at=pl.Series(end_at, dtype=pl.Float64)),
    }


def _read(visits: pl.DataFrame, column: str, tolerance_pct: float) -> pl.DataFrame:
    """Return what one stage read at the visits."""
    return visits.drop_nulls(column).select(
        "panel",
        "point",
        "operator",
        "remarks",
        on="performed_on",
        stage=pl.lit(text.words_of(column.removesuffix("_bias_pct"))),
        bias=column,
        outside=pl.col(column).abs() > tolerance_pct,
        vessel="vessel_id",
    )


def _field_tests(tests: pl.DataFrame) -> pl.DataFrame:
    """Return field tests as their figure tells them."""
    chances = [text.probability(value) for value in tests["p_verdict_wrong"]]
    return tests.select(
        "verdict",
        "remarks",
        on="tested_on",
        test="test_id",
        air=pl.Series(
            [f"{text.plain(value)} % air" for value in tests["air_pct"]], dtype=pl.String
        ),
        wrong=pl.Series(chances, dtype=pl.String),
        doubtful=(pl.col("p_verdict_wrong") >= MORE_LIKELY_WRONG).fill_null(value=False),
    )
