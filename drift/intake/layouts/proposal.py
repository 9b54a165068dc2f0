"""This module reads sheets by what people have declared, and asks what is open."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date

from drift.intake.layouts.answers import Answers, Question
from drift.intake.layouts.cells import Fate, Marks, Sheet, Value, shown
from drift.intake.layouts.column_values import VALUES, CellColumn
from drift.intake.layouts.columns import sheet_columns
from drift.intake.layouts.companions import Emitter
from drift.intake.layouts.dating import Dating
from drift.intake.layouts.days import written
from drift.intake.layouts.emission import emit
from drift.intake.layouts.headers import Region, look_at, regions_of
from drift.intake.layouts.naming import ask_of_names, names_of
from drift.intake.layouts.numbers import figure_of
from drift.intake.layouts.others import tells_readings
from drift.intake.layouts.settling import settle
from drift.intake.layouts.signatures import take_known
from drift.intake.layouts.surroundings import Around, labels_in, titles_in
from drift.intake.layouts.tables import Named, Rows, Table
from drift.intake.layouts.vessels import is_vessel_table, vessel_cells
from drift.intake.layouts.words import VOID

_SUMMARY = re.compile(
    r"(?i)^(summary|overview|totals?|statistics|stats|chart|charts|graphs?|dashboard"
    r"|instructions|read ?me|notes|template"
    r"|blank( form)?|example|index|contents|übersicht|zusammenfassung|auswertung|vorlage"
    r"|diagramm|synthèse|résumé|récapitulatif|modèle|pivot)\b"
)
_COMMA = re.compile(r"^[-−]?\d{1,2},\d{1,3}\s*%?$")
_POINT = re.compile(r"^[-−]?\d{1,2}\.\d{1,3}\s*%?$")

# Records are read along columns only where that asks less and gives at least half as many
# readings, or asks as much and gives clearly more.
_ENOUGH, _MORE = 2.0, 1.5


@dataclass(slots=True)
class Proposal:
    """What records say, as far as it is understood.

    Attributes
    ----------
    sheets : tuple of Sheet
        As they were read.
    tables : list of Table
        What was found on them.
    marks : list of Marks
        What became of each sheet's cells, in the order of the sheets.
    passed : dict of int to str
        Sheets passed over as a whole, by number, and why.
    rows : Rows
        What they make.
    questions : tuple of Question
        What is still asked.
    dating : Dating
        How dates were read.
    """

    sheets: tuple[Sheet, ...]
    tables: list[Table] = field(default_factory=list)
    marks: list[Marks] = field(default_factory=list)
    passed: dict[int, str] = field(default_factory=dict)
    rows: Rows = field(default_factory=Rows)
    questions: tuple[Question, ...] = ()
    dating: Dating | None = None

    @property
    def counts(self) -> dict[str, int]:
        """Return the number of cells read, passed over and not understood."""
        found = Counter(fate for marks in self.marks for fate, _ in marks.fates.values())
        return {fate: found[fate] for fate in ("read", "passed", "unread")}


def propose(sheets: Sequence[Sheet], *, answers: Answers, today: date) -> Proposal:
    """Read sheets.

    Parameters
    ----------
    sheets : sequence of Sheet
        Every sheet of the records.
    answers : Answers
        What has been declared; what is still open is noted there.
    today : date
        No record is of a later day.
    """
    proposal = Proposal(sheets=tuple(sheets))
    names = names_of(sheets)
    for number, sheet in enumerate(sheets):
        marks = Marks()
        proposal.marks.append(marks)
        if why := _whole_sheet(sheet, answers):
            proposal.passed[number] = why
            continue
        proposal.tables.extend(
            proposed_tables(sheet, names[number], marks, answers=answers, today=today)
        )
    vessels = vessel_cells(proposal.tables, proposal.rows)
    proposal.dating = Dating(today=today, answers=answers)
    reading = [table for table in proposal.tables if not is_vessel_table(table)]
    proposal.dating.commas = {sheet.file for sheet in sheets if _writes_commas(sheet)}
    for table in reading:
        note_dates(table, proposal.dating)
    proposal.dating.settle()
    emitter = Emitter(answers, proposal.dating, proposal.rows, vessels)
    for table in reading:
        emit(table, emitter)
    ask_of_names(proposal.tables, proposal.rows, answers)
    settle(proposal.rows, answers)
    _mark_the_rest(proposal)
    proposal.questions = tuple(answers.open.values())
    return proposal


def _writes_commas(sheet: Sheet) -> bool:
    """Say whether a sheet writes decimals with commas and none with points."""
    texts = [value for row in sheet.rows for value in row if isinstance(value, str)]
    return any(map(_COMMA.match, texts)) and not any(map(_POINT.match, texts))


def _whole_sheet(sheet: Sheet, answers: Answers) -> str:
    """Return why a sheet is passed over as a whole; empty where it is read."""
    said = answers.named("sheets", sheet.name or sheet.file)
    if said == "skip":
        return "you said that it does not count"
    if sheet.refusal:
        return sheet.refusal
    if said == "use":
        return ""
    if VOID.match(sheet.name):
        return "its name says that it is void"
    if _SUMMARY.match(sheet.name.strip()):
        return "its name says that it sums up or explains; to read it, set sheets.NAME=use"
    return ""


def proposed_tables(
    sheet: Sheet, named: Named, marks: Marks, *, answers: Answers, today: date
) -> list[Table]:
    """Return the tables of a sheet, read along its rows or its columns, whichever gives more.

    The columns are taken only where they ask less, or give clearly more.
    """
    plain = _tables(sheet, named, marks, answers, turned=False)
    if _is_whole(plain) or (plain and all(map(is_vessel_table, plain))):
        return plain
    across = _tables(sheet.turned(), named, marks, answers, turned=True)
    if not sum(map(_worth, across)):
        return plain
    if not sum(map(_worth, plain)):
        return across
    along, beside = _tried(plain, answers, today), _tried(across, answers, today)
    if beside[1] != along[1]:
        better = beside[1] < along[1] and _ENOUGH * beside[0] >= along[0]
    else:
        better = beside[0] > _MORE * along[0]
    return across if better else plain


def _is_whole(tables: list[Table]) -> bool:
    """Say whether each table tells meter, day, stage and point of its readings by its own words."""
    return bool(tables) and all(
        _worth(table) > 1
        and (table.holding("meter") or table.named.meter or table.around.first("meter"))
        and (table.holding("date"))
        and (table.holding("stage") or all(column.facts.stage for column in table.holding(*VALUES)))
        and not table.turned
        for table in tables
    )


def _tried(tables: list[Table], answers: Answers, today: date) -> tuple[int, int]:
    """Return how many readings tables give or would once answered, and how much is asked."""
    asked = Answers(answers.given, answers.tables)
    dating = Dating(today=today, answers=asked)
    for table in tables:
        note_dates(table, dating)
    dating.settle()
    emitter = Emitter(asked, dating, Rows(), {})
    waiting = 0
    for table in tables:
        trial = replace(table, marks=Marks(), around=table.around.copy())
        emit(trial, emitter)
        values = {column.at for column in table.holding(*VALUES, "unknown")}
        waiting += sum(
            why.startswith("waits") and (place[0] if table.turned else place[1]) in values
            for place, (_, why) in trial.marks.fates.items()
        )
    return len(emitter.rows.readings) + waiting, len(asked.open)


def _worth(table: Table) -> int:
    """Return the number of cells that a table may make rows of."""
    columns = table.holding(*VALUES, "mark")
    if table.holding("date") and not columns:
        columns = table.holding("verdict", "remarks", "unknown")
    if not columns and is_vessel_table(table):
        return 1
    return sum(
        table.sheet.at(row, column.at) is not None
        and _may_tell(column, table.sheet.at(row, column.at))
        for column in columns
        for row in range(table.region.first, table.region.last)
    )


def _may_tell(column: CellColumn, value: Value) -> bool:
    """Say whether a cell of a column may tell readings."""
    if column.holds == "remarks":
        return tells_readings(shown(value))
    return column.holds != "unknown" or figure_of(value).kind == "numbers"


def _tables(
    sheet: Sheet, named: Named, marks: Marks, answers: Answers, *, turned: bool
) -> list[Table]:
    """Return the tables along the rows of a sheet."""
    declared = answers.family("columns")
    regions = regions_of(sheet) or [region for region in (_headless(sheet),) if region]
    tables: list[Table] = []
    around = Around()
    done = 0
    pending: list[int] = []
    for region in regions:
        top = region.header[0] if region.header else region.first
        rows = [*pending, *range(done, top)]
        labels = labels_in(sheet, rows)
        if tables and any(label.role in {"meter", "date"} for label in labels):
            around = Around(year=around.year)
        for label in labels:
            around.add(label)
        titles_in(sheet, rows, around)
        columns = sheet_columns(sheet, region, declared)
        table = Table(sheet, region, columns, around.copy(), named, turned, marks)
        take_known(table, answers)
        if _worth(table) == 0:
            # No table but a form's lines: they say something of what follows.
            pending, done = [*pending, *region.header], region.first
            continue
        _leave_labels(table)
        tables.append(table)
        pending, done = [], table.region.last
        for label in labels:
            table.mark(*label.place, "read", f"read as {label.role} of the table below")
    if len(tables) == 1 and tables[0].region.last < len(sheet.rows):
        _add_below(tables[0])
    return tables


def _headless(sheet: Sheet) -> Region | None:
    """Return a table without a header, where rows of dates and figures begin at once."""
    rows = [
        row
        for row, values in enumerate(sheet.rows)
        if {"date", "number"} <= {look_at(value).kind for value in values}
    ]
    return Region((), rows[0], len(sheet.rows)) if len(rows) >= 2 else None


def _leave_labels(table: Table) -> None:
    """End a table before the labels of the next form or those that stand below it."""
    region, values = table.region, {column.at for column in table.holding(*VALUES)}
    last_value = region.first
    for row in range(region.first, region.last):
        kinds = [look_at(table.sheet.at(row, at)).kind for at in values]
        if any(kind in {"number", "mark"} for kind in kinds):
            last_value = row + 1
    blank = [row for row in range(last_value, region.last) if not table.sheet.rows[row]]
    labels = [row for row in range(last_value, region.last) if labels_in(table.sheet, [row])]
    if blank or labels:
        table.region = Region(region.header, region.first, min([*blank, *labels]))


def _add_below(table: Table) -> None:
    """Take in labels below a sheet's only table that nothing above it tells."""
    for label in labels_in(table.sheet, range(table.region.last, len(table.sheet.rows))):
        if label.role not in table.around.labels and not table.holding(label.role):
            table.around.add(label)
            table.mark(*label.place, "read", f"read as {label.role} of the table above")


def note_dates(table: Table, dating: Dating) -> None:
    """Give the dates of a table to what decides how they are read."""
    year, quarter = (
        table.around.year or table.named.year,
        table.around.quarter or table.named.quarter,
    )
    for column in table.holding("date"):
        own_year, own_quarter = column.facts.year or year, column.facts.quarter or quarter
        for row in range(table.region.first, table.region.last):
            what = written(table.sheet.at(row, column.at), epoch_1904=table.sheet.epoch_1904)
            if what is not None:
                dating.note((*table.scope, column.title), what, own_year, own_quarter)
    for column in table.columns:
        if column.day is not None:
            dating.note((*table.scope, "header"), column.day, year, quarter)
    label = table.around.first("date")
    if label is not None and (what := written(label.value)) is not None:
        dating.note((table.sheet.file, "label"), what, year, quarter)
    if table.named.day is not None:
        dating.note((table.sheet.file, "name"), table.named.day, None, None)


def _mark_the_rest(proposal: Proposal) -> None:
    """Note the fate of every cell that no table has taken."""
    headers: list[set[tuple[int, int]]] = [set() for _ in proposal.sheets]
    numbers = {id(marks): number for number, marks in enumerate(proposal.marks)}
    for table in proposal.tables:
        for row in table.region.header:
            for column in range(len(table.sheet.rows[row])):
                place = (column, row) if table.turned else (row, column)
                headers[numbers[id(table.marks)]].add(place)
    for number, sheet in enumerate(proposal.sheets):
        has_table = any(table.marks is proposal.marks[number] for table in proposal.tables)
        for row, values in enumerate(sheet.rows):
            for column, value in enumerate(values):
                if value is not None:
                    _mark_cell(
                        proposal,
                        number,
                        (row, column),
                        value=value,
                        has_table=has_table,
                        headers=headers[number],
                    )
        for row, column in sheet.unvalued:
            proposal.marks[number].put(row, column, "unread", "a formula whose value is not stored")


def _mark_cell(
    proposal: Proposal,
    number: int,
    place: tuple[int, int],
    *,
    value: Value,
    has_table: bool,
    headers: set[tuple[int, int]],
) -> None:
    """Note the fate of a cell that no table has taken."""
    marks = proposal.marks[number]
    if place in marks.fates:
        return
    if number in proposal.passed:
        marks.put(*place, "passed", proposal.passed[number])
        return
    if place in headers:
        marks.put(*place, "read", "a header")
        return
    kind = look_at(value).kind
    fate: Fate = "unread" if kind in {"number", "date", "mark"} else "passed"
    if has_table:
        told = "stands outside the tables" if fate == "unread" else "a title or a note"
        marks.put(*place, fate, told)
    else:
        marks.put(*place, fate, "no table of readings was found around it")
