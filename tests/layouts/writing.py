"""Small writers of the files that layouts are made of."""

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import xlsxwriter

Line = Sequence[Any]


def text_file(
    path: Path, lines: Sequence[Line], *, mark: str = ",", encoding: str = "utf-8"
) -> Path:
    """Write lines of cells as a text file."""
    text = "\n".join(mark.join(map(str, line)) for line in lines) + "\n"
    path.write_bytes(text.encode(encoding))
    return path


def book(
    path: Path, sheets: Mapping[str, Sequence[Line]], *, merge: Sequence[tuple[str, str, str]] = ()
) -> Path:
    """Write a workbook; dates as dates, merged cells as named."""
    made = xlsxwriter.Workbook(str(path))
    day = made.add_format({"num_format": "yyyy-mm-dd"})
    for name, lines in sheets.items():
        sheet = made.add_worksheet(name)
        for row, line in enumerate(lines):
            for column, value in enumerate(line):
                if isinstance(value, date):
                    sheet.write_datetime(row, column, value, day)
                elif value is not None and value != "":
                    sheet.write(row, column, value)
        for where, area, text in merge:
            if where == name:
                sheet.merge_range(area, text)
    made.close()
    return path
