"""This module tells calibrations that rest on a person, a vessel or a balance not in order then."""

from collections.abc import Callable, Iterator
from datetime import date
from functools import partial
from typing import Any

import polars as pl

from drift import format as text
from drift.frames import Row, Schema
from drift.review.results import Review

UNKNOWN, UNAUTHORISED = "person_not_on_record", "person_not_authorised"
NO_VESSEL, NOT_YET = "vessel_not_on_record", "vessel_not_calibrated"
ENDED, NO_SCALE = "calibration_ended", "balance_not_on_record"

# One row per calibration of a meter or a vessel and what was not in order that day:
# `data/register_faults.csv`.  meter_id and visit_id are null for a vessel; since_on is the day from
# which it is in order, or until which it was, null where there is none.
REGISTER_FAULTS: Schema = {
    "meter_id": pl.String,
    "visit_id": pl.String,
    "performed_on": pl.Date,
    "fault": pl.String,
    "item": pl.String,
    "since_on": pl.Date,
    "sentence": pl.String,
}
# Words of a task that is the work of this register; where no task says one of them, any counts.
_CALIBRATING = ("calib", "verif")
_SEVERAL = " + "


def register_faults(review: Review) -> pl.DataFrame:
    """Return calibrations with somebody not authorised, or with equipment not in order, that day.

    Parameters
    ----------
    review : Review
        Of the whole fleet.

    Returns
    -------
    pl.DataFrame
        Frame of `REGISTER_FAULTS`, the newest first.

    Notes
    -----
    People are looked up only where the table ``people`` has rows, equipment only where ``vessels``
    or ``equipment`` has; a laboratory that keeps no such table is asked for it elsewhere.  A vessel
    or balance is overdue where the last calibration before the day ended before it (``due_on``).
    """
    if review.faults is not None:
        return review.faults
    sources = review.sources
    people, items = _authorised(sources.people), _calibrated(review)
    rows: list[Row] = []
    if people:
        rows += _of_visits(sources.sessions, "operator", partial(_person, people))
    if items:
        rows += _of_visits(sources.sessions, "vessel_id", partial(_equipment, items))
    rows += _of_vessels(review, items)
    rows += _of_bowls(review, items)
    return pl.DataFrame(rows, schema=REGISTER_FAULTS).sort(
        *("performed_on", "meter_id", "item"),
        descending=[True, False, False],
        nulls_last=True,
        maintain_order=True,
    )


# A fault: its token, the item, since or until when, and a clause on it.
_Fault = tuple[str, str, date | None, str]


def _of_visits(
    sessions: pl.DataFrame, column: str, judge: Callable[[str, date], _Fault | tuple[()]]
) -> Iterator[Row]:
    """Yield calibrations of meters by or with what was not in order, each name and day judged once.

    Parameters
    ----------
    sessions : pl.DataFrame
        Frame of `drift.store.tables.SESSIONS`.
    column : str
        Its column that names people or equipment.
    judge : callable
        Says what is wrong with one of them on a day.
    """
    day = pl.col("performed_on").min().over("meter_id", "visit_id")
    used = (
        sessions.with_columns(performed_on=day)
        .drop_nulls(column)
        .select("meter_id", "visit_id", "performed_on", item=pl.col(column).str.split(_SEVERAL))
        .explode("item")
        .unique(maintain_order=True)
    )
    pairs = used.select("item", "performed_on").unique(maintain_order=True)
    faults = {(item, on): judge(item, on) for item, on in pairs.iter_rows()}
    for meter_id, visit_id, on, item in used.iter_rows():
        if fault := faults[item, on]:
            about = {"meter_id": meter_id, "visit_id": visit_id, "performed_on": on}
            yield _row(about, fault, f"the calibration of {meter_id} on {text.day(on)}")


def _row(about: Row, fault: _Fault, what: str) -> Row:
    """Return one row of the frame."""
    token, item, since, words = fault
    sentence = f"{what[0].upper()}{what[1:]} {words}."
    return {**about, "fault": token, "item": item, "since_on": since, "sentence": sentence}


def _authorised(people: pl.DataFrame) -> dict[str, list[tuple[date, date | None]]]:
    """Return the spans in which each person may calibrate, by name in lower case."""
    task = pl.col("task").str.to_lowercase()
    mine = people.filter(pl.any_horizontal(*(task.str.contains(one) for one in _CALIBRATING)))
    spans: dict[str, list[tuple[date, date | None]]] = {}
    rows = (people if mine.is_empty() else mine).sort("authorised_on")
    for name, first, last in rows.select(
        "operator", "authorised_on", "authorised_until"
    ).iter_rows():
        spans.setdefault(name.casefold(), []).append((first, last))
    return spans


def _person(
    people: dict[str, list[tuple[date, date | None]]], name: str, day: date
) -> _Fault | tuple[()]:
    """Return what is wrong with a person who calibrated on a day; nothing where all is well."""
    spans = people.get(name.casefold())
    if spans is None:
        return UNKNOWN, name, None, f"is by {name}, who is not among the people on record"
    if any(first <= day and (last is None or day <= last) for first, last in spans):
        return ()
    before = [last for _, last in spans if last is not None and last < day]
    if before:
        ended = max(before)
        words = f"is by {name}, whose authorisation ended on {text.day(ended)}"
        return UNAUTHORISED, name, ended, words
    first = spans[0][0]
    words = f"is by {name}, who was authorised only later, on {text.day(first)}"
    return UNAUTHORISED, name, first, words


def _calibrated(review: Review) -> dict[str, list[tuple[date, date | None]]]:
    """Return of each vessel and each piece of equipment the days of calibration and of its end."""
    sources = review.sources
    rows = pl.concat(
        [
            sources.vessels.select("calibrated_on", "due_on", item="vessel_id"),
            sources.equipment.select("calibrated_on", "due_on", item="equipment_id"),
        ]
    ).sort("calibrated_on")
    items: dict[str, list[tuple[date, date | None]]] = {}
    for first, due, item in rows.iter_rows():
        items.setdefault(item.casefold(), []).append((first, due))
    return items


def _equipment(
    items: dict[str, list[tuple[date, date | None]]],
    item: str,
    day: date,
    *,
    absent: str = NO_VESSEL,
) -> _Fault | tuple[()]:
    """Return what is wrong with equipment used on a day; nothing where all is well."""
    spans = items.get(item.casefold())
    if spans is None:
        return absent, item, None, f"is with {item}, which is not on record"
    begun = [(first, due) for first, due in spans if first <= day]
    if not begun:
        first = spans[0][0]
        words = f"is with {item}, which was calibrated only later, on {text.day(first)}"
        return NOT_YET, item, first, words
    last = begun[-1][0]
    ends = [due for first, due in begun if first == last and due is not None]
    if not ends or max(ends) >= day:
        return ()
    ended = max(ends)
    return ENDED, item, ended, f"is with {item}, whose calibration ended on {text.day(ended)}"


def _of_vessels(review: Review, items: dict[str, Any]) -> Iterator[Row]:
    """Yield calibrations of vessels with a balance that was not in order."""
    for row in review.sources.vessels.drop_nulls("scale_id").iter_rows(named=True):
        day = row["calibrated_on"]
        what = f"the calibration of {row['vessel_id']} on {text.day(day)}"
        if fault := _equipment(items, row["scale_id"], day, absent=NO_SCALE):
            yield _row({"meter_id": None, "visit_id": None, "performed_on": day}, fault, what)


def _of_bowls(review: Review, items: dict[str, Any]) -> Iterator[Row]:
    """Yield measurements of bowls with a balance that was not in order."""
    for row in review.sources.bowls.drop_nulls("scale_id").iter_rows(named=True):
        day = row["measured_on"]
        what = f"the measurement of the bowl of {row['meter_id']} on {text.day(day)}"
        if fault := _equipment(items, row["scale_id"], day, absent=NO_SCALE):
            about = {"meter_id": row["meter_id"], "visit_id": None, "performed_on": day}
            yield _row(about, fault, what)
