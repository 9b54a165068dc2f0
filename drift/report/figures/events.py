"""This module draws what happened to one meter: events, marks and a suspect period."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import polars as pl

from drift import format as text
from drift.frames import Row
from drift.report.figures import canvas
from drift.report.figures.canvas import Picture, dates
from drift.report.figures.drawing import PANEL_WIDTH, colour, finite_or_none
from drift.report.figures.panels import RIGHT, Mark, draw_panels, time_axis

_NAMES = 84
_LANE = 22
_TOP = 4
_FOOT = 24

_HEIGHT = 112
# Below this an axis of positions says more about rounding than about a mark.
_LEAST_REACH = 0.05
UNITS = {"dial_pct": "% on the dial", "kpa": "kPa"}


@dataclass(frozen=True, slots=True)
class Happening:
    """One thing that happened.

    Attributes
    ----------
    lane : str
        Name of its lane.
    kind : str
        A key of `LOOKS`.
    on : date
        The day.
    says : str
        What it was, for who points at it.
    """

    lane: str
    kind: str
    on: date
    says: str


# Colour role, shape, whether filled, and size of each kind.
LOOKS = {
    "inside": ("measured", "circle", True, 30),
    "unread": ("measured", "circle", False, 30),
    "outside": ("signal", "diamond", True, 70),
    "adjusted": ("left", "triangle-up", False, 46),
    "verified": ("adjusted", "stroke", False, 60),
    "moved": ("adjusted", "square", True, 44),
    "service": ("ink", "cross", False, 60),
    "signal": ("signal", "circle", False, 60),
    "response": ("ink", "triangle-down", False, 46),
}


def draw_story(
    happenings: Sequence[Happening], *, lanes: Sequence[str], span: tuple[date, date], now: date
) -> Picture:
    """Draw happenings in lanes over one time axis.

    Parameters
    ----------
    happenings : sequence of Happening
        In any order.
    lanes : sequence of str
        Names of the lanes from the top; one without happenings says so.
    span : (date, date)
        First and last date of the time axis.
    now : date
        The date of the review, drawn as a line.
    """
    left, right = _NAMES, _NAMES + PANEL_WIDTH
    days = dates(span, start=left, end=right)
    foot = _TOP + _LANE * len(lanes)
    heights = {lane: _TOP + _LANE * (place + 0.5) for place, lane in enumerate(lanes)}
    told = {happening.lane for happening in happenings}
    under, words = time_axis(days, foot, left=left, right=right)
    for lane, y in heights.items():
        under.append(canvas.path([(left, y), (right, y)], stroke=colour("hairline"), width=0.6))
        words.append(canvas.word(left - 8, y, lane, hue=colour("ink"), align="end"))
        if lane not in told:
            words.append(canvas.word(left + 6, y, "none on record", hue=colour("quiet")))
    today = days.at(now)
    under.append(canvas.path([(today, _TOP), (today, foot)], stroke=colour("edge"), dash=(1, 3)))
    ordered = sorted(happenings, key=lambda one: (heights[one.lane], one.on, one.says))
    dots = tuple(_dot(one, days.at(one.on), heights[one.lane]) for one in ordered)
    return Picture(right + RIGHT, foot + _FOOT, tuple(under), dots, tuple(words))


def _dot(one: Happening, x: float, y: float) -> Row:
    """Return the mark of one happening."""
    role, shape, filled, size = LOOKS[one.kind]
    hue = colour(role)
    return canvas.dot(
        x,
        y,
        stroke=hue,
        shape=shape,
        size=size,
        fill=hue if filled else None,
        width=1.5,
        says=one.says,
    )


def draw_mark(charted: pl.DataFrame, *, signals: pl.DataFrame, span: tuple[date, date]) -> Picture:
    """Draw where the mark of one meter stood, with the limits that open as it is moved.

    Parameters
    ----------
    charted : pl.DataFrame
        Rows of one meter and the chart ``mark`` of `drift.limits.charts.mark.MARK_CHARTS`, at least
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
            Mark(
                row["panel"],
                kind,
                row["performed_on"],
                y=finite_or_none(row[field]),
                run=row["phase"],
            )
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
