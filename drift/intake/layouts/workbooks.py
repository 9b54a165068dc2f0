"""This module reads workbooks into sheets of typed cells; it runs no macro, formula or link.

Values come from calamine, which is quick and typed.  What it does not tell is looked up by
openpyxl, and only in workbooks whose styles or formulas give a reason to: which cells are shown as
percentages, are struck through, or hold formulas without a stored value.
"""

import re
import warnings
import zipfile
from collections.abc import Iterable
from datetime import datetime, time
from pathlib import Path

from python_calamine import (
    CalamineError,
    CalamineWorkbook,
    PasswordError,
    SheetMetadata,
    SheetTypeEnum,
    SheetVisibleEnum,
)

from drift.errors import SourceError
from drift.intake.layouts.cells import CellPlace, Sheet, Value

WORKBOOK_SUFFIXES = (".xlsx", ".xlsm", ".xls", ".ods")
# A part of a workbook that unpacks to more is no record of readings.
_LARGEST_PART = 1 << 29
_MOST_CELLS = 5_000_000
_STRUCK = re.compile(rb"<(?:\w+:)?strike(?!\s+val=\"(?:0|false)\")")
_PERCENT = re.compile(rb"formatCode=\"[^\"]*%|numFmtId=\"(?:9|10)\"")
_BARE_FORMULA = re.compile(
    rb"<(?:\w+:)?f(?:\s[^>]*)?(?:/>|>[^<]*</(?:\w+:)?f>)\s*(?:<(?:\w+:)?v\s*/>|<(?:\w+:)?v></|</(?:\w+:)?c>)"
)
_EPOCH_1904 = re.compile(rb"date1904=\"(?:1|true)\"")
_TYPES = (
    (SheetTypeEnum.ChartSheet, "it is a chart, not cells"),
    (SheetTypeEnum.MacroSheet, "it holds macros, which are not run"),
    (SheetTypeEnum.DialogSheet, "it is a dialog, not cells"),
    (SheetTypeEnum.Vba, "it holds macros, which are not run"),
)
_Looks = dict[str, tuple[set[CellPlace], set[CellPlace], set[CellPlace]]]


def read_workbook(path: Path) -> list[Sheet]:
    """Return every sheet of a workbook, those without cells with the reason.

    Raises
    ------
    SourceError
        If it has a password, is damaged or is no workbook.
    """
    looks, epoch_1904 = _looks_of(path)
    try:
        book = CalamineWorkbook.from_path(str(path))
    except PasswordError as error:
        raise SourceError(
            what="has a password",
            where=str(path),
            expected="a workbook that opens without one",
            hint="save a copy without the password and import that",
        ) from error
    except (CalamineError, OSError, ValueError) as error:
        raise SourceError(
            what=f"cannot be read as a workbook ({str(error).splitlines()[0]})",
            where=str(path),
            expected="a workbook of the kind that its name says",
        ) from error
    return [_sheet(book, meta, path, looks, epoch_1904=epoch_1904) for meta in book.sheets_metadata]


def _sheet(
    book: CalamineWorkbook, meta: SheetMetadata, path: Path, looks: _Looks, *, epoch_1904: bool
) -> Sheet:
    """Return one sheet."""
    hidden = meta.visible != SheetVisibleEnum.Visible
    why = next((words for kind, words in _TYPES if meta.typ == kind), "")
    if why:
        return Sheet(file=path.name, name=meta.name, rows=[], hidden=hidden, refusal=why)
    try:
        sheet = book.get_sheet_by_name(meta.name)
        rows = _rows(sheet.iter_rows())
        merged = tuple((*first, *last) for first, last in sheet.merged_cell_ranges or ())
    except (CalamineError, ValueError) as error:
        why = f"it cannot be read ({str(error).splitlines()[0]})"
        return Sheet(file=path.name, name=meta.name, rows=[], hidden=hidden, refusal=why)
    percent, struck, unvalued = looks.get(meta.name, (set(), set(), set()))
    for row, column in unvalued:
        while len(rows) <= row:
            rows.append([])
        rows[row].extend([None] * (column + 1 - len(rows[row])))
    return Sheet(
        file=path.name,
        name=meta.name,
        rows=rows,
        merged=merged,
        percent=frozenset(percent),
        struck=frozenset(struck),
        unvalued=frozenset(place for place in unvalued if rows[place[0]][place[1]] is None),
        hidden=hidden,
        refusal="" if any(rows) or unvalued else "it holds no cells (empty, or a picture)",
        epoch_1904=epoch_1904,
    )


def _rows(found: Iterable[Iterable[object]]) -> list[list[Value]]:
    """Return rows without what is empty at their ends."""
    rows: list[list[Value]] = []
    filled = cells = 0
    for given in found:
        row = [tidy_cell(value) for value in given]
        while row and row[-1] is None:
            row.pop()
        rows.append(row)
        if row:
            filled = len(rows)
            cells += len(row)
        if cells > _MOST_CELLS:
            message = f"more than {_MOST_CELLS} cells"
            raise ValueError(message)
    return rows[:filled]


def tidy_cell(value: object) -> Value:
    """Return a value as a cell holds it: text trimmed, None where empty, days without midnight."""
    if isinstance(value, str):
        return value.strip() or None
    if isinstance(value, bool):
        return value
    if isinstance(value, int | float):
        return float(value)
    if isinstance(value, datetime):
        return value.date() if value.time() == time() else value
    return value if isinstance(value, time) or hasattr(value, "isoformat") else None  # type: ignore[return-value]


def _looks_of(path: Path) -> tuple[_Looks, bool]:
    """Return how cells look and whether days count from 1904, as far as a workbook needs it."""
    if path.suffix.lower() not in {".xlsx", ".xlsm"} or not zipfile.is_zipfile(path):
        return {}, False
    with zipfile.ZipFile(path) as parts:
        names = {part.filename: part.file_size for part in parts.infolist()}
        if any(size > _LARGEST_PART for size in names.values()):
            raise SourceError(
                what="unpacks to more than a record of readings can hold",
                where=str(path),
                expected=f"parts of at most {_LARGEST_PART >> 20} MiB",
            )
        styles = parts.read("xl/styles.xml") if "xl/styles.xml" in names else b""
        book = parts.read("xl/workbook.xml") if "xl/workbook.xml" in names else b""
        bare = any(
            _BARE_FORMULA.search(parts.read(name))
            for name in names
            if name.startswith("xl/worksheets/") and name.endswith(".xml")
        )
    epoch_1904 = bool(_EPOCH_1904.search(book))
    if bare or _STRUCK.search(styles) or _PERCENT.search(styles):
        return _looked_up(path), epoch_1904
    return {}, epoch_1904


def _looked_up(path: Path) -> _Looks:
    """Return, for each sheet, the cells shown as percentages, struck through, or without value."""
    import openpyxl  # noqa: PLC0415  # half a second to load, for few workbooks

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about parts such as drawings, which are not looked at
        book = openpyxl.load_workbook(path, keep_links=False)
    looks: _Looks = {}
    for sheet in book.worksheets:
        percent: set[CellPlace] = set()
        struck: set[CellPlace] = set()
        formulas: set[CellPlace] = set()
        for (row, column), cell in sheet._cells.items():  # noqa: SLF001  # rows would make empty ones
            place = (row - 1, column - 1)
            if cell.data_type == "f":
                formulas.add(place)
            if cell.has_style:
                if "%" in cell.number_format:
                    percent.add(place)
                if cell.font.strike:
                    struck.add(place)
        looks[sheet.title] = (percent, struck, formulas)
    return looks
