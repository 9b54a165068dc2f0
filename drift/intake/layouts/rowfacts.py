"""This module reads what a row says of its readings: stage, point and number."""

from dataclasses import replace

from drift.intake.layouts.cells import Value, shown
from drift.intake.layouts.column_values import CellColumn
from drift.intake.layouts.facts import SheetFacts, facts_of
from drift.intake.layouts.numbers import figure_of, plain_number
from drift.intake.layouts.tables import Line, Table
from drift.intake.layouts.words import STAGE_LETTERS

_LETTERS = {
    letter: stage
    for pair in STAGE_LETTERS
    for letter, stage in zip(pair, ("as_found", "as_left"), strict=True)
}


def row_facts(table: Table, line: Line) -> SheetFacts:
    """Return what the columns of stages, points and replicates say of a row."""
    facts = SheetFacts()
    for column in table.holding("label", "stage", "point", "replicate"):
        value = line.cells.get(column.at)
        if value is None:
            continue
        told = _told_by_cell(column, value)
        if told is None:
            table.mark(line.row, column.at, "unread", f"no {_NOUNS[column.holds]} that is known")
            continue
        table.mark(line.row, column.at, "read", f"read as {_facts_words(told) or column.holds}")
        facts = told.over(facts) if column.holds == "label" else facts.over(told)
    return facts


_NOUNS = {
    "label": "stage or point",
    "stage": "stage",
    "point": "point",
    "replicate": "number of a reading",
}


def _told_by_cell(column: CellColumn, value: Value) -> SheetFacts | None:
    """Return what a cell of a stage, point, replicate or label tells; None where it is none."""
    figure = figure_of(value)
    if column.holds == "replicate":
        if figure.kind == "numbers" and figure.found[0] == int(figure.found[0]):
            return SheetFacts(replicate=int(figure.found[0]))
        facts = facts_of(shown(value))
        number = facts.replicate or (int(facts.bare[0]) if facts.bare else None)
        return SheetFacts(replicate=number) if number is not None else None
    if column.holds == "point":
        if figure.kind == "numbers":
            return SheetFacts(point_pct=figure.found[0])
        facts = facts_of(shown(value))
        point = (
            facts.point_pct
            if facts.point_pct is not None
            else (facts.bare[0] if facts.bare else None)
        )
        return SheetFacts(point_pct=point, stage=facts.stage) if point is not None else None
    facts = facts_of(shown(value))
    if (
        not facts.stage
        and shown(value).casefold().strip(" .") in _LETTERS
        and column.holds == "stage"
    ):
        return SheetFacts(stage=_LETTERS[shown(value).casefold().strip(" .")])
    if facts.bare and facts.point_pct is None:
        facts = (
            replace(facts, replicate=int(facts.bare[0]))
            if facts.bare[0] in {1.0, 2.0, 3.0} and facts.stage
            else replace(facts, point_pct=facts.bare[0])
        )
    return facts if facts.tells else None


def _facts_words(facts: SheetFacts) -> str:
    """Return facts in words."""
    words = [facts.stage.replace("_", " ")] if facts.stage else []
    if facts.point_pct is not None:
        words.append(f"point {plain_number(facts.point_pct)} %")
    if facts.replicate is not None:
        words.append(f"reading {facts.replicate}")
    return ", ".join(words)
