"""This module reads a round's workbook back as tables, saved by whatever program.

Each tab is known by its header and not by its place.  Cells may be typed or texts in the form of a
country; a row without its reading was not done and is left out rather than held back.  Rows go into
CSV files in which each keeps the number of its row, so that what is said of
``round-….xlsx.readings.csv:41`` is found in row 41 of the tab; from there on they are read, checked
and kept like any other.
"""

import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from drift.errors import SourceError
from drift.intake.layouts.cells import Sheet
from drift.intake.layouts.numbers import plain_number
from drift.intake.layouts.workbooks import read_workbook
from drift.intake.lined_csv import lined_csv
from drift.intake.round_cells import BookDays, round_cell
from drift.intake.round_done import half_done
from drift.intake.round_tabs import (
    POINT,
    ROUND_MARK,
    TABS,
    VALUES_HEADS,
    Field,
    Tab,
)
from drift.intake.written_decisions import decision_id_of

_SUFFIXES = (".xlsx", ".xlsm", ".ods", ".xls")
# Parts of a workbook in which texts stand.
_TEXTS = re.compile(r"xl/sharedStrings\.xml|xl/worksheets/[^/]*\.xml|content\.xml")
_LARGEST = 64 * 2**20
# A header is looked for in so many rows of a sheet.
_HEADER_WITHIN = 30
_WORD = re.compile(r"[^\w]+")
# Cells that are one for all rows which they are merged over.
_MERGED = {"meter_id", "stage", POINT, "vessel_id", "performed_on", "operator", "water_temp_c"}

Cells = dict[str, str]
# Cells of a tab by the number of their row.
TabRows = dict[int, Cells]


@dataclass(frozen=True, slots=True)
class RoundBook:
    """What a round's workbook says.

    Attributes
    ----------
    tables : dict of str to str
        Texts of CSV files by name.
    notes : tuple of str
        What is half done, and what could not be told apart, in sentences.
    """

    tables: dict[str, str]
    notes: tuple[str, ...]


def is_round_book(path: Path) -> bool:
    """Say whether a file is a round's workbook, whoever saved it."""
    if path.suffix.lower() not in _SUFFIXES or not path.is_file():
        return False
    mark = ROUND_MARK.encode()
    try:
        if path.stat().st_size > _LARGEST:
            return False
        if not zipfile.is_zipfile(path):
            return mark in path.read_bytes()
        with zipfile.ZipFile(path) as parts:
            texts = [
                part
                for part in parts.infolist()
                if _TEXTS.fullmatch(part.filename) and part.file_size <= _LARGEST
            ]
            return any(mark in parts.read(part) for part in texts)
    except (OSError, zipfile.BadZipFile, ValueError):
        return False


def round_books(folder: Path) -> list[Path]:
    """Return the round's workbooks of a folder, by name; none that a program holds open."""
    return [
        path
        for path in sorted(folder.iterdir())
        if not path.name.startswith(("~$", ".~lock")) and is_round_book(path)
    ]


def read_round_book(path: Path, *, today: date, date_format: str | None = None) -> RoundBook:
    """Read a round's workbook.

    Parameters
    ----------
    path : Path
        The workbook.
    today : date
        No visit is of a later day: tells days from months in dates that are texts.
    date_format : str or None
        How the folder that the rows go into writes dates; None for ISO 8601.

    Raises
    ------
    SourceError
        If it cannot be read.
    """
    sheets = read_workbook(path)
    refused = [sheet for sheet in sheets if sheet.refusal and sheet.name in {t.title for t in TABS}]
    found = [(tab, sheet, head) for sheet in sheets for tab, head in _tabs_in(sheet)]
    if not any(tab.table == "readings" for tab, _, _ in found):
        why = f": {refused[0].refusal}" if refused else ""
        raise SourceError(
            what=f"has no tab of readings any more{why}",
            where=str(path),
            expected="the tabs and headers that drift sheet wrote",
        )
    days = BookDays([sheet for _, sheet, _ in found], today=today)
    notes: list[str] = []
    rows: dict[str, TabRows] = {}
    for tab, sheet, head in found:
        rows[tab.title] = _rows_of(tab, sheet, head, days, notes)
    _fill_correct(rows["Readings"], _values_in(sheets))
    _date_others(rows)
    tables = {}
    for tab in TABS:
        done = [
            (number, _finished(tab, cells))
            for number, cells in rows.get(tab.title, {}).items()
            if any(cells.get(name) for name in tab.done_by)
        ]
        if done:
            text = lined_csv(tab.table, done, date_format=date_format)
            tables[f"{path.name}.{tab.table}.csv"] = text
    return RoundBook(tables, (*half_done(rows), *notes, *days.notes()))


def _folded(text: str) -> str:
    """Return a header without what programs and hands change in it."""
    return _WORD.sub(" ", text.casefold()).strip()


def _tabs_in(sheet: Sheet) -> Iterator[tuple[Tab, tuple[int, dict[Field, int]]]]:
    """Return the tab that a sheet holds, with the row of its header and the columns of fields."""
    for number, row in enumerate(sheet.rows[:_HEADER_WITHIN]):
        heads = {
            _folded(cell): at for at, cell in reversed([*enumerate(row)]) if isinstance(cell, str)
        }
        for tab in TABS:
            at = {one: heads[_folded(one.head)] for one in tab.fields if _folded(one.head) in heads}
            # What a tab is known by may not be deleted; of the rest some may.
            by = {one for one in tab.fields if one.column in tab.done_by}
            if by & at.keys() and len(at) > len(tab.fields) / 2:
                yield tab, (number, at)
                return


def _rows_of(
    tab: Tab, sheet: Sheet, head: tuple[int, dict[Field, int]], days: BookDays, notes: list[str]
) -> TabRows:
    """Return the rows of a tab as texts, by their numbers in the sheet."""
    first, places = head
    merged = _merged(sheet, {at for one, at in places.items() if one.column in _MERGED})
    made: TabRows = {}
    above: dict[tuple[str, str], str] = {}
    for number in range(first + 1, len(sheet.rows)):
        cells: Cells = {}
        for one, at in places.items():
            place = merged.get((number, at), (number, at))
            if place in sheet.struck:
                notes.append(
                    f"{tab.title} row {number + 1}: {one.head} is struck out and left out."
                )
            elif place in sheet.unvalued and one.is_typed:
                notes.append(
                    f"{tab.title} row {number + 1}: {one.head} is a formula without a value; open "
                    "the workbook, let it work that out and save it."
                )
            else:
                cells[one.column] = round_cell(
                    sheet,
                    place,
                    kind=one.kind_in(tab.table),
                    words=one.choices_in(tab.table),
                    days=days,
                )
        for name in tab.carried:
            key = (cells.get("meter_id", ""), name)
            if key[0]:
                cells[name] = above[key] = cells.get(name) or above.get(key, "")
        if any(cells.values()):
            made[number + 1] = cells
    known = {*places.values()}
    for at, cell in enumerate(sheet.rows[first]):
        if (
            cell
            and at not in known
            and any(sheet.at(n, at) for n in range(first + 1, len(sheet.rows)))
        ):
            notes.append(f"{tab.title}: the column {cell} is none of this tab and is left out.")
    return made


def _merged(sheet: Sheet, columns: set[int]) -> dict[tuple[int, int], tuple[int, int]]:
    """Return, of cells that are merged in some columns, the one that holds their value."""
    return {
        (row, column): (first, start)
        for first, start, last, end in sheet.merged
        for row in range(first, last + 1)
        for column in range(start, end + 1)
        if column in columns and start in columns
    }


def _values_in(sheets: list[Sheet]) -> dict[tuple[str, str], float]:
    """Return what one draw of a vessel stands for, by vessel and meter; any meter is empty."""
    heads = [_folded(head) for head in VALUES_HEADS]
    found: dict[tuple[str, str], float] = {}
    for sheet in sheets:
        at = -1
        for number, row in enumerate(sheet.rows):
            if [_folded(str(cell or "")) for cell in row[:3]] == heads:
                at = number
            elif at >= 0 and len(row) > 2 and isinstance(row[2], float):
                found[str(row[0] or ""), str(row[1] or "")] = row[2]
    return found


def _fill_correct(rows: TabRows, values: dict[tuple[str, str], float]) -> None:
    """Fill in correct air contents that the workbook was to work out and has not."""
    for cells in rows.values():
        if cells.get("correct_air_pct") or not cells.get("reading_air_pct"):
            continue
        if cells.get(POINT) == "0":
            cells["correct_air_pct"] = "0"
            continue
        vessel = cells.get("vessel_id", "")
        air = values.get((vessel, cells.get("meter_id", "")), values.get((vessel, "")))
        draws = cells.get("draws") or "1"
        if air is not None and draws.isdigit():
            cells["correct_air_pct"] = plain_number(round(air * int(draws), 2))


def _date_others(rows: dict[str, TabRows]) -> None:
    """Date marks, work and checks that bear no date by the one day on which the meter was read."""
    read: dict[str, set[str]] = {}
    for cells in rows["Readings"].values():
        if cells.get("reading_air_pct"):
            read.setdefault(cells.get("meter_id", ""), set()).add(cells.get("performed_on", ""))
    for title in ("Marks", "Work", "Checks"):
        for cells in rows.get(title, {}).values():
            on = read.get(cells.get("meter_id", ""), set())
            if not cells.get("performed_on") and len(on) == 1:
                cells["performed_on"] = next(iter(on))


def _finished(tab: Tab, cells: Cells) -> Cells:
    """Return a row as its table wants it."""
    if tab.table == "decisions" and cells.get("decision"):
        told = {name: cells.get(name, "") for name in ("about", "decided_on", "decision")}
        return cells | {"decision_id": decision_id_of(cells.get("meter_id", ""), **told)}
    if tab.table == "readings" and cells.get(POINT) == "0":
        return cells | {"draws": "", "vessel_id": ""}
    return cells
