"""This module takes a cell of readings apart: stage, point, number and figure of each."""

from drift.intake.layouts.cells import shown
from drift.intake.layouts.column_values import NEAR_PCT, CellColumn
from drift.intake.layouts.companions import Emitter
from drift.intake.layouts.facts import SheetFacts, facts_of
from drift.intake.layouts.numbers import CellNumber
from drift.intake.layouts.tables import Line, Table

SheetPart = tuple[str, float | None, int | None, float | None]


def parts_of(
    table: Table,
    line: Line,
    column: CellColumn,
    *,
    figure: CellNumber,
    label: SheetFacts,
    emitter: Emitter,
) -> list[SheetPart] | str:
    """Return stage, point, replicate and figure of each reading in a cell, or why none is known."""
    facts = column.facts
    point = facts.point_pct if facts.point_pct is not None else label.point_pct
    if point is None:
        point = table.around.point_pct
    replicate = facts.replicate if facts.replicate is not None else label.replicate
    stage = facts.stage or label.stage
    if figure.split in {"arrow", "tags"}:
        if stage and figure.found and figure.left:
            return "tells both stages where its column or row is of one"
        return [
            *(("as_found", point, None, number) for number in figure.found),
            *(("as_left", point, None, number) for number in figure.left),
        ]
    if len(figure.found) > 1 and column.facts.role == "stage":
        if len(figure.found) != 2:
            return "holds more figures than as found and as left"
        return [
            ("as_found", point, None, figure.found[0]),
            ("as_left", point, None, figure.found[1]),
        ]
    if len(figure.found) > 1:
        return _several(table, line, column, figure=figure, told=(stage, point), emitter=emitter)
    stage = stage or _stage(table, line, column, emitter)
    if not stage:
        return "waits for an answer: stage"
    numbers = figure.found or (None,)
    return [(stage, point, replicate, number) for number in numbers]


def _several(
    table: Table,
    line: Line,
    column: CellColumn,
    *,
    figure: CellNumber,
    told: tuple[str, float | None],
    emitter: Emitter,
) -> list[SheetPart] | str:
    """Return the readings of a cell that holds several figures with strokes between."""
    stage, point = told
    place = table.place(line.row, column.at)
    if column.points:
        if len(column.points) != len(figure.found):
            return (
                f"holds {len(figure.found)} figures where its header names "
                f"{len(column.points)} points"
            )
        stage = stage or _stage(table, line, column, emitter)
        if not stage:
            return "waits for an answer: stage"
        return [
            (stage, at, None, number)
            for at, number in zip(column.points, figure.found, strict=True)
        ]
    if max(figure.found) - min(figure.found) > NEAR_PCT:
        return "holds figures too far apart for one point"
    means = emitter.answers.get("cells.slash", sheet=table.sheet.name)
    if means is None and (stage or column.slash == "replicates"):
        means = "replicates"
    if means is None:
        emitter.answers.ask(
            "cells.slash",
            f"nothing says what the stroke in {shown(line.cells[column.at])} stands for",
            ("replicates: readings of one stage", "found_left: as found, then as left"),
            place,
        )
        return "waits for an answer: cells.slash"
    if means == "found_left":
        if len(figure.found) != 2:
            return "holds more figures than as found and as left"
        return [
            ("as_found", point, None, figure.found[0]),
            ("as_left", point, None, figure.found[1]),
        ]
    stage = stage or _stage(table, line, column, emitter)
    if not stage:
        return "waits for an answer: stage"
    return [(stage, point, None, number) for number in figure.found]


def _stage(table: Table, line: Line, column: CellColumn, emitter: Emitter) -> str:
    """Return the stage that surroundings or a person tell; empty where none, and asked."""
    label = table.around.first("stage")
    stage = (
        table.around.stage
        or table.named.stage
        or (facts_of(shown(label.value)).stage if label else "")
    )
    if stage:
        return stage
    answer = emitter.answers.get("stage", sheet=table.sheet.name) or ""
    if answer not in {"as_found", "as_left"}:
        emitter.answers.ask(
            "stage",
            "nothing says whether readings are as found or as left",
            ("as_found: before any adjustment", "as_left: after it"),
            table.place(line.row, column.at),
        )
        return ""
    return answer
