"""This module records responses to signals and decisions on visits, many at once."""

import csv
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from drift.api.reviews import read_known
from drift.errors import DriftError, SourceError
from drift.intake.appending import append_rows, start_file, take_back
from drift.intake.mapping import Mapping as NoMapping
from drift.intake.written_decisions import decision_id_of
from drift.places import check_place
from drift.review.analyse import find_signals, ledger_of
from drift.review.policy import Policy
from drift.review.responses import (
    Response,
    answerable_signal,
    check_new_response,
    check_response,
    named_id,
)
from drift.store.connection import all_or_nothing
from drift.store.folder_journal import append_kept, read_kept
from drift.store.journal import Draft, next_entry, signed_now
from drift.store.loading import take_within
from drift.store.opening import open_store

Cells = dict[str, str | date | None]
# A sheet of open points calls two columns of responses by shorter names.
_ALSO = {"recorded_by": "by", "recorded_on": "on"}


@dataclass(frozen=True, slots=True)
class Recorded:
    """Where a response went, and the signal it answers (a row of `SIGNALS`)."""

    place: Path
    signal: dict[str, Any]


@dataclass(frozen=True, slots=True)
class AnswerGiven:
    """A response to one signal, or to all open ones of a visit.

    Attributes
    ----------
    response : Response
        Its signal may be empty, or only begin as it does, in any case of letters.
    visit_on : date or None
        The visit whose signals it answers, of the response's meter, where it names none.
    place : str
        Where it was written, for messages.
    """

    response: Response
    visit_on: date | None = None
    place: str = "the response"


def respond_all(
    source: Path, answers: Sequence[AnswerGiven], *, as_of: date, policy: Policy
) -> list[Recorded]:
    """Record responses in a folder or a store file, all or, where one cannot be recorded, none.

    Parameters
    ----------
    source : Path
        Folder or store file; no row in it is changed.
    answers : sequence of AnswerGiven
        What to record.
    as_of : date
        Today: the signals known then may be answered.
    policy : Policy
        Under which the signals arise.

    Raises
    ------
    DriftError
        If the source cannot be used or written, a signal is unknown or another meter's, or a
        response is on record already.
    """
    for answer in answers:
        check_response(answer.response, as_of=as_of)
    sources = read_known(source, as_of=as_of, policy=policy)
    signals, known = find_signals(
        sources, source_name=source.resolve().name, as_of=as_of, policy=policy
    )
    found: list[tuple[Response, dict[str, Any]]] = []
    for answer in answers:
        for response in _responses_of(answer, signals):
            signal = answerable_signal(response, signals)
            check_new_response(response, known)
            if any(other.signal_id == response.signal_id for other, _ in found):
                raise DriftError(
                    what="is answered twice",
                    where=f"{answer.place}, {response.signal_id}",
                    expected="one response to a signal a day",
                )
            found.append((response, signal))
    rows = [asdict(response) for response, _ in found]
    told = "; ".join(f"{one.signal_id}: {one.finding}; {one.action}" for one, _ in found[:5])
    draft = Draft(
        signed=signed_now(" and ".join(sorted({one.recorded_by for one, _ in found})), ""),
        kind="response",
        what=told + (f"; and {len(found) - 5} more" if len(found) > 5 else ""),
        meters=tuple(sorted({signal["meter_id"] for _, signal in found})),
    )
    place = _record(source, "responses", rows, draft=draft, policy=policy)
    return [Recorded(place, signal) for _, signal in found]


def _responses_of(answer: AnswerGiven, signals: pl.DataFrame) -> list[Response]:
    """Return the responses that an answer stands for."""
    given = answer.response
    meter_id = given.meter_id
    if meter_id is not None:
        meter_id = named_id(meter_id, signals["meter_id"].unique())
    if given.signal_id:
        signal_id = named_id(given.signal_id, signals["signal_id"])
        return [_like(given, signal_id=signal_id, meter_id=meter_id)]
    open_ones = signals.filter(
        pl.col("answered_on").is_null(),
        pl.col("meter_id") == meter_id,
        pl.col("visit_on") == answer.visit_on,
    )
    if open_ones.is_empty():
        raise DriftError(
            what="names no open signal",
            where=f"{answer.place}, {meter_id} on {answer.visit_on}",
            expected="a meter and the day of a visit with a signal that has no response",
        )
    return [_like(given, signal_id=one, meter_id=meter_id) for one in open_ones["signal_id"]]


def _like(response: Response, *, signal_id: str, meter_id: str | None) -> Response:
    """Return a response to a signal in the words of another."""
    return Response(**(asdict(response) | {"signal_id": signal_id, "meter_id": meter_id}))


def read_answers(path: Path) -> tuple[list[AnswerGiven], int]:
    """Read a sheet of open points that was filled in.

    Returns
    -------
    answers : list of AnswerGiven
        Its rows with a finding or an action.
    blank : int
        Rows that were not filled in.

    Raises
    ------
    SourceError
        If it cannot be read, or a row is filled in half.
    """
    check_place(path, raised=SourceError, expected="a sheet of open points")
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file, strict=True)
            rows = [(reader.line_num, row) for row in reader]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise SourceError(
            what=f"cannot be read ({error})", where=str(path), expected="a sheet of open points"
        ) from error
    answers = []
    for line, row in rows:
        cells = {name: " ".join((text or "").split()) for name, text in row.items() if name}
        cells |= {name: cells.get(name) or cells.get(also, "") for name, also in _ALSO.items()}
        if cells.get("finding") or cells.get("action"):
            answers.append(_answer(cells, f"{path.name}:{line}"))
    return answers, len(rows) - len(answers)


def _answer(cells: Mapping[str, str], place: str) -> AnswerGiven:
    """Return one row of a sheet of open points."""
    for name in ("finding", "action", *_ALSO):
        if not cells.get(name):
            raise SourceError(
                what=f"{_ALSO.get(name, name)} is empty", where=place, expected="a row filled in"
            )
    # A sheet puts an apostrophe before what a spreadsheet would take for a formula.
    meter_id = cells.get("meter_id", "").removeprefix("'") or None
    signal_id = cells.get("signal_id", "").removeprefix("'")
    visit_on = _day(cells["visit_on"], place) if cells.get("visit_on") else None
    if not signal_id and not (meter_id and visit_on):
        raise SourceError(
            what="names neither a signal nor a meter and its visit",
            where=place,
            expected="signal_id, or meter_id and visit_on",
        )
    response = Response(
        signal_id=signal_id,
        finding=cells["finding"],
        action=cells["action"],
        recorded_by=cells["recorded_by"],
        recorded_on=_day(cells["recorded_on"], place),
        meter_id=meter_id,
    )
    return AnswerGiven(response, visit_on=visit_on, place=place)


def _day(text: str, place: str) -> date:
    """Return the day that a cell says."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise SourceError(
            what=f"{text!r} is no date", where=place, expected="a day such as 2026-01-31"
        ) from None


@dataclass(frozen=True, slots=True)
class Decision:
    """What was decided about a visit: columns of the input table ``decisions``."""

    meter_id: str
    about: date
    decision: str
    decided_by: str
    decided_on: date
    customer_told_on: date | None = None
    authorised_by: str | None = None
    remarks: str | None = None


def record_decision(
    source: Path, decision: Decision, *, as_of: date, policy: Policy
) -> tuple[Path, str]:
    """Record a decision about a visit in a folder or a store file.

    Returns
    -------
    place : Path
        Where it went.
    decision_id : str
        What it goes by.

    Raises
    ------
    DriftError
        If the source cannot be used or written, there is no such visit, or the days contradict.
    """
    sources = read_known(source, as_of=as_of, policy=policy)
    name = source.resolve().name
    ledger = ledger_of(sources, source_name=name, as_of=as_of, policy=policy)
    meter_id = named_id(decision.meter_id, ledger["meter_id"].unique())
    visits = ledger.filter(pl.col("meter_id") == meter_id)["performed_on"].unique().sort()
    if decision.about not in visits.to_list():
        raise DriftError(
            what=f"has no visit on {decision.about} on record",
            where=meter_id,
            expected="the day of a visit",
            hint=f"the last: {', '.join(map(str, visits.tail(3)))}" if visits.len() else "",
        )
    if not decision.about <= decision.decided_on <= as_of:
        raise DriftError(
            what=f"is dated {decision.decided_on}",
            where="the decision",
            expected=f"a day from {decision.about} to {as_of}",
        )
    about, decided_on = decision.about.isoformat(), decision.decided_on.isoformat()
    decision_id = decision_id_of(meter_id, about, decided_on, decision.decision)
    if decision_id in sources.decisions["decision_id"].to_list():
        raise DriftError(
            what="is on record already", where=decision_id, expected="another decision"
        )
    row: Cells = {**asdict(decision), "meter_id": meter_id, "decision_id": decision_id}
    draft = Draft(
        signed=signed_now(decision.decided_by, ""),
        kind="decision",
        what=f"{decision_id} about {meter_id} on {decision.about}: {decision.decision}",
        meters=(meter_id,),
    )
    return _record(source, "decisions", [row], draft=draft, policy=policy), decision_id


def _record(
    source: Path, table: str, rows: Sequence[Cells], *, draft: Draft, policy: Policy
) -> Path:
    """Add rows to a table of a folder or a store, with an entry of the journal, or nothing."""
    if not source.is_dir():
        _add_to_store(source, table, rows, draft=draft)
        return source
    place, before = append_rows(source, table=table, rows=rows)
    try:
        seen = read_known(source, as_of=date.max, policy=policy)
        there = seen.responses if table == "responses" else seen.decisions
        _check_there(rows, there, place=place)
        append_kept(source, draft, [], seen=len(read_kept(source).entries))
    except BaseException:
        take_back(place, before=before)
        raise
    return place


def _check_there(rows: Sequence[Cells], seen: pl.DataFrame, *, place: Path) -> None:
    """Raise if rows that were added cannot be read."""
    if not all(_is_among(row, seen) for row in rows):
        raise SourceError(
            what="takes no further row: what was added could not be read again",
            where=str(place),
            expected="texts of one line, and a file that ends with a complete row",
        )


def _is_among(row: Cells, rows: pl.DataFrame) -> bool:
    """Say whether a row is among others; cells apart for which a file may lack room."""
    wanted = {name: value for name, value in row.items() if value and name != "meter_id"}
    return wanted in rows.select(wanted.keys()).to_dicts()


def _add_to_store(store: Path, table: str, rows: Sequence[Cells], *, draft: Draft) -> None:
    """Load rows into a store, as if they had come in a folder of their own."""
    with tempfile.TemporaryDirectory(prefix="drift-") as made:
        folder = Path(made)
        con = open_store(store, folder=folder)
        try:
            with all_or_nothing(con):
                number, _ = next_entry(con)
                path = start_file(folder, table=table, rows=rows, mapping=NoMapping())
                path.rename(folder / f"entry_{number}.csv")
                take_within(con, folder, draft=draft, by_hand=True)
        finally:
            con.close()
