"""This module writes a round as a workbook to fill in at the bench or the desk.

It is blind: what a meter should read, and what it is expected to read, stay hidden unless asked
for, and a cell turns red once a reading is in that is out of tolerance.  Every text is written as
text; the only formulas are those of the column that works out the correct air content from vessel,
meter and draws, and of the one that says whether a reading is within tolerance.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import polars as pl
from xlsxwriter import Workbook
from xlsxwriter.format import Format
from xlsxwriter.utility import xl_col_to_name
from xlsxwriter.worksheet import Worksheet

from drift import format as text
from drift.folders import cautions
from drift.frames import Row
from drift.intake.column import HIGHEST_AIR_PCT, LOWEST_AIR_PCT
from drift.intake.round_tabs import FIRST_TAB, LISTS_TAB, ROUND_MARK, TABS, VALUES_TAB, Field, Tab
from drift.intake.round_tabs import VALUES_HEADS as HEADS
from drift.report.pages.bench import RoundFacts
from drift.report.round_rows import choice_lists, given_rows
from drift.report.workbook import LONGEST_TEXT
from drift.review.results import Review

# Rows left free at the end of each tab, for what the round does not foresee.
_FREE = {"Readings": 40, "Marks": 10, "Work": 30, "Checks": 30, "New meters": 20}
_WIDTHS = {
    "meter_id": 16,
    "known": 44,
    "remarks": 30,
    "finding": 40,
    "action": 26,
    "decision": 40,
    "signal_id": 16,
    "operator": 16,
    "point": 8,
    "replicate": 6,
    "draws": 7,
    "stage": 10,
    "says": 8,
}
_USUAL_WIDTH = 12
_HEAD_ROW = 2
# Points; room for two lines.
_HEAD_HEIGHT = 32
# What a vessel stands for is found by its name and the meter's; signs that a search takes for any
# others, and names too long for a formula, are left to the plain value.
_NOT_SOUGHT = re.compile(r'[*?~"]')
_LONGEST_SOUGHT = 100
_OPTIONS = {
    "strings_to_formulas": False,
    "strings_to_urls": False,
    "strings_to_numbers": False,
    "in_memory": True,
}
# What may be done to a protected tab besides typing where it is meant.
_ALLOWED = {
    "format_cells": True,
    "format_columns": True,
    "format_rows": True,
    "autofilter": True,
    "sort": True,
}


@dataclass(frozen=True, slots=True)
class _Book:
    """A workbook being written: the round, its formats and where words to choose from stand."""

    book: Workbook
    review: Review
    found: RoundFacts
    due_by: date
    shown: bool
    formats: dict[str, Format]
    lists: dict[str, str]


def write_round_book(
    path: Path, review: Review, found: RoundFacts, *, due_by: date, show_expected: bool
) -> None:
    """Write the workbook of a round.

    Parameters
    ----------
    path : Path
        File to write.
    review : Review
        What was found.
    found : RoundFacts
        The round.
    due_by : date
        The last due date that is planned for.
    show_expected : bool
        Whether it shows what each meter should read and is expected to read.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    with path.open("wb") as file, Workbook(file, _OPTIONS) as book:
        title = f"Round of visits of {review.source_name} on {review.as_of}"
        book.set_properties({"title": title, "created": datetime.combine(review.as_of, time())})
        first = book.add_worksheet(FIRST_TAB)
        tabs = [book.add_worksheet(tab.title) for tab in TABS]
        values, lists = book.add_worksheet(VALUES_TAB), book.add_worksheet(LISTS_TAB)
        made = _Book(
            book=book,
            review=review,
            found=found,
            due_by=due_by,
            shown=show_expected,
            formats=_formats(book),
            lists=_write_lists(lists, choice_lists(review, found)),
        )
        _write_first(first, made)
        for tab, sheet in zip(TABS, tabs, strict=True):
            _write_tab(made, tab, sheet)
        _write_values(values, made)
        for sheet in (values, lists):
            sheet.protect()
            sheet.hide()
        tabs[0].activate()
        first.set_first_sheet()


def _formats(book: Workbook) -> dict[str, Format]:
    """Return the formats of cells, by name."""
    plain: dict[str, Any] = {"valign": "top", "border": 1, "border_color": "#B8B8B8"}
    # Shown as the country of the reader writes dates; the cell holds a date all the same.
    kinds: dict[str, dict[str, Any]] = {
        "date": {"num_format": 14},
        "number": {"num_format": "0.00#"},
        "text": {"num_format": "@"},
    }
    wraps: dict[str, Any] = {"text_wrap": True}
    made: dict[str, dict[str, Any]] = {
        "head": {"bold": True, "text_wrap": True, "valign": "top", "bottom": 2},
        "title": {"bold": True, "font_size": 14},
        "wrapped": {"text_wrap": True, "valign": "top"},
        "red": {"bg_color": "#F4C7C3", "font_color": "#8C1D18", "bold": True},
    }
    for kind in ("date", "number", "whole", "answer", "text"):
        shape: dict[str, Any] = {**plain, **kinds.get(kind, {})}
        made[f"{kind} typed"] = shape | {"locked": False, "bg_color": "#FFFBE6"}
        made[f"{kind} given"] = shape | wraps if kind == "text" else shape
    return {name: book.add_format(shape) for name, shape in made.items()}


def _write_lists(sheet: Worksheet, lists: dict[str, Sequence[str | float]]) -> dict[str, str]:
    """Write words to choose from; return where those of each column stand."""
    places = {}
    for at, (name, words) in enumerate(lists.items()):
        sheet.write_string(0, at, name)
        for row, word in enumerate(words, start=1):
            _write(sheet, (row, at), word, None)
        if words:
            column = xl_col_to_name(at)
            places[name] = f"={LISTS_TAB}!${column}$2:${column}${len(words) + 1}"
    return places


_HOW = """\
Read as found at every point before anything is touched. Work or a moved mark goes into its own \
tab; then read all points again as left, until two successive readings agree within tolerance.
Date, operator and water temperature: once a meter is enough, rows below take them over. Rows \
left blank are not done; save an unfinished workbook and go on later.
Free rows at the end of each tab take further readings, other meters and new ones; a new meter \
also goes into New meters.
Before leaving the bench: drift check SOURCE WORKBOOK. To load it: drift intake WORKBOOK --store \
STORE. Excel, LibreOffice and Numbers (exported to Excel) may save it.
Sheets are protected without a password, against slips alone."""


def _write_first(sheet: Worksheet, made: _Book) -> None:
    """Say what the workbook is and how it is filled in."""
    many = text.count(len(made.found.due), "meter")
    blind = (
        "It shows what each meter should read and is expected to read."
        if made.shown
        else "It is blind: what a meter should read stays hidden, so that nobody reads what they "
        "expect."
    )
    lines = [
        f"{many} due by {text.day(made.due_by)}",
        ROUND_MARK,
        f"Source: {made.review.source_name}, as known on {text.day(made.review.as_of)}",
        f"{blind} A reading out of tolerance turns red once it is in.",
        *_HOW.splitlines(),
        *cautions(),
    ]
    sheet.set_column(0, 0, 110)
    for row, line in enumerate(lines):
        _write(sheet, (row, 0), line, made.formats["title" if row == 0 else "wrapped"])
    sheet.protect("", _ALLOWED)


def _write_tab(made: _Book, tab: Tab, sheet: Worksheet) -> None:
    """Write one tab: its head, what is given, cells to fill in, and what they may hold."""
    fields = list(tab.fields)
    rows = given_rows(tab.title, made.review, made.found)
    last = _HEAD_ROW + len(rows) + _FREE.get(tab.title, 0)
    expected = made.shown and tab.title == "Readings"
    heads = [one.head for one in fields] + (["Expected from", "Expected to"] if expected else [])
    _write(sheet, (0, 0), _HEADINGS[tab.title], made.formats["title"])
    sheet.set_row(_HEAD_ROW, _HEAD_HEIGHT)
    for at, head in enumerate(heads):
        _write(sheet, (_HEAD_ROW, at), head, made.formats["head"])
    for at, one in enumerate(fields):
        sheet.set_column(at, at, _WIDTHS.get(one.column, _USUAL_WIDTH))
        for number in range(_HEAD_ROW + 1, last + 1):
            at_row = number - _HEAD_ROW - 1
            given = rows[at_row] if at_row < len(rows) else {}
            # In a free row everything is to be typed but what is worked out.
            free = not given and one.column not in {"says", "correct_air_pct", "known"}
            kind = one.kind_in(tab.table)
            look = made.formats[f"{kind} {'typed' if one.is_typed or free else 'given'}"]
            _write(sheet, (number, at), given.get(one.column), look)
        _limit(sheet, one, tab, made, (_HEAD_ROW + 1, at, max(last, _HEAD_ROW + 1), at))
    if tab.title == "Readings":
        _work_out(made, sheet, rows, last)
    _set_up(sheet, last, len(heads))


_HEADINGS = {
    "Readings": "Readings: as found at every point first, then as left if anything was adjusted",
    "Marks": "Initial pressure marks: where each stands, and whether it was moved",
    "Work": "Work on meters, and mishaps such as a drop",
    "Checks": "Checks between calibrations: zero, leak, one point, an artefact",
    "Open signals": "Open signals: what was found and done",
    "Decisions": "Visits found out: what was decided about results since",
    "New meters": "New meters: their first readings go into the free rows of Readings",
}


def _set_up(sheet: Worksheet, last: int, width: int) -> None:
    """Freeze the head, filter, print across with the head on every page, and protect."""
    sheet.freeze_panes(_HEAD_ROW + 1, 1)
    sheet.autofilter(_HEAD_ROW, 0, max(last, _HEAD_ROW + 1), width - 1)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(_HEAD_ROW)
    sheet.set_footer("&L&A&R&P / &N")
    sheet.protect("", _ALLOWED)


def _limit(
    sheet: Worksheet, one: Field, tab: Tab, made: _Book, place: tuple[int, int, int, int]
) -> None:
    """Say what the cells of one column may hold."""
    kind = one.kind_in(tab.table)
    near: dict[str, Any] = {"error_type": "warning", "ignore_blank": True}
    name = f"{tab.title} {one.column}" if one.column == "action" else one.column
    if name in made.lists:
        words = one.choices_in(tab.table) or one.column == "stage"
        strict = {"error_type": "stop"} if words else {}
        rule: dict[str, Any] = {"validate": "list", "source": made.lists[name]} | strict
    elif kind == "date":
        rule = {
            "validate": "date",
            "criteria": "between",
            "minimum": date(1990, 1, 1),
            "maximum": date(2100, 1, 1),
            "error_message": "A date is meant, such as the spreadsheet writes it.",
        }
    elif one.column == "reading_air_pct":
        rule = {
            "validate": "decimal",
            "criteria": "between",
            "minimum": LOWEST_AIR_PCT,
            "maximum": HIGHEST_AIR_PCT,
            "error_message": "A reading in % air is meant.",
        }
    elif one.column == "draws":
        rule = {"validate": "integer", "criteria": "between", "minimum": 1, "maximum": 9}
    else:
        return
    sheet.data_validation(*place, near | rule)


def _work_out(made: _Book, sheet: Worksheet, rows: list[Row], last: int) -> None:
    """Write what the correct air content of each row is, and what its reading says by it."""
    tab = TABS[0]
    at = {one.column: number for number, one in enumerate(tab.fields)}
    letter = {name: f"${xl_col_to_name(number)}" for name, number in at.items()}
    edge = _edge(made.found.tolerance)
    for number in range(_HEAD_ROW + 1, last + 1):
        given = rows[number - _HEAD_ROW - 1] if number - _HEAD_ROW - 1 < len(rows) else {}
        cell = {name: f"{column}{number + 1}" for name, column in letter.items()}
        correct = given.get("correct_air_pct")
        look = made.formats["number given"]
        if not given or all(map(_is_sought, (given["meter_id"], given["vessel_id"] or ""))):
            formula = _correct_formula(cell, given)
            value = "" if correct is None else correct
            sheet.write_formula(number, at["correct_air_pct"], formula, look, value)
        off = f"ROUND(ABS({cell['reading_air_pct']}-{cell['correct_air_pct']})*10^9,0)>{edge}"
        known = f"ISNUMBER({cell['reading_air_pct']}),ISNUMBER({cell['correct_air_pct']})"
        says = f'=IF(AND({known}),IF({off},"OUT","within"),"")'
        sheet.write_formula(number, at["says"], says, made.formats["text given"], "")
        if made.shown and given:
            for step, name in enumerate(("reading_low", "reading_high")):
                _write(sheet, (number, len(tab.fields) + step), given[name], look)
    first = _HEAD_ROW + 1
    says = f'={letter["says"]}{first + 1}="OUT"'
    for column in ("reading_air_pct", "says"):
        area = (first, at[column], last, at[column])
        sheet.conditional_format(
            *area, {"type": "formula", "criteria": says, "format": made.formats["red"]}
        )
    if not made.shown:
        sheet.set_column(at["correct_air_pct"], at["correct_air_pct"], None, None, {"hidden": True})


def _edge(tolerance: Mapping[str, float]) -> int:
    """Return the largest departure that passes, in billionths of 1 % air.

    Half a step more than the limit is rounded to even, as `drift.meter.tolerance` does.
    """
    limit, step = int(tolerance["limit"]), int(tolerance["step"])
    return limit * step + step // 2 - (1 if step > 1 and limit % 2 else 0)


def _is_sought(name: str) -> bool:
    """Say whether a name can stand in a formula and be sought by it."""
    return len(name) <= _LONGEST_SOUGHT and not _NOT_SOUGHT.search(name)


def _correct_formula(cell: dict[str, str], given: Row) -> str:
    """Return the formula of the correct air content of a row."""

    def sought(meter: str) -> str:
        key = f'{cell["vessel_id"]}&"|"&{meter}'
        found = f"INDEX({VALUES_TAB}!$C:$C,MATCH({key},{VALUES_TAB}!$D:$D,0))"
        return f"ROUND({found}*MAX(1,{cell['draws']}),2)"

    anyone = sought('""')
    found = f'IFERROR({sought(cell["meter_id"])},IFERROR({anyone},""))'
    if given.get("correct_air_pct") is not None:
        same = f'{cell["vessel_id"]}="{given["vessel_id"] or ""}"'
        if given.get("draws"):
            same = f"AND({same},{cell['draws']}={given['draws']})"
        found = f"IF({same},{given['correct_air_pct']!r},{found})"
    point = cell["point"]
    return f'=IF({point}="","",IF({point}=0,0,{found}))'


def _write_values(sheet: Worksheet, made: _Book) -> None:
    """Write what one draw of each vessel stands for, on any bowl and on measured ones."""
    for at, head in enumerate((*HEADS, "Sought by")):
        _write(sheet, (0, at), head, made.formats["head"])
    pairs = made.found.pairs.select("vessel_id", "meter_id", "air_pct")
    alone = made.found.vessels.select("vessel_id", pl.lit("").alias("meter_id"), "air_pct")
    for row, (vessel, meter, air) in enumerate(pl.concat([alone, pairs]).iter_rows(), start=1):
        for at, value in enumerate((vessel, meter, air, f"{vessel}|{meter}")):
            _write(sheet, (row, at), value, None)


def _write(
    sheet: Worksheet, cell: tuple[int, int], value: str | float | date | None, style: Format | None
) -> None:
    """Write one value in its own type, an empty cell where there is none."""
    if value is None or value == "":
        sheet.write_blank(*cell, None, style)
    elif isinstance(value, str):
        sheet.write_string(*cell, value[:LONGEST_TEXT], style)
    elif isinstance(value, date):
        sheet.write_datetime(*cell, value, style)
    else:
        sheet.write_number(*cell, value, style)
