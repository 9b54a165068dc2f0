"""This module decides what each column of a table holds: by words, values and the physics."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from drift.intake.layouts.cells import Sheet, Value, cell_name, shown
from drift.intake.layouts.column_beside import (
    meters_across,
    meters_named,
    settle_air,
    settle_bare,
    settle_twins,
)
from drift.intake.layouts.column_meaning import held_cells
from drift.intake.layouts.column_values import CellColumn, values_of
from drift.intake.layouts.days import written
from drift.intake.layouts.facts import SheetFacts, facts_of
from drift.intake.layouts.headers import Region, look_at, meter_named
from drift.intake.layouts.words import folded_words

# What is said once for a row and not below each of several headings, unless cells are merged.
_ON_THEIR_OWN = {"meter", "operator", "remarks", "checked_by", "due", "serial", "action"}
# Roles that a line above a header gives to the columns below it.
_INHERITED = {"reading", "error", "correction", "correct"}


def sheet_columns(sheet: Sheet, region: Region, declared: Mapping[str, str]) -> list[CellColumn]:
    """Return what each column of a table holds.

    Parameters
    ----------
    sheet : Sheet
        The sheet.
    region : Region
        The table on it.
    declared : mapping of str to str
        Folded title to what a person has said that the column is.
    """
    width = max(
        (
            len(sheet.rows[row])
            for row in range(region.header[0] if region.header else region.first, region.last)
        ),
        default=0,
    )
    columns = _titled(sheet, region, width)
    values = {column.at: values_of(sheet, region, column.at) for column in columns}
    for column in columns:
        said = declared.get(folded_words(column.title)) or declared.get(
            folded_words(column.title.split(" / ")[-1])
        )
        if said:
            take_declared(column, said)
        else:
            column.holds, column.why = held_cells(column, values[column.at])
    meters_named(columns)
    meters_across(columns, values)
    settle_bare(columns, values)
    settle_air(columns, values)
    settle_twins(columns, values)
    return [
        column
        for column in columns
        if values[column.at].count or not column.title.startswith("column ")
    ]


def _titled(sheet: Sheet, region: Region, width: int) -> list[CellColumn]:
    """Return columns with their titles, the lines above each included."""
    lines = [_spread(sheet, row, width, region) for row in region.header[:-1]]
    bottom = [sheet.at(region.header[-1], at) if region.header else None for at in range(width)]
    columns = []
    for at in range(width):
        above = [line[at] for line in lines]
        path = [shown(value) for value in (*above, bottom[at]) if value is not None]
        path = [text for number, text in enumerate(path) if number == 0 or text != path[number - 1]]
        title = " / ".join(path) if region.header else ""
        title = title or f"column {cell_name(0, at)[:-1]}"
        column = CellColumn(at=at, title=title, facts=SheetFacts())
        told = [value for value in (bottom[at], *reversed(above)) if value is not None]
        column.group = (
            shown(above[0]) if above and above[0] is not None and bottom[at] is not None else ""
        )
        _take_facts(
            column,
            told,
            percent=(region.header[-1], at) in sheet.percent if region.header else False,
        )
        columns.append(column)
    return columns


def _spread(sheet: Sheet, row: int, width: int, region: Region) -> list[Value]:
    """Return a line above a header with what spans several columns in each of them."""
    line: list[Value] = [sheet.at(row, at) for at in range(width)]
    for r0, c0, _, c1 in sheet.merged:
        if r0 == row:
            for at in range(c0, min(c1 + 1, width)):
                line[at] = line[c0]
    spanning: Value = None
    for at in range(width):
        if line[at] is not None:
            facts = look_at(line[at])
            groups = facts.facts.tells or facts.kind in {"date", "label"} or (facts.kind == "text")
            single = (
                facts.facts.role in {"date", "meter", "operator", "remarks", "vessel"}
                and not facts.facts.stage
            )
            own = any(sheet.at(below, at) is not None for below in region.header if below > row)
            spanning = (
                line[at] if groups and (own or not single) and not (single and not own) else None
            )
        elif spanning is not None and _may_share(sheet, region, row, at):
            line[at] = spanning
        elif line[at] is None:
            spanning = None
    return line


def _may_share(sheet: Sheet, region: Region, row: int, at: int) -> bool:
    """Say whether a column may belong to what stands above its neighbour to the left."""
    below = [sheet.at(line, at) for line in region.header if line > row]
    told = [look_at(value).facts.role for value in below if value is not None]
    return bool(told) and not (set(told) & _ON_THEIR_OWN)


def _take_facts(column: CellColumn, told: Sequence[Value], *, percent: bool) -> None:
    """Put together what the texts of a header tell, from the bottom up."""
    facts = SheetFacts()
    for number, value in enumerate(told):
        day = written(value)
        if (
            day is not None
            and day.form != "a day number of a spreadsheet"
            and not isinstance(value, float)
        ):
            column.day = column.day or day
            continue
        if isinstance(value, float):
            size = round(value * 100, 9) if percent and number == 0 else value
            here = SheetFacts(bare=(size,), percent=percent)
        else:
            here = facts_of(shown(value))
        if here.role == "meter" and (named := meter_named(shown(value))):
            column.meter = column.meter or named
            here = replace(here, role="", bare=(), rest=())
        if number and here.role not in _INHERITED:
            here = replace(here, role="")
        if number and (facts.bare or facts.point_pct is not None):
            here = replace(here, bare=())
        facts = replace(facts.over(here), rest=(*facts.rest, *here.rest))
    column.facts = facts


def take_declared(column: CellColumn, said: str) -> None:
    """Make of a column what a person has said that it is."""
    plain = said.strip().casefold()
    if plain in {"ignored", "ignore", "skip"}:
        column.holds, column.why = "ignored", "you said that it does not count"
        return
    facts = facts_of(said)
    column.facts = replace(facts, unit=facts.unit or column.facts.unit)
    column.holds = facts.role or "reading"
    if facts.role == "replicate" and facts.replicate is not None:
        column.holds = "reading"
