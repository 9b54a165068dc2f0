"""This module writes a review as one workbook of typed columns.

Every text is written as text: no cell holds a formula or a link, and one that a spreadsheet would
take for a formula when it is edited carries the mark that keeps it text.  The same review gives
the same bytes, because the workbook says the review's date as its own.  Cells are written one by
one because polars' write_excel formats columns, not cells, and so cannot mark one text as text; it
also took a quarter longer.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path

import polars as pl
from xlsxwriter import Workbook
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

from drift.folders import cautions
from drift.format import count, whole
from drift.report.column_notes import TABLE_NOTES, column_notes
from drift.report.data_files import FORMULA_STARTS, LONGEST_TABLE
from drift.review.policy import choices_of
from drift.review.results import Review
from drift.version import __version__

NAME = "review.xlsx"
_Value = str | bool | float | date
# A sheet takes 1,048,576 rows and a cell 32,767 characters (ECMA-376; figures of the usual
# programs from memory).  A table of more rows than `LONGEST_TABLE` is left to its CSV file: half a
# table that looks whole misleads, nobody reads one that long on a sheet, and those of 800 meters
# would take half of the time of all their pages and two gigabytes to write.
LONGEST_TEXT = 32_767
_WIDEST, _NARROWEST = 60, 9
_FORMULA_START = re.compile(FORMULA_STARTS)


@dataclass(frozen=True, slots=True)
class _Styles:
    """The formats of a workbook."""

    head: Format
    date: Format
    top: Format
    wrapped: Format
    quoted: Format


def write_workbook(review: Review, tables: Mapping[str, pl.DataFrame], path: Path) -> None:
    """Write the tables of a review, each on a sheet of its own, behind one that says what it is.

    Parameters
    ----------
    review : Review
        What was found; for its date, source, policy and input files.
    tables : mapping of str to pl.DataFrame
        From `drift.report.data_files.write_review`.
    path : Path
        File to write.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    options = {
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "in_memory": True,
    }
    with path.open("wb") as file, Workbook(file, options) as book:
        book.set_properties(
            {
                "title": f"Fleet review of {review.source_name} on {review.as_of}",
                "created": datetime.combine(review.as_of, time()),
            }
        )
        styles = _Styles(
            head=book.add_format({"bold": True, "text_wrap": True, "valign": "top"}),
            date=book.add_format({"num_format": "yyyy-mm-dd", "valign": "top", "align": "left"}),
            top=book.add_format({"valign": "top"}),
            wrapped=book.add_format({"valign": "top", "text_wrap": True}),
            quoted=book.add_format({"valign": "top", "text_wrap": True, "quote_prefix": True}),
        )
        about = book.add_worksheet("about")
        columns = book.add_worksheet("columns")
        notes = {name: _write_table(book, styles, name, frame) for name, frame in tables.items()}
        _write_rows(columns, styles, _column_rows(tables), widths=(16, 24, 14, 80))
        columns.freeze_panes(1, 0)
        _write_rows(about, styles, _about_rows(review, tables, notes), widths=(26, 14, 80, 66))


def _write_table(book: Workbook, styles: _Styles, name: str, frame: pl.DataFrame) -> str:
    """Write one table; return what a reader must know of it, empty where it is whole."""
    if frame.height > LONGEST_TABLE:
        return (
            f"left out: {count(frame.height, 'row')} are more than the {whole(LONGEST_TABLE)} that "
            f"a sheet takes here; all of them are in data/{name}.csv"
        )
    sheet = book.add_worksheet(name)
    cut = 0
    for at, (values, longest) in enumerate(zip(frame, _longest(frame), strict=True)):
        width = max(_NARROWEST, len(values.name) + 3, longest + 1)
        sheet.set_column(at, at, min(width, _WIDEST))
        sheet.write_string(0, at, values.name, styles.head)
        style = styles.wrapped if width > _WIDEST else styles.top
        for row, value in enumerate(values.to_list(), start=1):
            if value is not None:
                _write_cell(sheet, (row, at), value, styles, style)
        if longest > LONGEST_TEXT:
            cut += int((values.str.len_chars() > LONGEST_TEXT).sum())
    sheet.freeze_panes(1, 1)
    sheet.autofilter(0, 0, frame.height, frame.width - 1)
    _set_up_paper(sheet)
    if not cut:
        return ""
    cut_to = f"{count(cut, 'text')} cut to {whole(LONGEST_TEXT)} characters"
    return f"{cut_to}; whole in data/{name}.csv"


def _write_rows(
    sheet: Worksheet, styles: _Styles, rows: list[tuple[_Value, ...]], *, widths: tuple[int, ...]
) -> None:
    """Write rows of a sheet that is read, not sorted; the first and rows of one text are heads."""
    for at, width in enumerate(widths):
        sheet.set_column(at, at, width)
    for place, row in enumerate(rows):
        style = styles.head if len(row) == 1 or place == 0 else styles.wrapped
        for at, value in enumerate(row):
            _write_cell(sheet, (place, at), value, styles, style)
    _set_up_paper(sheet)


def _write_cell(
    sheet: Worksheet, cell: tuple[int, int], value: _Value, styles: _Styles, style: Format
) -> None:
    """Write one value in its own type."""
    if isinstance(value, str):
        used = styles.quoted if _FORMULA_START.match(value) else style
        sheet.write_string(*cell, value[:LONGEST_TEXT], used)
    elif isinstance(value, bool):
        sheet.write_boolean(*cell, value, style)
    elif isinstance(value, date):
        sheet.write_datetime(*cell, value, styles.date)
    else:
        sheet.write_number(*cell, value, style)


def _set_up_paper(sheet: Worksheet) -> None:
    """Print across, as wide as the paper, with the heads and the page on every sheet of it."""
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    sheet.set_footer("&L&A&R&P / &N")


def _longest(frame: pl.DataFrame) -> tuple[int, ...]:
    """Return the length of the longest value of each column, in characters."""
    lengths = frame.select(pl.all().cast(pl.String).str.len_chars().max().fill_null(0))
    return lengths.row(0) if frame.width else ()


def _column_rows(tables: Mapping[str, pl.DataFrame]) -> list[tuple[_Value, ...]]:
    """Return unit and meaning of every column, under their heads."""
    rows: list[tuple[_Value, ...]] = [("sheet", "column", "unit", "meaning")]
    for name, frame in tables.items():
        rows += [(name, column, *column_notes(name, column)) for column in frame.columns]
    return rows


def _about_rows(
    review: Review, tables: Mapping[str, pl.DataFrame], notes: Mapping[str, str]
) -> list[tuple[_Value, ...]]:
    """Return what the workbook is, what it must not be taken for and what it was made from."""
    choices = choices_of(review.policy)
    return [
        ("Fleet review of pressure-type air meters",),
        ("source", "", review.source_name),
        ("as known on", review.as_of),
        ("program", "", f"drift {__version__}"),
        ("values", "", "An empty cell means not known. Units and meanings: sheet columns."),
        ("Cautions",),
        *(("", "", caution) for caution in cautions()),
        ("Sheets", "rows", "what it holds", "what it lacks"),
        *(
            (name, frame.height, TABLE_NOTES.get(name, ""), notes[name])
            for name, frame in tables.items()
        ),
        ("Policy in force",),
        *(
            (name, ", ".join(map(str, value)) if isinstance(value, tuple) else value)
            for name, value in choices.items()
        ),
        ("Input files", "rows", "what it is", "SHA-256"),
        *review.sources.files.select("file", "rows", "table_name", "sha256").iter_rows(),
    ]
