"""This module adds rows to a folder's own CSV file of a table."""

import codecs
import csv
import io
import os
import uuid
from collections.abc import Mapping as Map
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from drift.errors import SourceError
from drift.intake.columns import TABLES
from drift.intake.files import SourceFile, inspect_file, source_paths
from drift.intake.mapping import Mapping, read_mapping


def append_rows(
    folder: Path, *, table: str, rows: Sequence[Map[str, str | date | None]]
) -> tuple[Path, int]:
    """Add rows to the last file of a folder that holds `table`, or to a new one; all or none.

    Parameters
    ----------
    folder : Path
        A source folder.
    table : str
        Name of an input table.
    rows : sequence of mappings of str to str, date or None
        Cells by column.  Columns that the file does not have are left out.

    Returns
    -------
    path : Path
        The file written to.
    before : int
        Its size before, in bytes; 0 for a new one.  `take_back` with it undoes the writing.

    Raises
    ------
    SourceError
        If the file cannot be written, or its encoding lacks a character.
    """
    paths = source_paths(folder)
    mapping = read_mapping(folder)
    files = [inspect_file(path, mapping=mapping) for path in paths]
    mine = [file for file in files if file.table == table]
    try:
        if not mine:
            return start_file(folder, table=table, rows=rows, mapping=mapping), 0
        file = mine[-1]
        added = _bytes_of(file, rows=rows, mapping=mapping)
        return file.path, _append(file.path, added)
    except OSError as error:
        raise SourceError(
            what=f"cannot be written ({error.strerror})",
            where=str(error.filename or folder),
            expected="a folder that may be written to",
        ) from error


def _append(path: Path, added: bytes) -> int:
    """Add bytes to the end of a file, all or none; return the size it had before."""
    if path.is_symlink():
        raise SourceError(
            what="is a link, and nothing is written through one",
            where=str(path),
            expected="a file in the folder itself",
        )
    before = path.stat().st_size
    try:
        with path.open("ab") as end:
            end.write(added)
    except OSError:
        # A disk that fills may have taken a part of the row.
        os.truncate(path, before)
        raise
    return before


def take_back(path: Path, *, before: int) -> None:
    """Undo `append_rows`: cut a file to the size it had, or remove it where it was new."""
    if before == 0:
        path.unlink()
        return
    with path.open("r+b") as file:
        file.truncate(before)


def start_file(
    folder: Path, *, table: str, rows: Sequence[Map[str, str | date | None]], mapping: Mapping
) -> Path:
    """Write a new file with a header and rows beside those of a folder; return where."""
    headers = {column: header for header, column in mapping.columns.items()}
    columns = [column.name for column in TABLES[table]]
    path, number = folder / f"{table}.csv", 1
    while path.exists() or path.is_symlink():
        number += 1
        path = folder / f"{table}-{number}.csv"
    lines = [
        _line([headers.get(name, name) for name in columns], delimiter=","),
        *(
            _line([_cell(row.get(name), mapping) for name in columns], delimiter=",")
            for row in rows
        ),
    ]
    # Under a name that no table has until it is whole, so that no stop leaves half a file.
    made = folder / f"{table}-{uuid.uuid4().hex}.unfinished"
    try:
        made.write_bytes("".join(lines).encode())
        made.rename(path)
    except BaseException:
        made.unlink(missing_ok=True)
        raise
    return path


def _bytes_of(
    file: SourceFile, *, rows: Sequence[Map[str, str | date | None]], mapping: Mapping
) -> bytes:
    """Return rows as a file writes its own: encoding, delimiter, columns and line ends."""
    content = file.path.read_bytes()
    encoding = _exact(file.encoding, content)
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError as error:
        raise SourceError(
            what=f"is damaged: its bytes are no text in its encoding ({file.encoding})",
            where=str(file.path),
            expected="a whole file to add a row to",
            hint="put the damaged row right first; drift intake names it",
        ) from error
    end = "\r\n" if "\r\n" in text else "\n"
    lines = [
        _line(
            [_cell(row.get(name) if name else None, mapping) for name in file.names],
            delimiter=file.delimiter,
            end=end,
        )
        for row in rows
    ]
    begin = end if text and not text.endswith(("\n", "\r")) else ""
    try:
        return (begin + "".join(lines)).encode(encoding)
    except UnicodeEncodeError as error:
        raise SourceError(
            what=f"cannot hold the character {error.object[error.start]!r}",
            where=str(file.path),
            expected=f"text that its encoding ({file.encoding}) has",
            hint="write the response without that character, or save the file as UTF-8",
        ) from error


def _exact(encoding: str, content: bytes) -> str:
    """Return an encoding that writes no byte order mark in the middle of a file."""
    if encoding == "utf-16":
        return "utf-16-be" if content.startswith(codecs.BOM_UTF16_BE) else "utf-16-le"
    return "utf-8" if encoding == "utf-8-sig" else encoding


def _cell(value: str | date | None, mapping: Mapping) -> str:
    """Return a value as the folder writes it."""
    if isinstance(value, date):
        return value.strftime(mapping.date_format) if mapping.date_format else value.isoformat()
    return value or ""


def _line(cells: list[str], *, delimiter: str, end: str = "\n") -> str:
    """Return one record of a CSV file."""
    text = io.StringIO()
    csv.writer(text, delimiter=delimiter, lineterminator=end).writerow(cells)
    return text.getvalue()
