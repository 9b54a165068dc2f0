"""This module separates rows of records from totals, notes, struck lines and headlines."""

import re

from drift.intake.layouts.cells import shown
from drift.intake.layouts.column_values import VALUES
from drift.intake.layouts.facts import facts_of
from drift.intake.layouts.headers import look_at, meter_named
from drift.intake.layouts.surroundings import Label, labels_in
from drift.intake.layouts.tables import Table
from drift.intake.layouts.words import TOTALS, VOID, folded_words

_CAPITALS = re.compile(r"(?<!\w)(VOID|CANCELL?ED|STORNIERT|ANNULÉE?|INVALID|UNGÜLTIG)(?!\w)")
_NAME = re.compile(r"^[A-Za-z]{0,6}[-_ ./]?\d[\w-]*$")
_MOST = 0.6


def passed_over(table: Table, row: int) -> str:
    """Return why a row is no record; empty where it may be one."""
    cells = [value for value in table.sheet.rows[row] if value is not None]
    texts = [value for value in cells if isinstance(value, str)]
    struck = [at for at in range(len(table.sheet.rows[row])) if (row, at) in table.sheet.struck]
    if struck and len(struck) >= _MOST * len(cells):
        return "the line is struck through"
    if any(_is_void(text) for text in texts):
        return "the line is marked as void"
    if texts and table.sheet.rows[row] and _is_total(table, row):
        return "a total or a summary"
    if _is_header_again(table, row):
        return "the header again"
    if texts and len(texts) == len(cells) and all(not text.strip("-=_ .*·–—#") for text in texts):
        return "a line drawn"
    return ""


def _is_void(text: str) -> bool:
    """Say whether a text voids its line."""
    found = VOID.search(text)
    return bool(_CAPITALS.search(text)) or bool(
        found and found.start() <= 2 and len(text) <= len(found[0]) + 40
    )


def _is_total(table: Table, row: int) -> bool:
    """Say whether a row sums up others: it says so, and has no day of its own."""
    first = next((value for value in table.sheet.rows[row] if value is not None), None)
    dated = any(
        look_at(table.sheet.at(row, column.at)).kind == "date" for column in table.holding("date")
    )
    return isinstance(first, str) and bool(TOTALS.match(first)) and not dated and len(first) <= 60


def _is_header_again(table: Table, row: int) -> bool:
    """Say whether a row repeats a line of the header."""
    values = {
        at: folded_words(shown(value))
        for at, value in enumerate(table.sheet.rows[row])
        if value is not None
    }
    if len(values) < 2:
        return False
    for header in table.region.header:
        same = sum(
            folded_words(shown(table.sheet.at(header, at))) == text for at, text in values.items()
        )
        if (
            same >= _MOST * len(values)
            and same >= 2
            and any(look_at(table.sheet.at(row, at)).kind in {"word", "label"} for at in values)
        ):
            return True
    return False


def section_of(table: Table, row: int) -> bool:
    """Take in a headline between records, such as ``Meter M-103``; say whether it is one."""
    filled = [(at, value) for at, value in enumerate(table.sheet.rows[row]) if value is not None]
    looks = {look_at(value).kind for _, value in filled}
    values = {column.at for column in table.holding(*VALUES)}
    labels = (
        labels_in(table.sheet, [row]) if len(filled) <= 6 and looks & {"inline", "word"} else []
    )
    if labels and not any(
        at in values and look_at(value).kind == "number" and len(filled) > 2 * len(labels)
        for at, value in filled
    ):
        for label in labels:
            table.around.add(label)
            table.mark(*label.place, "read", f"read as {label.role} of what follows")
        for at, _ in filled:
            table.mark(row, at, "read", "a label of what follows")
        return True
    if len(filled) != 1:
        return False
    at, value = filled[0]
    return _headline(
        table, row, at, shown(value), is_text=isinstance(value, str), in_values=at in values
    )


def _headline(
    table: Table, row: int, at: int, text: str, *, is_text: bool, in_values: bool
) -> bool:
    """Take in a row of one cell that names a meter, a stage, a point or a year."""
    facts = facts_of(text)
    meter = meter_named(text) if is_text else ""
    keyed = any(
        column.at == at for column in table.holding("meter", "date", "stage", "label", "point")
    )
    if (
        not meter
        and is_text
        and _NAME.match(text)
        and not table.holding("meter")
        and look_at(text).kind == "text"
    ):
        meter = text
    if meter and not in_values:
        table.around.add(Label("meter", facts, meter, (row, at)))
        table.mark(row, at, "read", f"read as the meter {meter} of what follows")
        return True
    if look_at(table.sheet.at(row, at)).kind == "date" and not table.holding("date"):
        table.around.add(Label("date", facts, table.sheet.at(row, at), (row, at)))
        table.mark(row, at, "read", "read as the date of what follows")
        return True
    if in_values and not (facts.stage or facts.quarter):
        return False
    if (facts.year and not facts.rest and not keyed) or (
        facts.year and text.strip() == str(facts.year)
    ):
        table.around.year = facts.year
    elif look_at(text).kind == "label":
        table.around.stage = facts.stage or table.around.stage
        table.around.point_pct = (
            facts.point_pct if facts.point_pct is not None else table.around.point_pct
        )
        table.around.quarter = facts.quarter or table.around.quarter
    else:
        if is_text and not keyed:
            table.mark(row, at, "passed", "a note between records")
            return True
        return False
    table.mark(row, at, "read", "a headline of what follows")
    return True
