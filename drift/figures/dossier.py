"""This module draws the figures of one meter; it decides nothing about it.

Every function takes frames of `drift.frames` that hold the rows of one meter, and returns an
Altair chart with one panel for each verification point on shared axes.
"""

from datetime import date

import polars as pl

from drift import format as text
from drift.figures.drawing import Drawing, on_date, reach_of, unchecked
from drift.figures.panels import MARK_ROWS, draw_panels

_HEIGHT = 112
_HEIGHT_OF_CONTROL = 84


@unchecked
def draw_as_found(
    ledger: pl.DataFrame,
    *,
    charted: pl.DataFrame,
    signals: pl.DataFrame,
    forecasts: pl.DataFrame,
    tolerance_pct: float,
    span: tuple[date, date],
) -> Drawing:
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
    visits = _with_panel(ledger)
    limits = visits.drop("phase").join(charted, on=["series", "visit"])
    due = forecasts.join(_panels(ledger), on="series").with_columns(on=on_date("due_t_years"))
    left = visits.filter("adjusted")
    drawn = [
        _lines(limits, "lower", run="phase"),
        _lines(limits, "upper", run="phase"),
        _lines(limits, "centre", run="phase"),
        _lines(visits, "as_found_bias_pct", run="segment", kind="link"),
        _dots(visits, "as_found_bias_pct", kind="dot"),
        _dots(left, "as_left_bias_pct", kind="left"),
        _dots(_ringed(visits, signals), "as_found_bias_pct", kind="signal"),
        due.select("panel", "on", kind=pl.lit("expected"), low="at_due_low", high="at_due_high"),
        _dots(due, "at_due", kind="middle"),
    ]
    rows = _stacked(drawn, ledger)
    reach = reach_of(rows.select("y", "low", "high"), at_least=tolerance_pct)
    rows = _stacked([rows, _adjustments(visits, reach=reach)], ledger)
    return draw_panels(rows, span=span, reach=reach, height=_HEIGHT, tolerance_pct=tolerance_pct)


@unchecked
def draw_path(
    ledger: pl.DataFrame,
    *,
    fitted: pl.DataFrame,
    tolerance_pct: float,
    span: tuple[date, date],
) -> Drawing:
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
    visits = _with_panel(ledger)
    line = visits.join(fitted, on=["series", "visit"])
    drawn = [
        line.select("panel", "low", "high", on="performed_on", kind=pl.lit("band")),
        _lines(line, "fit"),
        _lines(visits, "unadjusted_path_pct", kind="link"),
        _dots(visits, "unadjusted_path_pct", kind="dot"),
    ]
    rows = _stacked(drawn, ledger)
    reach = reach_of(rows.select("y", "low", "high"), at_least=tolerance_pct)
    rows = _stacked([rows, _adjustments(visits, reach=reach)], ledger)
    return draw_panels(rows, span=span, reach=reach, height=_HEIGHT, tolerance_pct=tolerance_pct)


@unchecked
def draw_control(
    ledger: pl.DataFrame,
    *,
    charted: pl.DataFrame,
    signals: pl.DataFrame,
    span: tuple[date, date],
) -> Drawing:
    """Draw one control chart: its points, centre and limits, signals ringed.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of that name; it gives dates and panels.
    charted : pl.DataFrame
        Rows of one chart, at least one.
    signals : pl.DataFrame
        Signals of that chart.
    span : (date, date)
        First and last date of the time axis.
    """
    visits = _with_panel(ledger).drop("phase").join(charted, on=["series", "visit"])
    drawn = [
        _lines(visits, "lower", run="phase"),
        _lines(visits, "upper", run="phase"),
        _lines(visits, "centre", run="phase"),
        _lines(visits, "value", run="phase", kind="link"),
        _dots(visits, "value", kind="dot"),
        _dots(_ringed(visits, signals), "value", kind="signal"),
    ]
    rows = _stacked(drawn, ledger)
    reach = reach_of(rows.select("y"), at_least=0.01)
    signed = rows.filter(pl.col("y") < 0).height > 0
    return draw_panels(
        rows, span=span, reach=reach, height=_HEIGHT_OF_CONTROL, floor=None if signed else 0.0
    )


def _panels(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return one row per series with the heading of its panel, in order of the points."""
    points = ledger.select("series", "point_pct").unique().sort("point_pct")
    headings = [f"At {text.point(pct)} air" for pct in points["point_pct"]]
    return points.select("series", pl.Series("panel", headings, dtype=pl.String))


def _with_panel(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return the rows of the ledger with date and heading."""
    return ledger.join(_panels(ledger), on="series").with_columns(on="performed_on")


def _ringed(visits: pl.DataFrame, signals: pl.DataFrame) -> pl.DataFrame:
    """Return the rows at whose visit and point a rule spoke."""
    spoke = signals.select("point_pct", performed_on="visit_on").unique()
    return visits.join(spoke, on=["point_pct", "performed_on"], how="semi")


def _lines(
    rows: pl.DataFrame, field: str, *, run: str | None = None, kind: str | None = None
) -> pl.DataFrame:
    """Return the vertices of lines: one line for each value of the column `run`."""
    named = kind or field
    piece = pl.lit(named) if run is None else pl.format("{} {}", pl.lit(named), run)
    return rows.select("panel", "on", kind=pl.lit(named), run=piece, y=field)


def _dots(rows: pl.DataFrame, field: str, *, kind: str) -> pl.DataFrame:
    """Return dots where `field` is known."""
    known = rows.filter(pl.col(field).is_finite())
    return known.select("panel", "on", kind=pl.lit(kind), y=field)


def _adjustments(visits: pl.DataFrame, *, reach: float) -> pl.DataFrame:
    """Return a line over the whole height of the panel at each adjustment."""
    rows = visits.filter("adjusted")
    return rows.select(
        "panel", "on", kind=pl.lit("adjusted"), low=pl.lit(-reach), high=pl.lit(reach)
    )


def _stacked(parts: list[pl.DataFrame], ledger: pl.DataFrame) -> pl.DataFrame:
    """Return all marks, those of the lowest point first."""
    rows = pl.concat([pl.DataFrame(schema=MARK_ROWS), *parts], how="diagonal_relaxed")
    order = _panels(ledger).select("panel").with_row_index("place")
    return rows.join(order, on="panel").sort("place", maintain_order=True).drop("place")
