"""This module records responses to signals and decisions on visits, many at once."""

import tempfile
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from drift.api.sources import read_known
from drift.errors import DriftError, SourceError
from drift.ids import named_id, nearest_meters
from drift.intake.appending import append_rows, start_file, take_back
from drift.intake.mapping import Mapping as NoMapping
from drift.intake.written_decisions import decision_id_of
from drift.review.analyse import find_signals
from drift.review.policy import Policy
from drift.review.responses import (
    Response,
    answerable_signal,
    check_new_response,
    check_response,
)
from drift.review.settled import settled_since
from drift.review.sourced import ledger_of
from drift.store.connection import all_or_nothing
from drift.store.folder_journal import append_kept, read_kept
from drift.store.journal import Draft, next_entry, signed_now
from drift.store.loading import take_within
from drift.store.opening import open_store
from drift.store.tables import Sources

Cells = dict[str, str | date | None]
# Responses or decisions that an entry of the journal names.
_MOST = 5


@dataclass(frozen=True, slots=True)
class Recorded:
    """Where a response or a decision went.

    Attributes
    ----------
    place : Path
        File written to.
    row_id : str
        The signal that it answers, or what the decision goes by.
    meter_id, about : str
        The meter, and what was seen or decided.
    """

    place: Path
    row_id: str
    meter_id: str
    about: str


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


@dataclass(frozen=True, slots=True)
class _Entered:
    """Rows of one table that are to be recorded, their entry, and what is told of each."""

    table: str
    rows: list[Cells]
    draft: Draft
    told: Sequence[tuple[str, ...]]


def respond_all(
    source: Path,
    answers: Sequence[AnswerGiven],
    *,
    decisions: Sequence[Decision] = (),
    as_of: date,
    policy: Policy,
) -> list[Recorded]:
    """Record responses and decisions in a folder or a store file.

    Parameters
    ----------
    source : Path
        Folder or store file; no row in it is changed.
    answers : sequence of AnswerGiven
        Responses to record.
    decisions : sequence of Decision
        Decisions to record; their meters may be the beginning of one id.
    as_of : date
        Today: the signals known then may be answered.
    policy : Policy
        Under which the signals arise.

    Returns
    -------
    list of Recorded
        What was recorded, responses first; where one cannot be recorded, nothing is.

    Raises
    ------
    DriftError
        If the source cannot be used or written, a signal is unknown or another meter's, a visit is
        not on record, days contradict, or the same is on record already.
    """
    for answer in answers:
        check_response(answer.response, as_of=as_of)
    sources = read_known(source, as_of=as_of, policy=policy)
    name = source.resolve().name
    ledger = ledger_of(sources, source_name=name, as_of=as_of, policy=policy)
    entered = []
    if answers:
        signals, known = find_signals(sources, ledger, policy=policy)
        _check_not_gone(answers, signals, ledger=ledger, sources=sources)
        entered.append(_responses_entered(answers, signals, known))
    if decisions:
        entered.append(_decisions_entered(decisions, ledger, sources.decisions, as_of=as_of))
    places = _record(source, entered, policy=policy)
    return [
        Recorded(place, *told)
        for one, place in zip(entered, places, strict=True)
        for told in one.told
    ]


def _check_not_gone(
    answers: Sequence[AnswerGiven], signals: pl.DataFrame, *, ledger: pl.DataFrame, sources: Sources
) -> None:
    """Raise if a signal to be answered is gone since its readings were amended or withdrawn."""
    unknown = {answer.response.signal_id for answer in answers} - {"", *signals["signal_id"]}
    gone = settled_since(
        unknown, ledger=ledger, amendments=sources.amendments, set_aside=sources.set_aside
    )
    for signal_id, told in gone.items():
        raise DriftError(
            what=f"asks for no response any more: {told['settled']}",
            where=f"{signal_id} of {told['meter_id']}",
            expected="a signal of readings in force",
        )


def _responses_entered(
    answers: Sequence[AnswerGiven], signals: pl.DataFrame, known: pl.DataFrame
) -> _Entered:
    """Return the rows that answers make, or raise."""
    found: list[tuple[Response, dict[str, Any]]] = []
    answered: set[str] = set()
    for answer in answers:
        for response in _responses_of(answer, signals):
            signal = answerable_signal(response, signals)
            check_new_response(response, known)
            if response.signal_id in answered:
                raise DriftError(
                    what="is answered twice",
                    where=f"{answer.place}, {response.signal_id}",
                    expected="one response to a signal a day",
                )
            answered.add(response.signal_id)
            found.append((response, signal))
    told = "; ".join(f"{one.signal_id}: {one.finding}; {one.action}" for one, _ in found[:_MOST])
    draft = Draft(
        signed=signed_now(" and ".join(sorted({one.recorded_by for one, _ in found})), ""),
        kind="response",
        what=told + _and_more(len(found)),
        meters=tuple(sorted({signal["meter_id"] for _, signal in found})),
    )
    return _Entered(
        "responses",
        [asdict(response) for response, _ in found],
        draft,
        [(one.signal_id, signal["meter_id"], signal["sentence"]) for one, signal in found],
    )


def _and_more(number: int) -> str:
    """Say how many there are beyond those that an entry names."""
    return f"; and {number - _MOST} more" if number > _MOST else ""


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
            hint=nearest_meters(meter_id or "", signals["meter_id"].unique()),
        )
    return [_like(given, signal_id=one, meter_id=meter_id) for one in open_ones["signal_id"]]


def _like(response: Response, *, signal_id: str, meter_id: str | None) -> Response:
    """Return a response to a signal in the words of another."""
    return Response(**(asdict(response) | {"signal_id": signal_id, "meter_id": meter_id}))


def _decisions_entered(
    decisions: Sequence[Decision], ledger: pl.DataFrame, known: pl.DataFrame, *, as_of: date
) -> _Entered:
    """Return the rows that decisions make, or raise."""
    rows: list[Cells] = []
    ids = set(known["decision_id"])
    for decision in decisions:
        meter_id = _decided_meter(decision, ledger, as_of=as_of)
        decision_id = decision_id_of(
            meter_id,
            about=decision.about.isoformat(),
            decided_on=decision.decided_on.isoformat(),
            decision=decision.decision,
        )
        if decision_id in ids:
            raise DriftError(
                what="is on record already", where=decision_id, expected="another decision"
            )
        ids.add(decision_id)
        rows.append({**asdict(decision), "meter_id": meter_id, "decision_id": decision_id})
    said = [
        f"{row['decision_id']} about {row['meter_id']} on {row['about']}: {row['decision']}"
        for row in rows
    ]
    draft = Draft(
        signed=signed_now(" and ".join(sorted({one.decided_by for one in decisions})), ""),
        kind="decision",
        what="; ".join(said[:_MOST]) + _and_more(len(said)),
        meters=tuple(sorted({str(row["meter_id"]) for row in rows})),
    )
    told_of = [
        (str(row["decision_id"]), str(row["meter_id"]), str(row["decision"])) for row in rows
    ]
    return _Entered("decisions", rows, draft, told_of)


def _decided_meter(decision: Decision, ledger: pl.DataFrame, *, as_of: date) -> str:
    """Return the meter of a decision, or raise where there is no such visit or days contradict."""
    meter_id = named_id(decision.meter_id, ledger["meter_id"].unique())
    visits = ledger.filter(pl.col("meter_id") == meter_id)["performed_on"].unique().sort()
    if decision.about not in visits.to_list():
        raise DriftError(
            what=f"has no visit on {decision.about} on record",
            where=meter_id,
            expected="the day of a visit",
            hint=f"the last: {', '.join(map(str, visits.tail(3)))}"
            if visits.len()
            else nearest_meters(meter_id, ledger["meter_id"].unique()),
        )
    if not decision.about <= decision.decided_on <= as_of:
        raise DriftError(
            what=f"is dated {decision.decided_on}",
            where=f"the decision about {meter_id}",
            expected=f"a day from {decision.about} to {as_of}",
        )
    told_on = decision.customer_told_on
    if told_on is not None and not decision.about <= told_on <= as_of:
        raise DriftError(
            what=f"says that the customer was told on {told_on}",
            where=f"the decision about {meter_id}",
            expected=f"a day from {decision.about} to {as_of}",
        )
    return meter_id


def _record(source: Path, entered: Sequence[_Entered], *, policy: Policy) -> list[Path]:
    """Add rows to tables of a folder or a store, with an entry of the journal each, or nothing."""
    if not source.is_dir():
        _add_to_store(source, entered)
        return [source] * len(entered)
    written: list[tuple[Path, int]] = []
    try:
        # One by one, so that those before one that fails are known and taken back.
        written.extend(append_rows(source, table=one.table, rows=one.rows) for one in entered)
        seen = read_known(source, as_of=date.max, policy=policy)
        for one, (place, _) in zip(entered, written, strict=True):
            there = seen.responses if one.table == "responses" else seen.decisions
            _check_there(one.rows, there, place=place)
        append_kept(
            source, *[(one.draft, []) for one in entered], seen=len(read_kept(source).entries)
        )
    except BaseException:
        for place, before in reversed(written):
            take_back(place, before=before)
        raise
    return [place for place, _ in written]


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


def _add_to_store(store: Path, entered: Sequence[_Entered]) -> None:
    """Load rows into a store, as if they had come in folders of their own."""
    with tempfile.TemporaryDirectory(prefix="drift-") as made:
        con = open_store(store, folder=Path(made))
        try:
            with all_or_nothing(con):
                for one in entered:
                    number, _ = next_entry(con)
                    folder = Path(made) / f"entry_{number}"
                    folder.mkdir()
                    path = start_file(folder, table=one.table, rows=one.rows, mapping=NoMapping())
                    path.rename(folder / f"entry_{number}.csv")
                    take_within(con, folder, draft=one.draft, by_hand=True)
        finally:
            con.close()
