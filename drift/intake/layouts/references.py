"""This module finds the correct air content that a reading is compared with."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date

from drift.intake.layouts.cells import Value, shown
from drift.intake.layouts.column_values import NEAR_PCT, CellColumn
from drift.intake.layouts.companions import Emitter, companion
from drift.intake.layouts.facts import HIGHEST_POINT_PCT
from drift.intake.layouts.numbers import figure_of, large_number, plain_number
from drift.intake.layouts.tables import Table
from drift.intake.layouts.words import folded_words

_GRAMS = {"g": 1.0, "kg": 1000.0, "lb": 453.59237, "oz": 28.349523125}


@dataclass(frozen=True, slots=True)
class SheetReference:
    """A correct air content.

    Attributes
    ----------
    value : float or None
        In % air; None where it is not known.
    why : str
        Why it is not known, where a cell that should tell it cannot be read.
    """

    value: float | None
    why: str = ""


def sheet_reference(
    table: Table,
    row: int,
    cells: Mapping[int, Value],
    *,
    column: CellColumn,
    point: float | None,
    day: date,
    emitter: Emitter,
) -> SheetReference:
    """Return the correct air content of a reading.

    It is that of the row; else R = 100·w/W of masses of water; else, near the point, that of a
    label above or of the vessel on that day; else the point as written; else the declared one.
    R = 100·w/W: ASTM C231, annex on the calibration of the apparatus, for Type B without factor
    (from memory).
    """
    if point == 0:
        return SheetReference(0.0)
    stated = companion(table, column, ("correct",), cells=cells)
    if stated is not None and not (
        point is not None and _is_other_point(table, stated, cells, row, point)
    ):
        return _stated(table, row, cells, stated, point)
    if (found := _weighed(table, row, cells, column)) is not None:
        return SheetReference(found)
    for number in _labelled(table, column):
        if point is None or abs(number - point) <= NEAR_PCT:
            return SheetReference(number)
    vessel = _of_vessel(table, row, cells, column=column, point=point, day=day, emitter=emitter)
    if vessel is not None:
        return SheetReference(vessel)
    if point is not None:
        return SheetReference(point)
    answer = emitter.answers.get("correct_air_pct", sheet=table.sheet.name)
    return SheetReference(_declared(answer))


def _is_other_point(
    table: Table, stated: CellColumn, cells: Mapping[int, Value], row: int, point: float
) -> bool:
    """Say whether a stated value belongs to another point than that of the column or row."""
    figure = figure_of(cells[stated.at], percent=(row, stated.at) in table.sheet.percent)
    if figure.kind != "numbers" or stated.facts.point_pct == point:
        return False
    return abs(figure.found[0] - point) > NEAR_PCT


def _stated(
    table: Table, row: int, cells: Mapping[int, Value], stated: CellColumn, point: float | None
) -> SheetReference:
    """Return the correct value that a row states."""
    value = cells[stated.at]
    if (row, stated.at) in table.sheet.unvalued:
        return SheetReference(
            None, "its correct air content is a formula whose value is not stored"
        )
    figure = figure_of(value, percent=(row, stated.at) in table.sheet.percent)
    if figure.kind == "numbers" and len(figure.found) == 1 and figure.unit in {"", "%"}:
        number = figure.found[0]
        if not 0 <= number <= HIGHEST_POINT_PCT:
            table.mark(row, stated.at, "unread", "no air content that a vessel stands for")
            return SheetReference(None, "its correct air content cannot be meant")
        table.mark(
            row, stated.at, "read", f"read as the correct air content {plain_number(number)} %"
        )
        return SheetReference(number)
    if figure.kind == "nothing" and point is not None:
        return SheetReference(point)
    table.mark(row, stated.at, "unread", "no air content")
    return SheetReference(None, "its correct air content cannot be read")


def _weighed(
    table: Table, row: int, cells: Mapping[int, Value], column: CellColumn
) -> float | None:
    """Return R = 100·w/W of the masses of water in vessel and bowl; None where one is missing."""
    masses = []
    for role in ("mass_vessel", "mass_bowl"):
        other = companion(table, column, (role,), cells=cells)
        label = table.around.first(role)
        value = cells[other.at] if other is not None else label.value if label is not None else None
        if value is None:
            return None
        found = large_number(value, decimal_comma=_decimal_comma(table))
        if found is None:
            return None
        unit = found[1] or (
            other.facts.unit if other is not None else label.facts.unit if label else ""
        )
        masses.append((found[0], unit))
        if other is not None:
            table.mark(
                row, other.at, "read", f"read as a mass of water, {plain_number(found[0])} {unit}"
            )
    (vessel, its), (bowl, other_unit) = masses
    if (its in _GRAMS) != (other_unit in _GRAMS):
        its = other_unit = its or other_unit
    ratio = (
        100 * vessel * _GRAMS.get(its, 1.0) / (bowl * _GRAMS.get(other_unit, 1.0)) if bowl else -1.0
    )
    return round(ratio, 4) if 0 < ratio <= HIGHEST_POINT_PCT else None


def _decimal_comma(table: Table) -> bool:
    """Say whether a sheet writes decimals with commas: one or two figures behind one."""
    for cells in table.sheet.rows[table.region.first : table.region.last]:
        for value in cells:
            if (
                isinstance(value, str)
                and "," in value
                and value.replace(",", "", 1).lstrip("-").isdigit()
            ):
                return len(value.rsplit(",", 1)[1]) < 3
    return False


def _labelled(table: Table, column: CellColumn) -> Iterator[float]:
    """Yield the correct air contents that labels above a table name."""
    for label in table.around.labels.get("correct", ()):
        if label.facts.stage and column.facts.stage and label.facts.stage != column.facts.stage:
            continue
        figure = figure_of(label.value, percent=label.place in table.sheet.percent)
        if (
            figure.kind == "numbers"
            and len(figure.found) == 1
            and 0 <= figure.found[0] <= HIGHEST_POINT_PCT
        ):
            yield figure.found[0]


def _of_vessel(
    table: Table,
    row: int,
    cells: Mapping[int, Value],
    *,
    column: CellColumn,
    point: float | None,
    day: date,
    emitter: Emitter,
) -> float | None:
    """Return the air content of the vessel of a reading on its day; None where it is not known."""
    other = companion(table, column, ("vessel",), cells=cells)
    label = table.around.first("vessel")
    name = shown(cells[other.at]) if other is not None else shown(label.value) if label else ""
    name = name or emitter.answers.get("vessel_id", sheet=table.sheet.name) or ""
    values = emitter.vessels.get(folded_words(name), []) if name else []
    known = [(since, air) for since, air in values if since is None or since <= day] or values[:1]
    if not known:
        return None
    air = max(known, key=lambda one: one[0] or date.min)[1]
    if point is not None and abs(air - point) > NEAR_PCT:
        return None
    if other is not None:
        table.mark(row, other.at, "read", f"read as vessel {name}, {plain_number(air)} % air")
    return air


def _declared(answer: str | None) -> float | None:
    """Return a declared air content; None where it is none."""
    figure = figure_of(answer)
    if figure.kind != "numbers" or not 0 <= figure.found[0] <= HIGHEST_POINT_PCT:
        return None
    return figure.found[0]
