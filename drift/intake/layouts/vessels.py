"""This module reads lists of calibration vessels: what air content each stands for, since when."""

from datetime import date

from drift.intake.layouts.cells import shown
from drift.intake.layouts.column_values import VALUES
from drift.intake.layouts.days import written
from drift.intake.layouts.facts import HIGHEST_POINT_PCT
from drift.intake.layouts.numbers import figure_of, large_number, plain_number
from drift.intake.layouts.tables import Rows, Table
from drift.intake.layouts.words import folded_words

_GRAMS = {"g": 1.0, "": 1.0, "kg": 1000.0, "lb": 453.59237, "oz": 28.349523125}


def is_vessel_table(table: Table) -> bool:
    """Say whether a table lists vessels: an air content or masses for each, and no reading."""
    if table.holding(*VALUES) or table.holding("meter") or not table.holding("vessel"):
        return False
    return bool(table.holding("correct", "air", "unknown", "mass_vessel", "point"))


def vessel_cells(tables: list[Table], rows: Rows) -> dict[str, list[tuple[date | None, float]]]:
    """Return the air contents of vessels by folded name, and make rows of the vessels table."""
    values: dict[str, list[tuple[date | None, float]]] = {}
    for table in tables:
        if not is_vessel_table(table):
            continue
        names = table.holding("vessel")[0]
        for row in range(table.region.first, table.region.last):
            name = shown(table.sheet.at(row, names.at))
            air = _air(table, row)
            if not name or air is None:
                continue
            day = _day(table, row)
            values.setdefault(folded_words(name), []).append((day, air))
            for column in table.columns:
                if table.sheet.at(row, column.at) is not None:
                    table.mark(row, column.at, "read", f"read as of vessel {name}")
            if day is not None:
                rows.vessels.append(
                    {
                        "vessel_id": name,
                        "calibrated_on": day.isoformat(),
                        "air_pct": plain_number(air),
                    }
                )
    return values


def _air(table: Table, row: int) -> float | None:
    """Return the air content of a vessel, stated or weighed; None where it is not known."""
    for column in table.holding("correct", "air", "point", "unknown"):
        figure = figure_of(
            table.sheet.at(row, column.at), percent=(row, column.at) in table.sheet.percent
        )
        if figure.kind == "numbers" and 0 < figure.found[0] <= HIGHEST_POINT_PCT:
            return figure.found[0]
    masses = []
    for role in ("mass_vessel", "mass_bowl"):
        for column in table.holding(role)[:1]:
            found = large_number(table.sheet.at(row, column.at), decimal_comma=False)
            if found is not None:
                masses.append(found[0] * _GRAMS.get(found[1] or column.facts.unit, 1.0))
    return round(100 * masses[0] / masses[1], 4) if len(masses) == 2 and masses[1] else None


def _day(table: Table, row: int) -> date | None:
    """Return the day of a vessel's calibration; None where it is not told for certain."""
    for column in table.holding("date"):
        what = written(table.sheet.at(row, column.at), epoch_1904=table.sheet.epoch_1904)
        if what is not None and what.year and what.month and what.day:
            return date(what.year, what.month, what.day)
    return None
