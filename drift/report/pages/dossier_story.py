"""This module tells what happened to one meter and to its initial pressure mark."""

from datetime import date
from math import comb

import polars as pl

from drift import format as text
from drift.frames import Row
from drift.report.figures.events import UNITS, Happening, draw_mark, draw_story
from drift.report.figures.panels import SEP, noted
from drift.report.pages.dossier_tables import VisitRow
from drift.report.pages.parts import Painted, SignalRow, pictured
from drift.review.results import Review

LANES = ("visits", "adjusted", "mark", "service", "signals", "responses")

# Moves from which their directions are counted; fewer all one way happen by chance too often.
_FEWEST_MOVES = 4
# Chance below which moves are said to go one way, both ways counted.
_ONE_WAY = 0.05


def story_figure(
    review: Review,
    *,
    visits: tuple[VisitRow, ...],
    signals: tuple[SignalRow, ...],
    meter_id: str,
    span: tuple[date, date],
) -> Painted:
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


def mark_figures(review: Review, meter_id: str, *, span: tuple[date, date]) -> tuple[Painted, ...]:
    """Return the figure of the mark, or none where its place is not on record.

    Parameters
    ----------
    review : Review
    meter_id : str
    span : (date, date)
        First and last date of the dossier's time axis.
    """
    mine = review.marks.filter(pl.col("meter_id") == meter_id)
    placed = mine.filter(pl.col("chart") == "mark")
    if placed.is_empty():
        return ()
    signals = review.signals.filter(
        (pl.col("meter_id") == meter_id) & pl.col("chart").str.starts_with("mark")
    )
    days = [*placed["performed_on"], *span]
    conclude = mark_story(mine, signals=signals)
    title = "Initial pressure mark"
    return (
        pictured(
            draw_mark(placed, signals=signals, span=(min(days), max(days))),
            name="mark",
            title=title,
            label=f"{title}: position by date. {conclude}",
            shows=(
                "Where the mark stood each time it was verified, moved or established. "
                f"{placed['note'][-1]}"
            ),
            conclude=conclude,
            key=("point", "signal", "limits"),
        ),
    )


def mark_story(charted: pl.DataFrame, *, signals: pl.DataFrame) -> str:
    """Say what to conclude from the chart of one mark.

    Parameters
    ----------
    charted : pl.DataFrame
        Rows of one meter of `drift.limits.charts.mark.MARK_CHARTS`.
    signals : pl.DataFrame
        Its signals.

    Notes
    -----
    Of n moves that go either way, as many or more go one way with the two-sided binomial chance at
    one half (sign test).
    """
    placed = charted.filter(pl.col("chart") == "mark")
    moves = charted.filter(pl.col("chart") == "mark_moves")["value"]
    unit = UNITS[placed["unit"][-1]]
    if moves.is_empty():
        return f"The mark has not been moved: it stands at {_at(placed['value'][-1], unit)}."
    up = int((moves > 0).sum())
    most = max(up, moves.len() - up)
    travel = text.fixed(float(moves.sum()), places=2, signed=True)
    told = f"Moved {_times(moves.len())}, {travel} {unit} in all"
    if moves.len() >= _FEWEST_MOVES:
        chance = _sign_chance(moves.len(), most)
        ways = "up" if up == most else "down"
        told += f"; {most} of {moves.len()} moves went {ways}"
        told += f" (by chance {text.probability(chance)} if moves went either way)"
        if chance < _ONE_WAY and not most < moves.len() - most:
            told += ": look for what drives it, a leak or a tired spring, before moving it again"
    if not signals.is_empty():
        return f"{told}. {text.count(signals.height, 'signal')} of the mark: see below."
    if placed["upper"].null_count() == placed.height:
        return f"{told}. Cannot say yet how large such moves usually are."
    return f"{told}. No move and no place lies beyond its limits."


def _sign_chance(number: int, most: int) -> float:
    """Return the two-sided binomial chance of `most` or more of `number` moves on one side."""
    tail = sum(comb(number, times) for times in range(most, number + 1)) / 2.0**number
    return min(1.0, 2 * tail)


def _times(number: int) -> str:
    """Return "once", "twice" or "6 times"."""
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def _at(value: float, unit: str) -> str:
    """Return a position with its unit."""
    return f"{text.plain(value)} {unit}"
