"""This module makes rows of a table's cells, and says of every other cell why it makes none."""

from datetime import date

from drift.intake.layouts.beside import more_of
from drift.intake.layouts.carrying import undo_dittos
from drift.intake.layouts.cells import Value
from drift.intake.layouts.column_values import NEAR_PCT, VALUES, CellColumn
from drift.intake.layouts.companions import Emitter, whose
from drift.intake.layouts.errors_beside import less_error, rounded, stands_beside
from drift.intake.layouts.facts import SheetFacts
from drift.intake.layouts.numbers import CellNumber, figure_of, plain_number
from drift.intake.layouts.others import emit_others
from drift.intake.layouts.parts import SheetPart, parts_of
from drift.intake.layouts.physics import ask_unknown, check_physics
from drift.intake.layouts.references import SheetReference, sheet_reference
from drift.intake.layouts.rowfacts import row_facts
from drift.intake.layouts.rowkinds import passed_over, section_of
from drift.intake.layouts.tables import Line, Reading, Table

_LOWEST, _HIGHEST = -10.0, 30.0


def emit(table: Table, emitter: Emitter) -> None:
    """Make rows of a table."""
    emitter.turn += 1
    table.around = table.around.copy()
    before = len(emitter.rows.readings)
    above: dict[int, Value] = {}
    used: set[tuple[str, ...]] = set()
    for row in range(table.region.first, table.region.last):
        cells: dict[int, Value] = {
            column.at: value
            for column in table.columns
            if (value := table.sheet.at(row, column.at)) is not None
        }
        if not cells and not any(place[0] == row for place in table.sheet.unvalued):
            continue
        if why := passed_over(table, row):
            for at in cells:
                table.mark(row, at, "passed", why)
            continue
        if section_of(table, row):
            above, used = {}, set()
            continue
        line = Line(row, cells)
        undo_dittos(table, line, above, used=used, emitter=emitter)
        above = {**above, **line.cells}
        _emit_row(table, line, emitter)
    ask_unknown(table, emitter)
    check_physics(table, emitter, before)


def _emit_row(table: Table, line: Line, emitter: Emitter) -> None:
    """Make the rows of one row."""
    label = row_facts(table, line)
    made = 0
    for column in table.holding(*VALUES):
        if (line.row, column.at) in table.sheet.unvalued:
            table.mark(line.row, column.at, "unread", "a formula whose value is not stored")
            continue
        value = line.cells.get(column.at)
        if value is None:
            continue
        if (line.row, column.at) in table.sheet.struck:
            table.mark(line.row, column.at, "passed", "it is struck through")
            continue
        made += _emit_cell(table, line, column, value=value, label=label, emitter=emitter)
    emit_others(table, line.row, line.cells, label=label, emitter=emitter, readings=made)
    _mark_rest(table, line)


def _emit_cell(
    table: Table,
    line: Line,
    column: CellColumn,
    *,
    value: Value,
    label: SheetFacts,
    emitter: Emitter,
) -> int:
    """Make readings of one cell; return how many."""
    figure = figure_of(
        value, percent=(line.row, column.at) in table.sheet.percent and not _shown_whole(value)
    )
    if figure.kind == "nothing":
        table.mark(line.row, column.at, "passed", "nothing was recorded")
        return 0
    if figure.kind == "unread":
        table.mark(line.row, column.at, "unread", "no figure and no word that is known")
        return 0
    if (
        column.holds != "reading"
        and figure.kind == "numbers"
        and stands_beside(table, line, column)
    ):
        table.mark(line.row, column.at, "passed", "worked out from the reading beside it")
        return 0
    who = whose(table, line.row, line.cells, column=column, emitter=emitter)
    parts = parts_of(table, line, column, figure=figure, label=label, emitter=emitter)
    if isinstance(who, str) or isinstance(parts, str):
        if isinstance(who, str) and not isinstance(parts, str):
            # So that all that is open is asked at once.
            _reading(
                table,
                line,
                column,
                part=parts[0],
                figure=figure,
                who=("", emitter.dating.today),
                emitter=emitter,
            )
        table.mark(line.row, column.at, "unread", who if isinstance(who, str) else str(parts))
        return 0
    return _emit_parts(table, line, column, parts=parts, figure=figure, who=who, emitter=emitter)


def _emit_parts(
    table: Table,
    line: Line,
    column: CellColumn,
    *,
    parts: list[SheetPart],
    figure: CellNumber,
    who: tuple[str, date],
    emitter: Emitter,
) -> int:
    """Make the readings of a cell, each of one stage and point; return how many."""
    made, told = 0, []
    for part in parts:
        reading = _reading(table, line, column, part=part, figure=figure, who=who, emitter=emitter)
        if isinstance(reading, str):
            table.mark(line.row, column.at, "unread", reading)
            return made
        emitter.rows.readings.append(reading)
        made += 1
        told.append(_told_of(reading))
    table.mark(line.row, column.at, "read", "; ".join(told))
    return made


def _shown_whole(value: Value) -> bool:
    """Say whether a cell shown as a percentage cannot be a share: 4.9 would be 490 %."""
    return isinstance(value, float) and abs(value) > _HIGHEST / 100


def _told_of(reading: Reading) -> str:
    """Return what a cell was read as."""
    point = (
        "" if reading.correct_air_pct is None else f" at {plain_number(reading.correct_air_pct)} %"
    )
    what = "passed, no reading" if reading.passed else "failed, no reading"
    number = (
        what
        if reading.reading_air_pct is None
        else f"{plain_number(reading.reading_air_pct)} % air"
    )
    stage = reading.stage.replace("_", " ")
    return f"{reading.meter_id}, {reading.performed_on.isoformat()}, {stage}{point}: {number}"


def _reading(
    table: Table,
    line: Line,
    column: CellColumn,
    *,
    part: SheetPart,
    figure: CellNumber,
    who: tuple[str, date],
    emitter: Emitter,
) -> Reading | str:
    """Return one reading, or why there is none."""
    stage, point, replicate, number = part
    if figure.unit not in {"", "%"}:
        return f"is in {figure.unit}, and readings are in % air"
    reference = sheet_reference(
        table, line.row, line.cells, column=column, point=point, day=who[1], emitter=emitter
    )
    correct = reference.value
    if number is not None:
        sized = _sized(table, line, column, number=number, reference=reference, emitter=emitter)
        if isinstance(sized, str):
            return sized
        correct, number = sized
    elif correct is None and reference.why:
        return reference.why
    return Reading(
        meter_id=who[0],
        performed_on=who[1],
        stage=stage,
        correct_air_pct=correct if correct is not None else point,
        reading_air_pct=number,
        passed=None if number is not None else figure.kind == "passed",
        replicate=replicate,
        more=more_of(table, line, column, figure=figure, emitter=emitter),
        place=table.place(line.row, column.at),
        sheet=table.sheet.title,
        turn=emitter.turn,
        column=column.at,
        at=(line.row, column.at),
    )


def _sized(
    table: Table,
    line: Line,
    column: CellColumn,
    *,
    number: float,
    reference: SheetReference,
    emitter: Emitter,
) -> tuple[float, float] | str:
    """Return the correct air content and the reading that a figure tells, or why it tells none."""
    correct = reference.value
    if correct is None:
        correct = less_error(table, line, column, number=number)
    if correct is None:
        if reference.why:
            return reference.why
        emitter.answers.ask(
            "correct_air_pct",
            "no correct air content is written, and no vessel that has one",
            ("such as 5.0",),
            table.place(line.row, column.at),
        )
        return "waits for an answer: correct_air_pct"
    if column.holds != "reading":
        number = rounded(correct + number if column.holds == "error" else correct - number)
    if not _LOWEST <= number <= _HIGHEST:
        return f"{plain_number(number)} is no air content that a dial shows"
    if not _may_be_share(number, correct):
        return correct, number
    answer = emitter.answers.get("cells.fraction", sheet=table.sheet.name)
    if answer is None:
        emitter.answers.ask(
            "cells.fraction",
            f"{plain_number(number)} stands where about {plain_number(correct)} % is read",
            (
                f"yes: it means {plain_number(number * 100)} %",
                f"no: the dial showed {plain_number(number)} %",
            ),
            table.place(line.row, column.at),
        )
        return "waits for an answer: cells.fraction"
    return correct, rounded(number * 100) if answer == "yes" else number


def _may_be_share(number: float, correct: float) -> bool:
    """Say whether a figure fits only as a share of one: 0.05 where 5 is read."""
    return correct > 2 and abs(number) < 0.3 and abs(number * 100 - correct) <= NEAR_PCT


def _mark_rest(table: Table, line: Line) -> None:
    """Note what became of the cells of a row that made nothing."""
    for column in table.columns:
        if column.at not in line.cells:
            continue
        if table.sheet.at(line.row, column.at) is None:
            continue
        told = column.facts.stage or column.facts.point_pct is not None
        if column.holds == "unknown" and told:
            why = "no figure, though its header is one of readings"
            table.mark(line.row, column.at, "unread", why)
        elif column.holds in {"ignored", "verdict", "year", "unknown"}:
            why = column.why or {
                "verdict": "the laboratory's own verdict, worked out again from the readings",
                "year": "read with the date",
            }.get(column.holds, f"“{column.title}” is no column that is known")
            table.mark(line.row, column.at, "read" if column.holds == "year" else "passed", why)
        else:
            table.mark(line.row, column.at, "passed", "belongs to a row without a reading")
