"""This module finds what goes with a cell of readings: its meter, its day, its neighbours."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from drift.intake.layouts.answers import Answers
from drift.intake.layouts.cells import Value, shown
from drift.intake.layouts.column_values import CellColumn
from drift.intake.layouts.dating import Dating
from drift.intake.layouts.days import written
from drift.intake.layouts.numbers import figure_of
from drift.intake.layouts.tables import Rows, Table


@dataclass(slots=True)
class Emitter:
    """What is needed to make rows of the tables of all records.

    Attributes
    ----------
    answers : Answers
        What has been declared; questions are noted there.
    dating : Dating
        How dates are read.
    rows : Rows
        What came of it so far.
    vessels : mapping of str to list of (date or None, float)
        Air contents of vessels, by folded name.
    turn : int
        Number of the table under way.
    """

    answers: Answers
    dating: Dating
    rows: Rows
    vessels: Mapping[str, list[tuple[date | None, float]]]
    turn: int = 0


def companion(
    table: Table, column: CellColumn, roles: tuple[str, ...], *, cells: Mapping[int, Value]
) -> CellColumn | None:
    """Return the column of some roles that goes with one of readings, by what both headers tell."""
    best, most = None, -1
    for other in table.columns:
        if other.holds not in roles or other.at not in cells or other is column:
            continue
        worth = companion_agreement(column, other)
        if worth is not None and worth > most:
            best, most = other, worth
    return best


def companion_agreement(column: CellColumn, other: CellColumn) -> int | None:
    """Return how many facts two headers share; None where they contradict each other."""
    worth = 0
    pairs = [
        (column.facts.stage, other.facts.stage),
        (column.facts.point_pct, other.facts.point_pct),
        (column.facts.quarter, other.facts.quarter),
        (column.facts.year, other.facts.year),
        (column.meter or None, other.meter or None),
        (column.day, other.day),
        (column.group or None, other.group or None),
        (column.facts.replicate, other.facts.replicate),
    ]
    for mine, its in pairs:
        if its in (None, ""):
            continue
        if mine != its:
            return None
        worth += 1
    return worth


def whose(
    table: Table, row: int, cells: Mapping[int, Value], *, column: CellColumn, emitter: Emitter
) -> tuple[str, date] | str:
    """Return the meter and the day of a cell, or why one is not known."""
    meter = _meter(table, row, cells, column, emitter)
    if not meter and table.holding("meter"):
        return "has no meter"
    if not meter and table.named.maybe:
        return "waits for an answer: sheet_names"
    if not meter:
        emitter.answers.ask(
            "meter_id",
            "no cell, sheet or file names the meter",
            ("such as M-101",),
            table.place(row, column.at),
        )
        return "waits for an answer: meter_id"
    day = _day(table, row, cells, column, emitter)
    return (meter, day) if isinstance(day, date) else day


def _meter(
    table: Table, row: int, cells: Mapping[int, Value], column: CellColumn, emitter: Emitter
) -> str:
    """Return the meter of a cell; empty where nothing names it."""
    other = companion(table, column, ("meter",), cells=cells)
    label = table.around.first("meter")
    if column.meter:
        name = column.meter
    elif other is not None:
        name = shown(cells[other.at])
        table.mark(row, other.at, "read", f"read as the meter {name}")
    elif table.holding("meter"):
        return ""
    elif label is not None:
        name = shown(label.value)
    else:
        declared = emitter.answers.get("meter_id", sheet=table.sheet.name)
        name = declared or table.named.meter or _sheet_as_meter(table, row, column, emitter)
    name = " ".join(name.split())
    return emitter.answers.named("meters", name) or name


def _sheet_as_meter(table: Table, row: int, column: CellColumn, emitter: Emitter) -> str:
    """Return the sheet's name where a person says that it is a meter's; empty otherwise."""
    maybe = table.named.maybe
    if not maybe:
        return ""
    answer = emitter.answers.get("sheet_names")
    if answer is None:
        emitter.answers.ask(
            "sheet_names",
            "no cell names the meter, and nothing says whether the sheets' names do",
            (f"meters: {maybe} is a meter", "other: they say something else"),
            table.place(row, column.at),
        )
    elif answer != "meters":
        table.named.maybe = ""
    return maybe if answer == "meters" else ""


def _day(
    table: Table, row: int, cells: Mapping[int, Value], column: CellColumn, emitter: Emitter
) -> date | str:
    """Return the day of a cell, or why it is not known."""
    year = column.facts.year or table.around.year or table.named.year
    quarter = column.facts.quarter or table.around.quarter or table.named.quarter
    place = table.place(row, column.at)
    other = companion(table, column, ("date",), cells=cells)
    label = table.around.first("date")
    if other is not None:
        what = written(cells[other.at], epoch_1904=table.sheet.epoch_1904)
        year = other.facts.year or _year_cell(table, cells) or year
        place, scope = table.place(row, other.at), (*table.scope, other.title)
    elif column.day is not None:
        what, scope = column.day, (*table.scope, "header")
    elif label is not None:
        what, scope = (
            written(label.value, epoch_1904=table.sheet.epoch_1904),
            (table.sheet.file, "label"),
        )
    else:
        what, scope = table.named.day, (table.sheet.file, "name")
    if what is None and other is None and year and quarter and not table.holding("date"):
        return emitter.dating.of_quarter(year, quarter, place=place, sheet=table.sheet.name)
    if what is None:
        if other is not None and shown(cells[other.at]):
            table.mark(row, other.at, "unread", "no date that can be read")
            return "its date cannot be read"
        return _declared_day(table, place, emitter)
    day = emitter.dating.day_of(
        what, scope, year=year, quarter=quarter, place=place, sheet=table.sheet.name
    )
    if other is not None:
        told = day if isinstance(day, str) else f"read as {day.isoformat()}"
        table.mark(row, other.at, "unread" if isinstance(day, str) else "read", told)
    return day


def _year_cell(table: Table, cells: Mapping[int, Value]) -> int | None:
    """Return the year that a row tells in a column of its own."""
    for column in table.holding("year"):
        figure = figure_of(cells.get(column.at))
        if figure.kind == "numbers" and 1970 <= figure.found[0] <= 2200:
            return int(figure.found[0])
    return None


def _declared_day(table: Table, place: str, emitter: Emitter) -> date | str:
    """Return the declared day of a sheet without one."""
    if table.holding("date"):
        return "has no date"
    answer = emitter.answers.get("date", sheet=table.sheet.name)
    if answer:
        try:
            return date.fromisoformat(answer)
        except ValueError:
            return f"{answer!r} is no date such as 2026-03-31"
    key = f"sheets.{table.sheet.name}.date" if table.sheet.name else "date"
    emitter.answers.ask(key, "no date is written", ("such as 2026-03-31",), place)
    return f"waits for an answer: {key}"
