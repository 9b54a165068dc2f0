"""This module makes the CSV files of a folder ready to be read; it types and stores nothing."""

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl

from drift.columns import TABLES
from drift.errors import SourceError
from drift.intake.bytes_of import BLANKS, WESTERN, Fingerprint, fingerprint, plain_rows, text_of
from drift.intake.headers import Header, delimiter_of, nearest_column, recognise
from drift.intake.mapping import Mapping
from drift.intake.records import Record, records

CHUNK_ROWS = 100_000
# Smaller files are split here: many of them are then checked together.
BULK_BYTES = 1 << 22
# More NUL bytes than this are no damage but another encoding.
_MANY_NULS = 0.1
# Columns that say of which day a row of a meter is.
_DAYS = ("performed_on", "tested_on", "recorded_on", "in_service_on")
_DECIMAL_COMMA = re.compile(r'(?:^|;)"?\s*[-+−]?\d+,\d+\s*"?(?=;|\s*$)')


@dataclass(frozen=True, slots=True)
class SourceFile:
    """One CSV file of a source, looked at but not yet read.

    Attributes
    ----------
    path : Path
        Where it is.
    sha256 : str
        Of its bytes.
    size : int
        In bytes.
    encoding, delimiter : str
        How it is written.
    decimal_mark : {".", ","}
        A comma only in a file separated by semicolons that writes its decimals so.
    table : str
        The table it holds; empty where it holds none or cannot be used.
    names : tuple of (str or None)
        Column of that table for each of its fields; None for one that is ignored.
    header_line : int
        Line of the header; 0 where there is none.
    plain_rows : int or None
        Number of its rows where it can be read in bulk, else None.
    refusal : tuple of (str, str)
        Column and reason for which no row of it can be used; two empty texts where it can be.
    looks_like : str
        The table that its header comes closest to; empty where it is none.
    lacking : tuple of str
        Required columns of that table that it lacks.
    note : str
        What a reader of the list of files should know about it.
    """

    path: Path
    sha256: str
    size: int
    encoding: str
    delimiter: str = ","
    decimal_mark: str = "."
    table: str = ""
    names: tuple[str | None, ...] = ()
    header_line: int = 0
    plain_rows: int | None = None
    refusal: tuple[str, str] = ("", "")
    looks_like: str = ""
    lacking: tuple[str, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class Chunk:
    """Some rows of a file as text.

    Attributes
    ----------
    cells : pl.DataFrame
        Column ``line`` (Int64) and each column of the table (String), null where empty.
    problems : list of (int, str)
        Line and reason of records that could not be split into cells.
    named : dict of int to (str, str or None)
        By their lines the meter and the day, as written, that such records name.
    """

    cells: pl.DataFrame
    problems: list[tuple[int, str]]
    named: dict[int, tuple[str, str | None]]


def source_paths(folder: Path) -> list[Path]:
    """Return the CSV files of a folder in the order of their names.

    Raises
    ------
    SourceError
        If there is no such folder, it is not one, or it holds no CSV file.
    """
    if not folder.exists():
        raise SourceError(
            what="does not exist", where=str(folder), expected="a folder of CSV files"
        )
    if not folder.is_dir():
        raise SourceError(
            what="is a file",
            where=str(folder),
            expected="a folder of CSV files",
            hint=f"name the folder that holds it: {folder.parent}",
        )
    try:
        inside = list(folder.iterdir())
    except OSError as error:
        raise SourceError(
            what=f"cannot be read ({error.strerror})",
            where=str(folder),
            expected="a readable folder",
        ) from error
    paths = [path for path in inside if path.suffix.lower() == ".csv" and path.is_file()]
    if not paths:
        raise SourceError(
            what="holds no CSV file",
            where=str(folder),
            expected="at least one file whose name ends in .csv",
            hint="folders inside it are not looked into",
        )
    return sorted(paths, key=lambda path: path.name)


def look_at(path: Path, *, mapping: Mapping) -> SourceFile:
    """Return what a file is and which table it holds, without reading its rows.

    Raises
    ------
    SourceError
        If it cannot be opened.
    """
    try:
        mark = fingerprint(path)
        return _looked_at(path, mark=mark, mapping=mapping)
    except OSError as error:
        raise SourceError(
            what=f"cannot be read ({error.strerror})", where=str(path), expected="a readable file"
        ) from error


def chunks(file: SourceFile) -> Iterator[Chunk]:
    """Yield the rows of a file that holds a table, a chunk at a time."""
    columns = [column.name for column in TABLES[file.table]]
    chunk: list[Record] = []
    for record in _rows(file):
        chunk.append(record)
        if len(chunk) == CHUNK_ROWS:
            yield _chunk(chunk, names=file.names, columns=columns)
            chunk = []
    if chunk:
        yield _chunk(chunk, names=file.names, columns=columns)


def count_rows(file: SourceFile) -> int:
    """Return the number of rows of a file with a header."""
    return file.plain_rows if file.plain_rows is not None else sum(1 for _ in _rows(file))


def _looked_at(path: Path, *, mark: Fingerprint, mapping: Mapping) -> SourceFile:
    """Return what a file is, given its fingerprint."""
    plainly = SourceFile(path=path, sha256=mark.sha256, size=mark.size, encoding=mark.encoding)
    if mark.encoding != "utf-16" and mark.nul_share > _MANY_NULS:
        why = "is not text: it holds NUL bytes throughout; save it as CSV in UTF-8"
        return replace(plainly, refusal=("", why), note=why)
    delimiter, first = _header_record(path, encoding=mark.encoding, mapping=mapping)
    if first is None:
        return replace(plainly, note="is empty")
    header = recognise(list(first.cells), declared=mapping.columns)
    refusal = _refusal(header)
    comma = delimiter == ";" and _writes_decimal_commas(path, encoding=mark.encoding)
    regular = mark.encoding == "utf-8" and first.line == 1 and mark.size >= BULK_BYTES
    return replace(
        plainly,
        delimiter=delimiter,
        decimal_mark="," if comma else ".",
        table="" if refusal[1] else header.table,
        names=header.names,
        header_line=first.line,
        plain_rows=(
            plain_rows(path, delimiter=delimiter, fields=len(header.names)) if regular else None
        ),
        refusal=refusal,
        looks_like=header.table,
        lacking=header.lacking,
        note=_note(mark.encoding, header=header, refusal=refusal[1]),
    )


def _header_record(path: Path, *, encoding: str, mapping: Mapping) -> tuple[str, Record | None]:
    """Return the delimiter of a file and its first record that is not empty, if it has one."""
    with text_of(path, encoding=encoding) as lines:
        first = next((line for line in lines if line.strip(BLANKS + "\r\n")), "")
    delimiter = delimiter_of(first, declared=mapping.columns)
    with text_of(path, encoding=encoding) as lines:
        return delimiter, next(records(lines, delimiter=delimiter, fields=None), None)


def _rows(file: SourceFile) -> Iterator[Record]:
    """Yield the records below the header of a file."""
    with text_of(file.path, encoding=file.encoding) as lines:
        for record in records(lines, delimiter=file.delimiter, fields=len(file.names)):
            if record.line > file.header_line:
                yield record


def _chunk(rows: list[Record], *, names: tuple[str | None, ...], columns: list[str]) -> Chunk:
    """Return rows as columns of text, in the order of `columns`."""
    sound = [record for record in rows if not record.problem]
    by_field = list(zip(*(record.cells for record in sound), strict=True)) or [()] * len(names)
    cells = {
        name: pl.Series(name, field, dtype=pl.String)
        for name, field in zip(names, by_field, strict=True)
        if name is not None
    }
    nothing = pl.Series([None] * len(sound), dtype=pl.String)
    frame = pl.DataFrame(
        {"line": pl.Series([record.line for record in sound], dtype=pl.Int64)}
        | {column: cells.get(column, nothing).replace("", None) for column in columns}
    )
    return Chunk(
        cells=frame,
        problems=[(record.line, record.problem) for record in rows if record.problem],
        named=_named([record for record in rows if record.problem], names),
    )


def _named(rows: list[Record], names: tuple[str | None, ...]) -> dict[int, tuple[str, str | None]]:
    """Return the meter and the day that records of the wrong form name, where they can be read."""
    found = {}
    for record in rows:
        # Cells before the one too many stand under their own heads.
        cells = {
            name: cell.strip(BLANKS + '"')
            for name, cell in zip(names, record.cells, strict=False)
            if name
        }
        day = next((cells[name] for name in _DAYS if cells.get(name)), None)
        if cells.get("meter_id"):
            found[record.line] = (cells["meter_id"], day)
    return found


def _writes_decimal_commas(path: Path, *, encoding: str) -> bool:
    """Return whether a cell of a file separated by semicolons is a number with a comma."""
    with text_of(path, encoding=encoding) as lines:
        return any(_DECIMAL_COMMA.search(line) for line in lines)


def _refusal(header: Header) -> tuple[str, str]:
    """Return the column and the reason for which no row below a header can be used."""
    if header.repeated:
        return ", ".join(header.repeated), "is in the header more than once: no row can be used"
    if header.table and header.lacking:
        return (
            ", ".join(header.lacking),
            f"is not in the header, which looks like {header.table}: no row can be used",
        )
    return "", ""


def _note(encoding: str, *, header: Header, refusal: str) -> str:
    """Return what a reader of the list of files should know about a file."""
    notes = []
    if encoding in WESTERN:
        notes.append("not in UTF-8, so read as Western text (Windows-1252)")
    if refusal and header.repeated:
        notes.append(f"held back whole: {', '.join(header.repeated)} {refusal}")
    elif refusal:
        notes.append(f"held back whole: {', '.join(header.lacking)} {refusal}")
    elif not header.table:
        notes.append("passed over: its header fits no input table")
    if header.table and header.unknown:
        near = {cell: nearest_column(cell, table=header.table) for cell in header.unknown}
        named = [f"{cell!r} (meant {near[cell]}?)" if near[cell] else repr(cell) for cell in near]
        notes.append(f"columns ignored: {', '.join(named)}")
    return "; ".join(notes)
