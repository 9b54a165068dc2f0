"""This module draws the chart of a meter's initial pressure mark; it decides nothing about it."""

from datetime import date

import polars as pl

from drift import format as text
from drift.figures.canvas import Picture
from drift.figures.drawing import known
from drift.figures.panels import Mark, draw_panels

_HEIGHT = 112
# Below this an axis of positions says more about rounding than about a mark.
_LEAST_REACH = 0.05
UNITS = {"dial_pct": "% on the dial", "kpa": "kPa"}


def draw_mark(charted: pl.DataFrame, *, signals: pl.DataFrame, span: tuple[date, date]) -> Picture:
    """Draw where the mark of one meter stood, with the limits that open as it is moved.

    Parameters
    ----------
    charted : pl.DataFrame
        Rows of one meter and the chart ``mark`` of `drift.analysis.charting.MARK_CHARTS`, at least
        one.
    signals : pl.DataFrame
        Signals of the meter's charts of the mark.
    span : (date, date)
        First and last date of the time axis.
    """
    rows = [
        row | {"panel": f"Position of the mark, in {UNITS[row['unit']]}"}
        for row in charted.sort("visit").to_dicts()
    ]
    spoke = set(signals["visit_on"])
    marks = [
        *(
            Mark(row["panel"], kind, row["performed_on"], y=known(row[field]), run=row["phase"])
            for field, kind in (
                ("lower", "lower"),
                ("upper", "upper"),
                ("centre", "centre"),
                ("value", "link"),
            )
            for row in rows
        ),
        *(
            Mark(row["panel"], "dot", row["performed_on"], y=row["value"], says=_says(row))
            for row in rows
        ),
        *(
            Mark(row["panel"], "signal", row["performed_on"], y=row["value"])
            for row in rows
            if row["performed_on"] in spoke
        ),
    ]
    values = [row["value"] for row in rows]
    return draw_panels(
        marks,
        panels=list(dict.fromkeys(row["panel"] for row in rows)),
        span=span,
        reach=(min(values) - _LEAST_REACH, max(values) + _LEAST_REACH),
        height=_HEIGHT,
    )


def _says(row: dict[str, object]) -> str:
    """Say where the mark stood on a day."""
    unit = UNITS[str(row["unit"])]
    return f"{text.day(row['performed_on'])}: mark at {text.plain(row['value'])} {unit}"  # type: ignore[arg-type]  # a row of a frame
