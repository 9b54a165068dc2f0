"""This module draws the figures of one meter.

Every function takes frames of `drift.frames` that hold the rows of one meter, and returns a
picture with one panel for each verification point on shared axes.
"""

from collections import Counter
from collections.abc import Callable
from datetime import date, timedelta

import polars as pl

from drift import format as text
from drift.frames import Row
from drift.report.figures import panels
from drift.report.figures.canvas import Picture
from drift.report.figures.drawing import finite_or_none, on_date
from drift.report.figures.panels import Mark, draw_panels

_HEIGHT = 112
_HEIGHT_OF_CONTROL = 84
# Below this an axis of bias says more about rounding than about a meter, % air.
_LEAST_REACH = 0.01

# To each side of the only visit of a phase, the lines of its limits.
_SHORT_DAYS = 25


def draw_as_found(
    ledger: pl.DataFrame,
    *,
    charted: pl.DataFrame,
    signals: pl.DataFrame,
    forecasts: pl.DataFrame,
    fan: pl.DataFrame,
    tolerance_pct: float,
    span: tuple[date, date],
) -> Picture:
    """Draw as-found bias by date with tolerance, control limits, adjustments and forecast.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of that name.
    forecasts : pl.DataFrame
        One row per series: ``due_t_years``, ``at_due`` (true bias then), ``next_mean_low`` and
        ``next_mean_high`` (band of the mean that the visit will find).
    fan : pl.DataFrame
        Predicted true bias from now on: ``series on_date level low high``; empty for none.
    charted : pl.DataFrame
        Rows of the individuals chart.
    signals : pl.DataFrame
        Signals whose visit is to be ringed.
    tolerance_pct : float
        Largest bias that passes, % air.
    span : (date, date)
        First and last date of the time axis.
    """
    visits = _visits(ledger)
    limits = _charted(visits, charted)
    panel_of = {row["series"]: row["panel"] for row in visits}
    due = [
        row | {"panel": panel_of[row["series"]]}
        for row in forecasts.with_columns(on=on_date("due_t_years")).to_dicts()
    ]
    coming = [
        row | {"on": row["on_date"], "panel": panel_of[row["series"]]}
        for row in fan.sort("on_date").to_dicts()
    ]
    adjusted = [row for row in visits if row["adjusted"]]
    marks = [
        *_bars(coming, "low", "high", kind="fan"),
        *_lines(coming, "level", kind="ahead"),
        *_limit_lines(limits, "lower"),
        *_limit_lines(limits, "upper"),
        *_limit_lines(limits, "centre"),
        *_lines(visits, "as_found_bias_pct", kind="link", run="segment"),
        *_dots(visits, "as_found_bias_pct", kind="dot", told=panels.visit),
        *_dots(adjusted, "as_left_bias_pct", kind="left", told=_as_left),
        *_dots(_ringed(visits, signals), "as_found_bias_pct", kind="signal"),
        *_bars(due, "next_mean_low", "next_mean_high", kind="expected"),
        *_dots(due, "at_due", kind="middle", told=panels.ahead),
        *_heights(adjusted),
    ]
    reach = (-tolerance_pct, tolerance_pct)
    return draw_panels(
        marks,
        panels=_panels(visits),
        span=span,
        reach=reach,
        height=_HEIGHT,
        tolerance_pct=tolerance_pct,
    )


def draw_path(
    ledger: pl.DataFrame,
    *,
    fitted: pl.DataFrame,
    jumps: pl.DataFrame,
    tolerance_pct: float,
    span: tuple[date, date],
) -> Picture:
    """Draw the unadjusted path with its fitted trend and the band of the trend.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of that name.
    fitted : pl.DataFrame
        Columns ``series visit fit low high``: trend and band at each visit, null where none.
    jumps : pl.DataFrame
        Columns ``point_pct after by``: a jump of the path between two dates.
    tolerance_pct : float
        Largest bias that passes, % air: it gives the path its scale.
    span : (date, date)
        First and last date of the time axis.
    """
    visits = _visits(ledger)
    line = _charted(visits, fitted)
    marks = [
        *_bars(line, "low", "high", kind="band"),
        *_lines(line, "fit", kind="fit"),
        *_lines(visits, "unadjusted_path_pct", kind="link"),
        *_dots(visits, "unadjusted_path_pct", kind="dot", told=_on_path),
        *_heights([row for row in visits if row["adjusted"]]),
        *(
            Mark(_heading(row["point_pct"]), "jump", row["after"] + (row["by"] - row["after"]) / 2)
            for row in jumps.to_dicts()
        ),
    ]
    reach = (-tolerance_pct, tolerance_pct)
    return draw_panels(
        marks,
        panels=_panels(visits),
        span=span,
        reach=reach,
        height=_HEIGHT,
        tolerance_pct=tolerance_pct,
    )


def draw_control(
    ledger: pl.DataFrame,
    *,
    charted: pl.DataFrame,
    signals: pl.DataFrame,
    span: tuple[date, date],
) -> Picture:
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
    visits = _charted(_visits(ledger), charted)
    marks = [
        *_limit_lines(visits, "lower"),
        *_limit_lines(visits, "upper"),
        *_limit_lines(visits, "centre"),
        *_lines(visits, "value", kind="link", run="phase"),
        *_dots(visits, "value", kind="dot", told=_on_chart),
        *_dots(_ringed(visits, signals), "value", kind="signal"),
    ]
    return draw_panels(
        marks,
        panels=_panels(visits),
        span=span,
        reach=(0.0, _LEAST_REACH),
        height=_HEIGHT_OF_CONTROL,
    )


def _visits(ledger: pl.DataFrame) -> list[Row]:
    """Return the rows of the ledger by point and date, each with its date and panel."""
    return [
        row | {"on": row["performed_on"], "panel": _heading(row["point_pct"])}
        for row in ledger.sort("point_pct", "visit").to_dicts()
    ]


def _heading(point_pct: float) -> str:
    """Return the heading of a point's panel."""
    return f"{text.point(point_pct)} point, in % air"


def _panels(visits: list[Row]) -> list[str]:
    """Return the headings of the panels, in order of the points."""
    return list(dict.fromkeys(row["panel"] for row in visits))


def _charted(visits: list[Row], charted: pl.DataFrame) -> list[Row]:
    """Return the visits that a frame of one row per series and visit speaks of, with its values."""
    found = {(row["series"], row["visit"]): row for row in charted.to_dicts()}
    return [
        row | found[row["series"], row["visit"]]
        for row in visits
        if (row["series"], row["visit"]) in found
    ]


def _ringed(visits: list[Row], signals: pl.DataFrame) -> list[Row]:
    """Return the rows at whose visit and point a rule signalled."""
    spoke = set(signals.select("point_pct", "visit_on").iter_rows())
    return [row for row in visits if (row["point_pct"], row["performed_on"]) in spoke]


def _lines(rows: list[Row], field: str, *, kind: str, run: str | None = None) -> list[Mark]:
    """Return the vertices of lines: one line for each value of `run`, broken where unknown."""
    return [
        Mark(
            row["panel"], kind, row["on"], y=finite_or_none(row[field]), run=row[run] if run else 0
        )
        for row in rows
    ]


def _limit_lines(rows: list[Row], field: str) -> list[Mark]:
    """Return the lines of a limit or centre, phase by phase; a single visit has a short one."""
    seen = Counter((row["panel"], row["phase"]) for row in rows)
    ends = [
        row | {"on": row["on"] + timedelta(days=days)}
        for row in rows
        for days in ((-_SHORT_DAYS, _SHORT_DAYS) if seen[row["panel"], row["phase"]] == 1 else (0,))
    ]
    return _lines(ends, field, kind=field, run="phase")


def _dots(
    rows: list[Row], field: str, *, kind: str, told: Callable[[Row], str] | None = None
) -> list[Mark]:
    """Return dots where `field` is known; `told` says what each stands for."""
    return [
        Mark(row["panel"], kind, row["on"], y=row[field], says=told(row) if told else "")
        for row in rows
        if finite_or_none(row[field]) is not None
    ]


def _as_left(row: Row) -> str:
    """Say what a triangle stands for."""
    return panels.visit(row, stage="as_left")


def _on_path(row: Row) -> str:
    """Say where the unadjusted path is at a visit, and by what it moved."""
    step = f" (step {text.bias(row['drift_step_pct'])})" if row["drift_step_pct"] else ""
    return panels.value(row, f"path {text.bias_with_unit(row['unadjusted_path_pct'])}{step}")


def _on_chart(row: Row) -> str:
    """Say what a control chart plots at a visit, and between which limits."""
    within = (
        f", limits {_limits(row)}"
        if finite_or_none(row["upper"]) is not None
        else ", no limits yet"
    )
    return panels.value(row, f"plotted {text.bias(row['value'])}{within}")


def _limits(row: Row) -> str:
    """Return the limits of a plotted point."""
    if finite_or_none(row["lower"]) is None:
        return f"up to {text.bias(row['upper'])}"
    return text.interval(row["lower"], row["upper"])


def _bars(rows: list[Row], low: str, high: str, *, kind: str) -> list[Mark]:
    """Return bars, or the edges of a band, where both ends are known."""
    return [
        Mark(row["panel"], kind, row["on"], low=row[low], high=row[high])
        for row in rows
        if finite_or_none(row[low]) is not None and finite_or_none(row[high]) is not None
    ]


def _heights(rows: list[Row]) -> list[Mark]:
    """Return a line over the whole height of the panel at each adjustment."""
    return [Mark(row["panel"], "adjusted", row["on"]) for row in rows]
