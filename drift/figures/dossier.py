"""This module draws the figures of one meter; it decides nothing about it.

Every function takes frames of `drift.frames` that hold the rows of one meter, and returns an
Altair chart with one panel for each verification point on shared axes.
"""

from datetime import date

import altair as alt
import polars as pl

from drift import format as text
from drift.figures.drawing import (
    PANEL_HEIGHT,
    PANEL_WIDTH,
    bias_axis,
    colour,
    on_date,
    panels,
    reach_of,
    time_axis,
    tolerance_strip,
)

_BASE = alt.Chart()
_SIGNAL_SIZE = 170


def draw_as_found(
    ledger: pl.DataFrame,
    *,
    charted: pl.DataFrame,
    signals: pl.DataFrame,
    forecasts: pl.DataFrame,
    tolerance_pct: float,
    span: tuple[date, date],
) -> alt.FacetChart:
    """Draw as-found bias by date with tolerance, control limits, adjustments and forecast.

    Parameters
    ----------
    ledger, forecasts : pl.DataFrame
        Frames of those names.
    charted : pl.DataFrame
        Rows of the individuals chart.
    signals : pl.DataFrame
        Signals whose visit is to be ringed.
    tolerance_pct : float
        Largest bias that passes, % air.
    span : (date, date)
        First and last date of the time axis.
    """
    limits = charted.select("series", "visit", "lower", "centre", "upper", limits="phase")
    visits = _ringed(ledger, signals=signals).join(limits, on=["series", "visit"], how="left")
    left = pl.when(pl.col("adjusted")).then(pl.col("as_left_bias_pct"))
    visits = visits.with_columns(found="as_found_bias_pct", left=left, on="performed_on")
    due = forecasts.join(_panel_of(ledger), on="series").select(
        "panel", "at_due", "at_due_low", "at_due_high", on=on_date("due_t_years")
    )
    columns = ["on", "panel", "segment", "limits", "lower", "centre", "upper", "signal"]
    rows = pl.concat(
        [visits.select(*columns, "found", "left", "adjusted"), due], how="diagonal_relaxed"
    )
    drawn = ["found", "left", "lower", "upper", "at_due_low", "at_due_high"]
    reach = reach_of(rows.select(drawn), at_least=tolerance_pct)
    on = time_axis(span)
    limit = _BASE.mark_line(color=colour("quiet"), strokeWidth=1)
    layers = [
        *tolerance_strip(tolerance_pct),
        *_adjustments(on, reach=reach),
        limit.mark_line(strokeDash=[5, 3]).encode(on, alt.Y("lower:Q"), alt.Detail("limits:N")),
        limit.mark_line(strokeDash=[5, 3]).encode(on, alt.Y("upper:Q"), alt.Detail("limits:N")),
        limit.encode(on, alt.Y("centre:Q"), alt.Detail("limits:N")),
        *_due(on),
        *_readings(on, "found", reach=reach),
    ]
    return panels(layers, frame=rows, width=PANEL_WIDTH, height=PANEL_HEIGHT)


def draw_path(
    ledger: pl.DataFrame,
    *,
    fitted: pl.DataFrame,
    tolerance_pct: float,
    span: tuple[date, date],
) -> alt.FacetChart:
    """Draw the unadjusted path with its fitted trend and the band of the trend.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of that name.
    fitted : pl.DataFrame
        Columns ``series visit fit low high``: trend and band at each visit, null where none.
    tolerance_pct : float
        Largest bias that passes, % air: it gives the path its scale.
    span : (date, date)
        First and last date of the time axis.
    """
    rows = (
        _with_panel(ledger)
        .join(fitted, on=["series", "visit"], how="left")
        .select(
            "panel", "fit", "low", "high", "adjusted", on="performed_on", path="unadjusted_path_pct"
        )
    )
    reach = reach_of(rows.select("path", "low", "high"), at_least=tolerance_pct)
    on = time_axis(span)
    band = _BASE.mark_area(color=colour("edge"), opacity=0.3)
    layers = [
        *tolerance_strip(tolerance_pct),
        *_adjustments(on, reach=reach, with_left=False),
        band.encode(on, alt.Y("low:Q"), alt.Y2("high:Q")),
        _BASE.mark_line(color=colour("ink"), strokeWidth=1.4).encode(on, alt.Y("fit:Q")),
        _BASE.mark_line(color=colour("measured"), strokeWidth=1).encode(on, alt.Y("path:Q")),
        _BASE.mark_point(color=colour("measured"), filled=True, size=28, opacity=1).encode(
            on, bias_axis("path", reach=reach)
        ),
    ]
    return panels(layers, frame=rows, width=PANEL_WIDTH, height=PANEL_HEIGHT)


def draw_control(
    ledger: pl.DataFrame,
    *,
    charted: pl.DataFrame,
    signals: pl.DataFrame,
    span: tuple[date, date],
) -> alt.FacetChart:
    """Draw one control chart: its points, centre and limits, signals ringed.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of that name; it gives dates and panels.
    charted : pl.DataFrame
        Rows of one chart.
    signals : pl.DataFrame
        Signals of that chart.
    span : (date, date)
        First and last date of the time axis.
    """
    visits = _ringed(ledger, signals=signals).drop("phase")
    rows = charted.join(visits, on=["series", "visit"]).select(
        "panel",
        "phase",
        "segment",
        "value",
        "centre",
        "lower",
        "upper",
        "signal",
        on="performed_on",
    )
    bounds = rows.select("value", "lower", "upper")
    reach = reach_of(bounds, at_least=0.01)
    lowest = bounds.min_horizontal().min()
    floor = 0.0 if isinstance(lowest, float) and lowest >= 0 else -reach
    on = time_axis(span)
    limit = _BASE.mark_line(color=colour("quiet"), strokeWidth=1)
    layers = [
        limit.mark_line(strokeDash=[5, 3]).encode(on, alt.Y("lower:Q"), alt.Detail("phase:N")),
        limit.mark_line(strokeDash=[5, 3]).encode(on, alt.Y("upper:Q"), alt.Detail("phase:N")),
        limit.encode(on, alt.Y("centre:Q"), alt.Detail("phase:N")),
        *_readings(on, "value", reach=reach, floor=floor),
    ]
    return panels(layers, frame=rows, width=PANEL_WIDTH, height=80)


def _panel_of(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return one row per series with the heading of its panel."""
    return (
        ledger.select("series", "point_pct")
        .unique(maintain_order=True)
        .select(
            "series",
            panel=pl.col("point_pct").map_elements(
                lambda pct: f"At {text.point(pct)} air", return_dtype=pl.String
            ),
        )
    )


def _with_panel(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return the rows of the ledger in order of point and date, with their panel."""
    return ledger.join(_panel_of(ledger), on="series").sort("point_pct", "visit")


def _ringed(ledger: pl.DataFrame, *, signals: pl.DataFrame) -> pl.DataFrame:
    """Return the ledger with panels and a column ``signal``: a rule spoke at that visit."""
    spoke = signals.select("point_pct", performed_on="visit_on", signal=pl.lit(value=True)).unique()
    return (
        _with_panel(ledger)
        .join(spoke, on=["point_pct", "performed_on"], how="left")
        .with_columns(pl.col("signal").fill_null(value=False))
        .sort("point_pct", "visit")
    )


def _readings(
    on: alt.X, field: str, *, reach: float, floor: float | None = None
) -> list[alt.Chart]:
    """Return the marks of the plotted points: a line within a segment, dots, rings at signals."""
    y = bias_axis(field, reach=reach, floor=floor)
    line = _BASE.mark_line(color=colour("measured"), strokeWidth=1)
    dot = _BASE.mark_point(color=colour("measured"), filled=True, size=34, opacity=1)
    ring = _BASE.mark_point(color=colour("signal"), size=_SIGNAL_SIZE, strokeWidth=1.8, opacity=1)
    return [
        line.encode(on, y, alt.Detail("segment:N")),
        dot.encode(on, y),
        ring.transform_filter("datum.signal === true").encode(on, y),
    ]


def _adjustments(on: alt.X, *, reach: float, with_left: bool = True) -> list[alt.Chart]:
    """Return the marks of adjustments: a dotted line at the visit and where it was left."""
    rule = _BASE.mark_rule(color=colour("adjusted"), strokeWidth=1.2, strokeDash=[2, 2])
    marks = [rule.transform_filter("datum.adjusted === true").encode(on)]
    if with_left:
        triangle = _BASE.mark_point(
            color=colour("left"), shape="triangle-up", size=46, strokeWidth=1.5, opacity=1
        )
        marks.append(triangle.encode(on, bias_axis("left", reach=reach)))
    return marks


def _due(on: alt.X) -> list[alt.Chart]:
    """Return the marks of the forecast: a bar over its band and a tick at its middle."""
    bar = _BASE.mark_rule(color=colour("forecast"), strokeWidth=5)
    tick = _BASE.mark_tick(color=colour("ink"), thickness=1.6, size=11, orient="horizontal")
    return [
        bar.encode(on, alt.Y("at_due_low:Q"), alt.Y2("at_due_high:Q")),
        tick.encode(on, alt.Y("at_due:Q")),
    ]
