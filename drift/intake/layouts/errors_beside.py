"""This module reads errors and corrections that stand beside readings or in their place."""

from drift.intake.layouts.column_values import CellColumn
from drift.intake.layouts.companions import companion, companion_agreement
from drift.intake.layouts.numbers import figure_of
from drift.intake.layouts.tables import Line, Table


def rounded(number: float) -> float:
    """Return a sum of decimals without the noise of binary fractions."""
    return round(number, 9)


def stands_beside(table: Table, line: Line, column: CellColumn) -> bool:
    """Say whether a reading stands beside an error."""
    return companion(table, column, ("reading",), cells=line.cells) is not None or any(
        other.holds == "reading"
        and other.at in line.cells
        and companion_agreement(other, column) is not None
        for other in table.columns
    )


def less_error(table: Table, line: Line, column: CellColumn, *, number: float) -> float | None:
    """Return the correct air content that a reading and its error leave; None where none stands."""
    if column.holds != "reading":
        return None
    other = companion(table, column, ("error", "correction"), cells=line.cells)
    if other is None:
        return None
    figure = figure_of(line.cells[other.at], percent=(line.row, other.at) in table.sheet.percent)
    if figure.kind != "numbers" or len(figure.found) != 1:
        return None
    sign = -1 if other.holds == "error" else 1
    return rounded(number + sign * figure.found[0])
