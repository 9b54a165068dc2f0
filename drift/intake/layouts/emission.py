"""This module makes rows of a table's cells, and says of every other cell why it makes none."""

from dataclasses import replace
from datetime import date

from drift.intake.layouts.carrying import undo_dittos
from drift.intake.layouts.cells import Value, shown
from drift.intake.layouts.columns import NEAR_PCT, VALUES, Column
from drift.intake.layouts.companions import Emitter, agreement, companion, whose
from drift.intake.layouts.facts import Facts, facts_of
from drift.intake.layouts.headers import look_at
from drift.intake.layouts.numbers import Figure, figure_of, large_number, plain_number
from drift.intake.layouts.others import emit_others
from drift.intake.layouts.references import reference_of
from drift.intake.layouts.rowkinds import passed_over, section_of
from drift.intake.layouts.tables import Line, Reading, Table
from drift.intake.layouts.words import ACTIONS, STAGE_LETTERS

_LOWEST, _HIGHEST = -10.0, 30.0
_LETTERS = {
    letter: stage
    for pair in STAGE_LETTERS
    for letter, stage in zip(pair, ("as_found", "as_left"), strict=True)
}
_CELSIUS = {"c": (1.0, 0.0), "": (1.0, 0.0), "f": (5.0 / 9.0, -160.0 / 9.0)}
_LARGEST_CELSIUS = 45.0


def emit(table: Table, emitter: Emitter) -> None:
    """Make rows of a table."""
    emitter.turn += 1
    table.around = table.around.copy()
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
        undo_dittos(table, line, above, used, emitter)
        above = {**above, **line.cells}
        _emit_row(table, line, emitter)


def _emit_row(table: Table, line: Line, emitter: Emitter) -> None:
    """Make the rows of one row."""
    label = _row_facts(table, line, emitter)
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
        made += _emit_cell(table, line, column, value, label, emitter)
    emit_others(table, line.row, line.cells, label, emitter, readings=made)
    _mark_rest(table, line)


def _row_facts(table: Table, line: Line, emitter: Emitter) -> Facts:
    """Return what the columns of stages, points and replicates say of a row."""
    facts = Facts()
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


def _told_by_cell(column: Column, value: Value) -> Facts | None:
    """Return what a cell of a stage, point, replicate or label tells; None where it is none."""
    figure = figure_of(value)
    if column.holds == "replicate":
        if figure.kind == "numbers" and figure.found[0] == int(figure.found[0]):
            return Facts(replicate=int(figure.found[0]))
        facts = facts_of(shown(value))
        number = facts.replicate or (int(facts.bare[0]) if facts.bare else None)
        return Facts(replicate=number) if number is not None else None
    if column.holds == "point":
        if figure.kind == "numbers":
            return Facts(point_pct=figure.found[0])
        facts = facts_of(shown(value))
        point = (
            facts.point_pct
            if facts.point_pct is not None
            else (facts.bare[0] if facts.bare else None)
        )
        return Facts(point_pct=point, stage=facts.stage) if point is not None else None
    facts = facts_of(shown(value))
    if (
        not facts.stage
        and shown(value).casefold().strip(" .") in _LETTERS
        and column.holds == "stage"
    ):
        return Facts(stage=_LETTERS[shown(value).casefold().strip(" .")])
    if facts.bare and facts.point_pct is None:
        facts = (
            replace(facts, replicate=int(facts.bare[0]))
            if facts.bare[0] in {1.0, 2.0, 3.0} and facts.stage
            else replace(facts, point_pct=facts.bare[0])
        )
    return facts if facts.tells else None


def _facts_words(facts: Facts) -> str:
    """Return facts in words."""
    words = [facts.stage.replace("_", " ")] if facts.stage else []
    if facts.point_pct is not None:
        words.append(f"point {plain_number(facts.point_pct)} %")
    if facts.replicate is not None:
        words.append(f"reading {facts.replicate}")
    return ", ".join(words)


def _emit_cell(
    table: Table, line: Line, column: Column, value: Value, label: Facts, emitter: Emitter
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
    who = whose(table, line.row, line.cells, column, emitter)
    if isinstance(who, str):
        table.mark(line.row, column.at, "unread", who)
        return 0
    parts = _parts(table, line, column, figure, label, emitter)
    if isinstance(parts, str):
        table.mark(line.row, column.at, "unread", parts)
        return 0
    made, told = 0, []
    for stage, point, replicate, number in parts:
        reading = _reading(
            table, line, column, (stage, point, replicate, number), figure, who, emitter
        )
        if isinstance(reading, str):
            fate = "passed" if reading.startswith("worked out") else "unread"
            table.mark(line.row, column.at, fate, reading)
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
    return f"{reading.meter_id}, {reading.performed_on.isoformat()}, {reading.stage.replace('_', ' ')}{point}: {number}"


_Part = tuple[str, float | None, int | None, float | None]


def _parts(
    table: Table, line: Line, column: Column, figure: Figure, label: Facts, emitter: Emitter
) -> list[_Part] | str:
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
        return _several(table, line, column, figure, (stage, point), emitter)
    stage = stage or _stage(table, line, column, emitter)
    if not stage:
        return "waits for an answer: stage"
    numbers = figure.found or (None,)
    return [(stage, point, replicate, number) for number in numbers]


def _several(
    table: Table,
    line: Line,
    column: Column,
    figure: Figure,
    told: tuple[str, float | None],
    emitter: Emitter,
) -> list[_Part] | str:
    """Return the readings of a cell that holds several figures with strokes between."""
    stage, point = told
    place = table.place(line.row, column.at)
    if column.points:
        if len(column.points) != len(figure.found):
            return f"holds {len(figure.found)} figures where its header names {len(column.points)} points"
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


def _stage(table: Table, line: Line, column: Column, emitter: Emitter) -> str:
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


def _reading(
    table: Table,
    line: Line,
    column: Column,
    part: _Part,
    figure: Figure,
    who: tuple[str, date],
    emitter: Emitter,
) -> Reading | str:
    """Return one reading, or why there is none."""
    stage, point, replicate, number = part
    if figure.unit not in {"", "%"}:
        return f"is in {figure.unit}, and readings are in % air"
    reference = reference_of(table, line.row, line.cells, column, point, who[1], emitter)
    if column.holds != "reading" and number is not None and _stands_beside(table, line, column):
        return "worked out from the reading beside it"
    correct = reference.value
    if correct is None and number is not None:
        correct = _less_error(table, line, column, number)
    if correct is None and (number is not None or point is None):
        if reference.why:
            return reference.why
        if number is None:
            correct = None
        else:
            emitter.answers.ask(
                "correct_air_pct",
                "no correct air content is written, and no vessel that has one",
                ("such as 5.0",),
                table.place(line.row, column.at),
            )
            return "waits for an answer: correct_air_pct"
    if number is not None and correct is not None and column.holds != "reading":
        number = _round(correct + number if column.holds == "error" else correct - number)
    if number is not None and not _LOWEST <= number <= _HIGHEST:
        return f"{plain_number(number)} is no air content that a dial shows"
    if number is not None and correct is not None and _may_be_share(number, correct):
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
        number = _round(number * 100) if answer == "yes" else number
    return Reading(
        meter_id=who[0],
        performed_on=who[1],
        stage=stage,
        correct_air_pct=correct if correct is not None else point,
        reading_air_pct=number,
        passed=None if number is not None else figure.kind == "passed",
        replicate=replicate,
        more=_more(table, line, column, figure, emitter),
        place=table.place(line.row, column.at),
        sheet=table.sheet.title,
        turn=emitter.turn,
    )


def _may_be_share(number: float, correct: float) -> bool:
    """Say whether a figure fits only as a share of one: 0.05 where 5 is read."""
    return correct > 2 and abs(number) < 0.3 and abs(number * 100 - correct) <= NEAR_PCT


def _round(number: float) -> float:
    """Return a sum of decimals without the noise of binary fractions."""
    return round(number, 9)


def _stands_beside(table: Table, line: Line, column: Column) -> bool:
    """Say whether a reading stands beside an error."""
    return companion(table, column, ("reading",), line.cells) is not None or any(
        other.holds == "reading" and other.at in line.cells and agreement(other, column) is not None
        for other in table.columns
    )


def _less_error(table: Table, line: Line, column: Column, number: float) -> float | None:
    """Return the correct air content that a reading and its error leave; None where none stands."""
    if column.holds != "reading":
        return None
    other = companion(table, column, ("error", "correction"), line.cells)
    if other is None:
        return None
    figure = figure_of(line.cells[other.at], percent=(line.row, other.at) in table.sheet.percent)
    if figure.kind != "numbers" or len(figure.found) != 1:
        return None
    sign = -1 if other.holds == "error" else 1
    return _round(number + sign * figure.found[0])


def _more(
    table: Table, line: Line, column: Column, figure: Figure, emitter: Emitter
) -> dict[str, str]:
    """Return what else a reading carries: vessel, operator, water, resolution, remarks."""
    more: dict[str, str] = {}
    for role, name in (("vessel", "vessel_id"), ("operator", "operator"), ("remarks", "remarks")):
        text = _beside_text(table, line, column, role)
        if text:
            more[name] = text
    if "vessel_id" not in more and (
        declared := emitter.answers.get("vessel_id", sheet=table.sheet.name)
    ):
        more["vessel_id"] = declared
    if (celsius := _temperature(table, line, column)) is not None:
        more["water_temp_c"] = plain_number(celsius)
    if resolution := emitter.answers.get(
        "resolution_pct", sheet=table.sheet.name
    ) or _number_beside(table, line, column, "resolution"):
        more["resolution_pct"] = resolution
    if figure.aside and figure.kind == "numbers":
        more["remarks"] = "; ".join(filter(None, (more.get("remarks"), figure.aside)))
    action = _beside_text(table, line, column, "action")
    if action and not any(sign.search(action) for _, sign in ACTIONS):
        more["remarks"] = "; ".join(filter(None, (more.get("remarks"), action)))
    return more


def _beside_text(table: Table, line: Line, column: Column, role: str) -> str:
    """Return the text of a companion column, else of a label; empty where there is none."""
    other = companion(table, column, (role,), line.cells)
    if other is not None:
        text = " ".join(shown(line.cells[other.at]).split())
        figure = figure_of(line.cells[other.at])
        if role != "remarks" and figure.kind == "nothing":
            table.mark(line.row, other.at, "passed", "nothing was recorded")
            return ""
        table.mark(line.row, other.at, "read", f"read as {role} {text}")
        return text
    label = table.around.first(role)
    return " ".join(shown(label.value).split()) if label is not None and role != "action" else ""


def _number_beside(table: Table, line: Line, column: Column, role: str) -> str:
    """Return the number of a companion column or a label as text; empty where there is none."""
    other = companion(table, column, (role,), line.cells)
    label = table.around.first(role)
    value = (
        line.cells[other.at] if other is not None else label.value if label is not None else None
    )
    figure = figure_of(value)
    if figure.kind != "numbers":
        return ""
    if other is not None:
        table.mark(line.row, other.at, "read", f"read as {role} {plain_number(figure.found[0])}")
    return plain_number(figure.found[0])


def _temperature(table: Table, line: Line, column: Column) -> float | None:
    """Return the water's temperature in °C; None where none is written or its unit is not known."""
    other = companion(table, column, ("temperature",), line.cells)
    label = table.around.first("temperature")
    value = (
        line.cells[other.at] if other is not None else label.value if label is not None else None
    )
    found = large_number(value, decimal_comma=False)
    if found is None:
        return None
    number, unit = found
    unit = unit or (other.facts.unit if other is not None else label.facts.unit if label else "")
    if unit not in _CELSIUS or (unit == "" and number > _LARGEST_CELSIUS):
        if other is not None:
            table.mark(line.row, other.at, "unread", "a temperature whose unit is not known")
        return None
    scale, shift = _CELSIUS[unit]
    celsius = round(number * scale + shift, 2)
    if other is not None:
        table.mark(line.row, other.at, "read", f"read as water of {plain_number(celsius)} °C")
    return celsius


def _mark_rest(table: Table, line: Line) -> None:
    """Note what became of the cells of a row that made nothing."""
    for column in table.columns:
        if column.at not in line.cells or line.row is None:
            continue
        if table.sheet.at(line.row, column.at) is None:
            continue
        look = look_at(line.cells[column.at])
        if column.holds in {"ignored", "verdict", "year", "unknown"}:
            why = column.why or {
                "verdict": "the laboratory's own verdict, worked out again from the readings",
                "year": "read with the date",
            }.get(column.holds, f"“{column.title}” is no column that is known")
            table.mark(line.row, column.at, "read" if column.holds == "year" else "passed", why)
        elif look.kind != "empty":
            table.mark(line.row, column.at, "passed", "belongs to a row without a reading")
