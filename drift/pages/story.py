"""This module gathers what happened to one meter, from its first visit on, as one figure."""

from datetime import date
from typing import Any

import polars as pl

from drift import format as text
from drift.figures.says import SEP, noted
from drift.figures.story import Happening, draw_story
from drift.pages.data import Figure, SignalRow, VisitRow
from drift.pages.pictures import pictured
from drift.results import Review

Row = dict[str, Any]

LANES = ("visits", "adjusted", "mark", "service", "signals", "responses")


def story_figure(
    review: Review,
    *,
    visits: tuple[VisitRow, ...],
    signals: tuple[SignalRow, ...],
    meter_id: str,
    span: tuple[date, date],
) -> Figure:
    """Return the figure of what happened to one meter, with its words.

    Parameters
    ----------
    review : Review
        What was found.
    visits, signals
        Rows of the dossier.
    meter_id : str
        The meter.
    span : (date, date)
        First and last date of the time axis.
    """
    mine = pl.col("meter_id") == meter_id
    marks = review.sources.marks.filter(mine)
    service = review.sources.service.filter(mine)
    happenings = [
        *(_visit(visit) for visit in visits),
        *(_adjustment(visit) for visit in visits if visit.adjusted),
        *(_mark(row) for row in marks.iter_rows(named=True)),
        *(_service(row) for row in service.iter_rows(named=True)),
        *(_signal(signal) for signal in signals),
        *(_response(one.answered_on, one) for one in signals if one.answered_on),
    ]
    conclude = _conclusion(visits, signals, moved=_moves(marks), service=service.height)
    unread = ("unread",) if any(one.kind == "unread" for one in happenings) else ()
    days = [*span, *(happening.on for happening in happenings)]
    return pictured(
        draw_story(happenings, lanes=LANES, span=(min(days), max(days)), now=review.as_of),
        name="story",
        title="Its story",
        label=f"What happened to the meter, by date. {conclude}",
        shows=(
            "Everything on record, each mark with its day: point at one to read it. The dotted "
            f"line is the date of this review, {text.day(review.as_of)}."
        ),
        conclude=conclude,
        key=(
            "inside",
            "outside",
            *unread,
            "left",
            "verified",
            "moved",
            "service",
            "spoke",
            "response",
        ),
    )


def _conclusion(
    visits: tuple[VisitRow, ...], signals: tuple[SignalRow, ...], *, moved: int, service: int
) -> str:
    """Say how often what happened."""
    outside = sum(_is_outside(visit) for visit in visits)
    adjusted = sum(visit.adjusted for visit in visits)
    answered = sum(signal.answered_on is not None for signal in signals)
    first, last = visits[-1].performed_on, visits[0].performed_on
    spoken = (
        f"{text.count(len(signals), 'signal')}, {answered} with a response"
        if signals
        else "no signal"
    )
    return (
        f"{text.count(len(visits), 'visit')} from {text.day(first)} to {text.day(last)}: found "
        f"outside the tolerance at {outside}, adjusted at {adjusted}. The mark was moved "
        f"{text.count(moved, 'time')}; {text.count(service, 'service record')}; {spoken}."
    )


def _moves(marks: pl.DataFrame) -> int:
    """Count the records that the mark was moved."""
    return marks.filter(pl.col("action") == "moved").height


def _is_outside(visit: VisitRow) -> bool:
    """Say whether a visit found any point outside the tolerance."""
    return any(reading.out for reading in visit.points if reading)


def _visit(visit: VisitRow) -> Happening:
    """Return a visit."""
    outside = _is_outside(visit)
    found = [
        text.bias(reading.found_pct)
        for reading in visit.points
        if reading and reading.found_pct is not None
    ]
    told = f"as found {', '.join(found)} % air" if found else "nothing read as found"
    verdict = "outside the tolerance" if outside else "inside the tolerance" if found else ""
    by = f"vessel {noted(visit.vessel_id)}" if visit.vessel_id else ""
    kind = "outside" if outside else "inside" if found else "unread"
    parts = [verdict, told, noted(visit.operator), by, noted(visit.remarks)]
    return _happening("visits", kind, visit.performed_on, parts)


def _adjustment(visit: VisitRow) -> Happening:
    """Return an adjustment, with what it left."""
    left = [
        text.bias(reading.left_pct)
        for reading in visit.points
        if reading and reading.left_pct is not None
    ]
    told = f"left at {', '.join(left)} % air" if left else "nothing read as left"
    lost = "as-found evidence lost" if visit.evidence_lost else ""
    parts = ["adjusted", noted(visit.events), told, lost]
    return _happening("adjusted", "adjusted", visit.performed_on, parts)


def _mark(row: Row) -> Happening:
    """Return a record of the initial pressure mark."""
    kind = "moved" if row["action"] == "moved" else "verified"
    what = f"mark {row['action']} at {text.plain(row['mark'])}"
    parts = [what, noted(row["operator"]), noted(row["remarks"])]
    return _happening("mark", kind, row["performed_on"], parts)


def _service(row: Row) -> Happening:
    """Return a service record."""
    parts = [text.words_of(row["action"]), noted(row["operator"]), noted(row["remarks"])]
    return _happening("service", "service", row["performed_on"], parts)


def _signal(signal: SignalRow) -> Happening:
    """Return a signal."""
    answer = "" if signal.answered_on else "no response"
    parts = [f"{signal.chart} at {text.point(signal.point_pct)}", noted(signal.sentence), answer]
    return _happening("signals", "signal", signal.visit_on, parts)


def _response(on: date, signal: SignalRow) -> Happening:
    """Return the response to a signal, recorded `on`."""
    parts = [f"response to {signal.signal_id}", noted(signal.response)]
    return _happening("responses", "response", on, parts)


def _happening(lane: str, kind: str, on: date, parts: list[str]) -> Happening:
    """Return one happening that says its day and the parts that are not empty."""
    return Happening(lane, kind, on, SEP.join([text.day(on), *filter(None, parts)]))
