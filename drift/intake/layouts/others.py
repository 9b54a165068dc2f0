"""This module makes what a row says beside its readings: marks, work done, passes, vessels."""

import re
from collections.abc import Mapping
from datetime import date

from drift.intake.layouts.cells import Value, shown
from drift.intake.layouts.column_values import NEAR_PCT, CellColumn
from drift.intake.layouts.companions import Emitter, companion, whose
from drift.intake.layouts.facts import SheetFacts, facts_of
from drift.intake.layouts.numbers import figure_of, large_number, number, plain_number
from drift.intake.layouts.tables import Reading, Table
from drift.intake.layouts.words import ACTIONS

_UNITS = {"psi": ("psi", 1.0), "kpa": ("kpa", 1.0), "bar": ("kpa", 100.0), "%": ("dial_pct", 1.0)}
_STAGE = r"as[ -]?found|found|af|before|as[ -]?left|left|al|after|vor|nach|avant|apr[eè]s"
_FIGURE = r"[-+−]?\d+(?:[.,]\d+)?"
# A reading told in words: ``AF 4.9 at 5 %`` or ``at 5 %: found 4.9, left 5.0``.
_TOLD = re.compile(
    rf"(?i)(?<!\w)({_STAGE})\s*[:=]?\s*(?:reads?|reading|was)?\s*({_FIGURE})\s*%?\s*(?:at|@|bei|à|for)\s*(?:the\s*)?({_FIGURE})\s*%?"
)
_POINT_FIRST = re.compile(
    rf"(?i)(?:at|@|bei|à)\s*({_FIGURE})\s*%?\s*[:,]?\s*((?:(?:{_STAGE})\s*[:=]?\s*{_FIGURE}\s*%?[,;]?\s*(?:and\s*)?)+)"
)
_STAGED = re.compile(rf"(?i)({_STAGE})\s*[:=]?\s*({_FIGURE})")


def tells_readings(text: str) -> bool:
    """Say whether a remark tells readings whole."""
    return bool(_TOLD.search(text) or _POINT_FIRST.search(text))


def emit_others(
    table: Table,
    row: int,
    cells: Mapping[int, Value],
    *,
    label: SheetFacts,
    emitter: Emitter,
    readings: int,
) -> None:
    """Make the rows of other tables that a row tells."""
    for column in table.holding("mark"):
        if column.at in cells:
            _emit_mark(table, row, cells, column, emitter)
    for column in table.holding("action", "remarks"):
        if column.at in cells:
            _emit_service(table, row, cells, column, emitter)
    if readings or any(
        figure_of(cells.get(column.at)).kind == "numbers"
        for column in table.holding("reading", "error")
    ):
        return
    for column in table.holding("remarks"):
        if column.at in cells and _emit_told(table, row, cells, column, emitter):
            return
    for column in table.holding("verdict"):
        if column.at in cells:
            _emit_verdict(table, row, cells, column=column, label=label, emitter=emitter)


def _emit_mark(
    table: Table, row: int, cells: Mapping[int, Value], column: CellColumn, emitter: Emitter
) -> None:
    """Make a row of the marks table of an initial pressure mark."""
    found = large_number(cells[column.at], decimal_comma=False)
    if found is None:
        kind = figure_of(cells[column.at]).kind
        fate, why = (
            ("passed", "nothing was recorded") if kind == "nothing" else ("unread", "no mark")
        )
        table.mark(row, column.at, fate, why)
        return
    unit = found[1] or column.facts.unit or ("%" if column.facts.percent else "")
    unit = unit or emitter.answers.get("mark_unit", sheet=table.sheet.name) or ""
    unit = {"dial_pct": "%"}.get(unit, unit)
    if unit not in _UNITS:
        emitter.answers.ask(
            "mark_unit",
            "initial pressure marks stand without a unit",
            ("dial_pct: the dial's own graduations", "kpa", "psi"),
            table.place(row, column.at),
        )
        table.mark(row, column.at, "unread", "waits for an answer: mark_unit")
        return
    who = whose(table, row, cells, column=column, emitter=emitter)
    if isinstance(who, str):
        table.mark(row, column.at, "unread", who)
        return
    name, scale = _UNITS[unit]
    size = plain_number(found[0] * scale)
    emitter.rows.marks.append(
        {
            "meter_id": who[0],
            "performed_on": who[1].isoformat(),
            "mark": size,
            "mark_unit": name,
            "stage": column.facts.stage,
            "operator": _text(table, cells, column, "operator"),
        }
    )
    table.mark(row, column.at, "read", f"{who[0]}, {who[1].isoformat()}: mark at {size} {name}")


def _emit_service(
    table: Table, row: int, cells: Mapping[int, Value], column: CellColumn, emitter: Emitter
) -> None:
    """Make rows of the service table of work that a remark names."""
    text = shown(cells[column.at])
    for action, sign in ACTIONS:
        if not sign.search(text):
            continue
        who = whose(table, row, cells, column=column, emitter=emitter)
        if isinstance(who, str):
            return
        emitter.rows.service.append(
            {
                "meter_id": who[0],
                "performed_on": who[1].isoformat(),
                "action": action,
                "operator": _text(table, cells, column, "operator"),
                "remarks": text,
            }
        )
        table.mark(
            row, column.at, "read", f"{who[0]}, {who[1].isoformat()}: {action.replace('_', ' ')}"
        )


def _text(table: Table, cells: Mapping[int, Value], column: CellColumn, role: str) -> str:
    """Return the text of a companion column; empty where there is none."""
    other = companion(table, column, (role,), cells=cells)
    return " ".join(shown(cells[other.at]).split()) if other is not None else ""


def _emit_told(
    table: Table, row: int, cells: Mapping[int, Value], column: CellColumn, emitter: Emitter
) -> bool:
    """Make readings of figures that a remark tells whole: stage, reading and point."""
    text = shown(cells[column.at])
    parts = [(facts_of(s).stage, number(p), number(r)) for s, r, p in _TOLD.findall(text)]
    if not parts:
        parts = [
            (facts_of(stage).stage, number(found[1]), number(reading))
            for found in _POINT_FIRST.finditer(text)
            for stage, reading in _STAGED.findall(found[2])
        ]
    if not parts:
        if _STAGED.search(text):
            table.mark(
                row, column.at, "unread", "figures in a remark that do not say stage and point"
            )
        return False
    who = whose(table, row, cells, column=column, emitter=emitter)
    if isinstance(who, str):
        table.mark(row, column.at, "unread", who)
        return True
    if any(not stage or abs(point - reading) > 2 * NEAR_PCT for stage, point, reading in parts):
        table.mark(
            row, column.at, "unread", "figures in a remark that are no readings near a point"
        )
        return True
    for stage, point, reading in parts:
        _add(
            table,
            row,
            cells,
            column=column,
            emitter=emitter,
            who=who,
            part=(stage, point, reading, None),
        )
    table.mark(
        row,
        column.at,
        "read",
        f"{who[0]}, {who[1].isoformat()}: {len(parts)} readings told in words",
    )
    return True


def _add(
    table: Table,
    row: int,
    cells: Mapping[int, Value],
    *,
    column: CellColumn,
    emitter: Emitter,
    who: tuple[str, date],
    part: tuple[str, float | None, float | None, bool | None],
) -> None:
    """Add a reading, or a pass or fail without one."""
    more = {"operator": _text(table, cells, column, "operator")}
    emitter.rows.readings.append(
        Reading(
            meter_id=who[0],
            performed_on=who[1],
            stage=part[0],
            correct_air_pct=part[1],
            reading_air_pct=part[2],
            passed=part[3],
            replicate=None,
            more={name: text for name, text in more.items() if text},
            place=table.place(row, column.at),
            sheet=table.sheet.title,
            turn=emitter.turn,
        )
    )


def _emit_verdict(
    table: Table,
    row: int,
    cells: Mapping[int, Value],
    *,
    column: CellColumn,
    label: SheetFacts,
    emitter: Emitter,
) -> None:
    """Keep a pass or fail of a row without any reading."""
    figure = figure_of(cells[column.at])
    if figure.kind not in {"passed", "failed"}:
        return
    who = whose(table, row, cells, column=column, emitter=emitter)
    if isinstance(who, str):
        table.mark(row, column.at, "unread", who)
        return
    stage = column.facts.stage or label.stage
    _add(
        table,
        row,
        cells,
        column=column,
        emitter=emitter,
        who=who,
        part=(stage, label.point_pct, None, figure.kind == "passed"),
    )
    word = "passed" if figure.kind == "passed" else "failed"
    table.mark(row, column.at, "read", f"{who[0]}, {who[1].isoformat()}: {word}, no reading")
