"""This module writes rows as CSV in which each keeps the line that it has where it comes from."""

import csv
import io
from collections.abc import Iterable, Mapping
from datetime import date

from drift.intake.columns import TABLES


def lined_csv(
    table: str,
    rows: Iterable[tuple[int, Mapping[str, object]]],
    *,
    date_format: str | None = None,
) -> str:
    """Return rows of a table as the text of a CSV file.

    Parameters
    ----------
    table : str
        Name of an input table.
    rows : iterable of (int, mapping)
        The line at which a row is to stand, from 2, rising; and its cells by column.  A row whose
        line is taken stands on the next.
    date_format : str or None
        How the folder that the file goes into writes dates, as in `strftime`; None for ISO 8601.
    """
    out = io.StringIO(newline="")
    columns = [column.name for column in TABLES[table]]
    days = {column.name for column in TABLES[table] if column.kind == "date"}
    writer = csv.DictWriter(out, columns, lineterminator="\n")
    writer.writeheader()
    at = 2
    for line, row in rows:
        out.write("\n" * max(line - at, 0))
        cells = {name: _one_line(row.get(name)) for name in columns}
        if date_format:
            cells |= {name: _written_day(cells[name], date_format) for name in days}
        writer.writerow(cells)
        at = max(line, at) + 1
    return out.getvalue()


def _one_line(value: object) -> str:
    """Return a cell of one line."""
    return "" if value is None else " ".join(str(value).splitlines())


def _written_day(cell: str, date_format: str) -> str:
    """Return a day in a form; what is no day stays as it is, to be told."""
    try:
        return date.fromisoformat(cell).strftime(date_format)
    except ValueError:
        return cell
