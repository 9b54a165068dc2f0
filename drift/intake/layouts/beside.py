"""This module reads what stands beside a reading: vessel, operator, water, resolution, remarks."""

from drift.intake.layouts.cells import shown
from drift.intake.layouts.column_values import CellColumn
from drift.intake.layouts.companions import Emitter, companion
from drift.intake.layouts.numbers import CellNumber, figure_of, large_number, plain_number
from drift.intake.layouts.tables import Line, Table
from drift.intake.layouts.words import ACTIONS

_CELSIUS = {"c": (1.0, 0.0), "": (1.0, 0.0), "f": (5.0 / 9.0, -160.0 / 9.0)}
# Water above this, in a column without a unit, is more likely in °F.
_LARGEST_CELSIUS = 45.0


def more_of(
    table: Table, line: Line, column: CellColumn, *, figure: CellNumber, emitter: Emitter
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


def _beside_text(table: Table, line: Line, column: CellColumn, role: str) -> str:
    """Return the text of a companion column, else of a label; empty where there is none."""
    other = companion(table, column, (role,), cells=line.cells)
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


def _number_beside(table: Table, line: Line, column: CellColumn, role: str) -> str:
    """Return the number of a companion column or a label as text; empty where there is none."""
    other = companion(table, column, (role,), cells=line.cells)
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


def _temperature(table: Table, line: Line, column: CellColumn) -> float | None:
    """Return the water's temperature in °C; None where none is written or its unit is not known."""
    other = companion(table, column, ("temperature",), cells=line.cells)
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
