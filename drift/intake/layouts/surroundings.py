"""This module reads what stands around a table: labels with values, and titles."""

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from drift.intake.layouts.cells import CellPlace, Sheet, Value, shown
from drift.intake.layouts.facts import SheetFacts, facts_of
from drift.intake.layouts.headers import look_at, meter_named

# Labels whose value says something of a table.
SURROUNDING_ROLES = (
    "meter", "date", "operator", "vessel", "correct", "temperature", "mark", "mass_vessel",
    "mass_bowl", "year", "remarks", "action", "resolution", "verdict", "stage", "point",
)  # fmt: skip
_SEGMENT = re.compile(
    r"([^\W\d_][^:=;|]{0,40}?)\s*[:=]\s*(.+?)\s*(?=(?:\s{2,}|[;|,]\s*)[^\W\d_][^:=;|]{0,40}[:=]|[;|]|$)"
)
_FARTHEST = 4


@dataclass(frozen=True, slots=True)
class Label:
    """A value that a label names.

    Attributes
    ----------
    role : str
        What it is.
    facts : Facts
        What the label tells besides.
    value : Value
        Its value.
    place : (int, int)
        Where the value stands.
    """

    role: str
    facts: SheetFacts
    value: Value
    place: CellPlace


@dataclass(slots=True)
class Around:
    """What is known of a table from around it.

    Attributes
    ----------
    labels : dict of str to list of Label
        By role; the last one counts, of correct values all.
    stage : str
        Stage that a title names; empty where none.
    point_pct : float or None
        Point that a line above names.
    year, quarter : int or None
        That a title or the sheet's name tells.
    """

    labels: dict[str, list[Label]] = field(default_factory=dict)
    stage: str = ""
    point_pct: float | None = None
    year: int | None = None
    quarter: int | None = None

    def add(self, label: Label) -> None:
        """Take a label in; a second value of the same takes the first one's place."""
        known = self.labels.setdefault(label.role, [])
        if label.role in {"correct", "mass_vessel"}:
            known.append(label)
        else:
            known[:] = [label]

    def first(self, role: str) -> Label | None:
        """Return the label of a role; None where there is none."""
        known = self.labels.get(role)
        return known[-1] if known else None

    def copy(self) -> "Around":
        """Return a copy that may go its own way."""
        kept = {role: list(labels) for role, labels in self.labels.items()}
        return Around(kept, self.stage, self.point_pct, self.year, self.quarter)


def labels_in(sheet: Sheet, rows: Iterable[int]) -> list[Label]:
    """Return the values that labels in some rows name, in reading order."""
    found: list[Label] = []
    taken: set[CellPlace] = set()
    for row in rows:
        for column, value in enumerate(sheet.rows[row]):
            if value is None or (row, column) in taken or not isinstance(value, str):
                continue
            look = look_at(value)
            if look.kind == "inline":
                found.extend(_inline(value, (row, column)))
            elif look.kind == "word" or (value.rstrip().endswith((":", "=")) and look.facts.role):
                if label := _beside(sheet, row, column, look.facts, taken):
                    found.append(label)
                    taken.add(label.place)
            elif look.kind == "text" and (meter := meter_named(value)):
                found.append(Label("meter", look.facts, meter, (row, column)))
    return found


def _inline(text: str, place: CellPlace) -> list[Label]:
    """Return the values of a text such as ``Meter: M-101   Date: 4 March 2026``."""
    labels = []
    for match in _SEGMENT.finditer(text):
        facts = facts_of(match[1].strip())
        if facts.role in SURROUNDING_ROLES and not (facts.rest and len(facts.rest) > 2):
            labels.append(Label(facts.role, facts, match[2].strip(), place))
    return labels


def _beside(
    sheet: Sheet, row: int, column: int, facts: SheetFacts, taken: set[CellPlace]
) -> Label | None:
    """Return the value to the right of a label, else the one below it."""
    if facts.role not in SURROUNDING_ROLES:
        return None
    for at in range(column + 1, column + 1 + _FARTHEST):
        value = sheet.at(row, at)
        if value is None:
            continue
        if (row, at) in taken or not _may_be(facts.role, look_at(value).kind):
            break
        return Label(facts.role, facts, value, (row, at))
    below = sheet.at(row + 1, column)
    if (
        below is None
        or look_at(below).kind == "label"
        or not _may_be(facts.role, look_at(below).kind)
    ):
        return None
    return (
        Label(facts.role, facts, below, (row + 1, column))
        if (row + 1, column) not in taken
        else None
    )


def _may_be(role: str, kind: str) -> bool:
    """Say whether a cell of a kind may be the value of a label."""
    if kind in {"word", "inline"}:
        return False
    if role == "date":
        return kind in {"date", "text", "number"}
    if kind == "label":
        return role in {"stage", "point", "remarks"}
    return kind != "date" or role in {"year", "remarks"}


def titles_in(sheet: Sheet, rows: Iterable[int], around: Around) -> None:
    """Take in the stage, the year and the point that lines of a single text name."""
    for row in rows:
        filled = [value for value in sheet.rows[row] if value is not None]
        if len(filled) == 1 and look_at(filled[0]).kind == "date":
            at = next(at for at, value in enumerate(sheet.rows[row]) if value is not None)
            around.add(Label("date", SheetFacts(), filled[0], (row, at)))
            continue
        if len(filled) != 1 or not isinstance(filled[0], str):
            continue
        facts = facts_of(filled[0])
        around.year = facts.year or around.year
        around.quarter = facts.quarter or around.quarter
        if look_at(filled[0]).kind == "label":
            around.stage = facts.stage or around.stage
            if facts.point_pct is not None:
                around.point_pct = facts.point_pct
        elif facts.stage and len(facts.rest) <= 2 and ":" not in shown(filled[0]):
            around.stage = facts.stage
