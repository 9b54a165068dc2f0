"""This module reads a sheet of open points that was filled in."""

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from drift.api.answering import AnswerGiven, Decision
from drift.errors import SourceError
from drift.places import check_place
from drift.review.open_points import ASKS_DECISION, ASKS_RESPONSE
from drift.review.responses import Response

# A sheet of open points calls columns of responses and decisions by shorter names.
_ALSO = {"recorded_by": "by", "recorded_on": "on", "decided_by": "by", "decided_on": "on"}
_EXPECTED = "a sheet of open points"


@dataclass(frozen=True, slots=True)
class FilledSheet:
    """What a sheet of open points says.

    Attributes
    ----------
    answers : tuple of AnswerGiven
        Its responses.
    decisions : tuple of Decision
        Its decisions.
    blank : int
        Rows that were not filled in.
    """

    answers: tuple[AnswerGiven, ...]
    decisions: tuple[Decision, ...]
    blank: int


def read_answers(path: Path) -> FilledSheet:
    """Read a sheet of open points that was filled in.

    Raises
    ------
    SourceError
        If it cannot be read, or a row is filled in half.
    """
    check_place(path, raised=SourceError, expected=_EXPECTED)
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            text = file.read()
        # A program whose decimal sign is a comma saves with semicolons between.
        head = text.partition("\n")[0]
        between = ";" if head.count(";") > head.count(",") else ","
        reader = csv.DictReader(text.splitlines(keepends=True), strict=True, delimiter=between)
        rows = [(reader.line_num, row) for row in reader]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise SourceError(
            what=f"cannot be read ({error})", where=str(path), expected=_EXPECTED
        ) from error
    answers, decisions = [], []
    for line, row in rows:
        # A sheet puts an apostrophe before what a spreadsheet would take for a formula.
        cells = {
            name.strip().casefold(): " ".join((text or "").split()).removeprefix("'")
            for name, text in row.items()
            if name and isinstance(text, str)
        }
        for name, also in _ALSO.items():
            cells[also] = cells.get(also) or cells.get(name, "")
        if not cells.get("finding") and not cells.get("action"):
            continue
        place = f"{path.name}:{line}"
        if _asked(cells, place) == ASKS_DECISION:
            decisions.append(_decision(cells, place))
        else:
            answers.append(_answer(cells, place))
    return FilledSheet(
        tuple(answers), tuple(decisions), blank=len(rows) - len(answers) - len(decisions)
    )


def _asked(cells: Mapping[str, str], place: str) -> str:
    """Return what a row asks; a sheet without that column asks for responses."""
    asked = cells.get("asks", "").casefold() or ASKS_RESPONSE
    if asked not in {ASKS_RESPONSE, ASKS_DECISION}:
        raise SourceError(
            what=f"asks for {cells['asks']!r}",
            where=place,
            expected=f"{ASKS_RESPONSE} or {ASKS_DECISION}",
        )
    return asked


def _filled(cells: Mapping[str, str], names: tuple[str, ...], place: str) -> None:
    """Raise if a cell that a row needs is empty."""
    for name in names:
        if not cells.get(name):
            raise SourceError(what=f"{name} is empty", where=place, expected="a row filled in")


def _answer(cells: Mapping[str, str], place: str) -> AnswerGiven:
    """Return the response of one row."""
    _filled(cells, ("finding", "action", "by", "on"), place)
    meter_id, signal_id = cells.get("meter_id", ""), cells.get("signal_id", "")
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
        recorded_by=cells["by"],
        recorded_on=_day(cells["on"], place),
        meter_id=meter_id or None,
    )
    return AnswerGiven(response, visit_on=visit_on, place=place)


def _decision(cells: Mapping[str, str], place: str) -> Decision:
    """Return the decision of one row: its action is what was decided, its finding the reason."""
    _filled(cells, ("meter_id", "visit_on", "action", "by", "on"), place)
    told = cells.get("customer_told_on")
    return Decision(
        meter_id=cells["meter_id"],
        about=_day(cells["visit_on"], place),
        decision=cells["action"],
        decided_by=cells["by"],
        decided_on=_day(cells["on"], place),
        customer_told_on=_day(told, place) if told else None,
        authorised_by=cells.get("authorised_by") or None,
        remarks=cells.get("finding") or None,
    )


def _day(text: str, place: str) -> date:
    """Return the day that a cell says."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise SourceError(
            what=f"{text!r} is no date", where=place, expected="a day such as 2026-01-31"
        ) from None
