"""This module makes the CSV files of a folder ready to be read."""

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path

from drift.errors import SourceError
from drift.ids import nearest_file
from drift.intake.columns import TABLES
from drift.intake.encoding import (
    BLANKS,
    WESTERN,
    FileLines,
    Fingerprint,
    fingerprint,
    text_of,
    write_lines,
)
from drift.intake.headers import Header, delimiter_of, nearest_column, recognise
from drift.intake.kept_files import is_kept
from drift.intake.mapping import Mapping
from drift.intake.records import FileRecord, first_record
from drift.places import check_place

# How the note on a file begins that was not read as UTF-8, or not all of it.
NOT_UTF_8 = "not in UTF-8"
_EXPECTED = "a folder of CSV files"
# More NUL bytes than this are no damage but another encoding.
_MANY_NULS = 0.1
# A header is looked for in so many records where the first is none.
_HEADER_WITHIN = 20
_DECIMAL_COMMA = re.compile(r'(?:^|;)"?\s*[-+−]?\d+,\d+\s*"?(?=;|\s*$)')


@dataclass(frozen=True, slots=True)
class SourceFile:
    """One CSV file of a source, looked at but not yet read.

    Attributes
    ----------
    path : Path
        Where it is.
    mark : Fingerprint
        What its bytes say of it as a whole.
    delimiter : str
        Between its cells.
    decimal_mark : {".", ","}
        A comma only in a file separated by semicolons that writes its decimals so.
    table : str
        The table it holds; empty where it holds none or cannot be used.
    names : tuple of (str or None)
        Column of that table for each of its fields; None for one that is ignored.
    header_line, header_end : int
        First and last line of the header; 0 where there is none.
    refusal : tuple of (str, str)
        Column and reason for which no row of it can be used; two empty texts where it can be.
    looks_like : str
        The table that its header comes closest to; empty where it is none.
    lacking : tuple of str
        Required columns of that table that it lacks.
    note : str
        What a reader of the list of files should know about it.
    stamp : tuple of int
        What the disk says of it, which changes where it is written to.
    """

    path: Path
    mark: Fingerprint
    delimiter: str = ","
    decimal_mark: str = "."
    table: str = ""
    names: tuple[str | None, ...] = ()
    header_line: int = 0
    header_end: int = 0
    refusal: tuple[str, str] = ("", "")
    looks_like: str = ""
    lacking: tuple[str, ...] = ()
    note: str = ""
    stamp: tuple[int, ...] = ()

    @property
    def sha256(self) -> str:
        """Of its bytes."""
        return self.mark.sha256

    @property
    def size(self) -> int:
        """In bytes."""
        return self.mark.size

    @property
    def encoding(self) -> str:
        """How its text is written."""
        return self.mark.encoding

    @property
    def absent(self) -> frozenset[str]:
        """The columns of its table that its header does not have."""
        return frozenset(column.name for column in TABLES[self.table]) - set(self.names)


def source_paths(folder: Path) -> list[Path]:
    """Return the CSV files of a folder in the order of their names.

    Raises
    ------
    SourceError
        If there is no such folder, it is not one, it holds no CSV file, or one that is a link, a
        device or a pipe, or whose name cannot be written down.
    """
    check_place(folder, raised=SourceError, expected=_EXPECTED)
    if not folder.exists():
        hint = nearest_file(folder)
        raise SourceError(what="does not exist", where=str(folder), expected=_EXPECTED, hint=hint)
    if not folder.is_dir():
        raise SourceError(
            what="is a file",
            where=str(folder),
            expected=_EXPECTED,
            hint=f"name the folder that holds it: {folder.parent}",
        )
    try:
        inside = [path for path in folder.iterdir() if path.suffix.lower() == ".csv"]
    except OSError as error:
        raise SourceError(
            what=f"cannot be read ({error.strerror})",
            where=str(folder),
            expected="a readable folder",
        ) from error
    for path in inside:
        check_place(path, raised=SourceError, expected="a CSV file")
    paths = [path for path in inside if path.is_file() and not is_kept(path)]
    if not paths:
        raise SourceError(
            what="holds no CSV file",
            where=str(folder),
            expected="at least one file whose name ends in .csv",
            hint="folders inside it are not looked into",
        )
    return sorted(paths, key=lambda path: path.name)


def inspect_file(path: Path, *, mapping: Mapping) -> SourceFile:
    """Return what a file is and which table it holds, without reading its rows.

    Raises
    ------
    SourceError
        If it cannot be opened.
    """
    try:
        stamp = _stamp(path)
        mark = fingerprint(path)
        return replace(_looked_at(path, mark=mark, mapping=mapping), stamp=stamp)
    except OSError as error:
        raise SourceError(
            what=f"cannot be read ({error.strerror})", where=str(path), expected="a readable file"
        ) from error


def is_as_it_was(file: SourceFile) -> bool:
    """Return whether nobody wrote to a file since it was looked at."""
    try:
        return _stamp(file.path) == file.stamp
    except OSError:
        return False


def lines_of(file: SourceFile, *, scratch: Callable[[], Path]) -> FileLines:
    """Return the lines of a file as the library can read them: its own, or of a decoded copy.

    Parameters
    ----------
    file : SourceFile
        A file that has a header.
    scratch : callable
        Called for the path of a new file, where a copy is needed.

    Raises
    ------
    SourceError
        If there is no room for the copy.
    """
    mark = file.mark
    if mark.is_read_as_it_is:
        return FileLines(path=file.path, count=mark.lines, longest=mark.longest)
    try:
        return write_lines(file.path, encoding=mark.encoding, to=scratch())
    except OSError as error:
        raise SourceError(
            what=f"cannot be decoded ({error.strerror})",
            where=str(file.path),
            expected="a readable file, and room for a copy of it where temporary files go",
        ) from error


def _stamp(path: Path) -> tuple[int, ...]:
    """Return what the disk says of a file."""
    seen = path.stat()
    return seen.st_dev, seen.st_ino, seen.st_size, seen.st_mtime_ns


def _looked_at(path: Path, *, mark: Fingerprint, mapping: Mapping) -> SourceFile:
    """Return what a file is, given its fingerprint."""
    plainly = SourceFile(path=path, mark=mark)
    if mark.encoding != "utf-16" and mark.nul_share > _MANY_NULS:
        why = "is not text: it holds NUL bytes throughout; save it as CSV in UTF-8"
        return replace(plainly, refusal=("", why), note=why)
    delimiter, first = _header_record(path, encoding=mark.encoding, mapping=mapping)
    if first is None:
        return replace(plainly, note="is empty")
    if first.problem and first.cells:
        why = f"its header {first.problem}"
        return replace(
            plainly, header_line=first.line, header_end=first.end, refusal=("", why), note=why
        )
    header = recognise(list(first.cells), declared=mapping.columns)
    if not header.table and not header.stranger:
        below = _header_below(path, encoding=mark.encoding, mapping=mapping)
        if below is not None:
            return replace(plainly, looks_like=below.table, note=below.note)
    refusal = _refusal(header)
    comma = delimiter == ";" and _writes_decimal_commas(path, encoding=mark.encoding)
    return replace(
        plainly,
        delimiter=delimiter,
        decimal_mark="," if comma else ".",
        table="" if refusal[1] else header.table,
        names=header.names,
        header_line=first.line,
        header_end=first.end,
        refusal=refusal,
        looks_like=header.table,
        lacking=header.lacking,
        note=_note(mark, header=header, refusal=refusal[1]),
    )


@dataclass(frozen=True, slots=True)
class _Below:
    """A header that stands below the first record of a file: its table, and what to say of it."""

    table: str
    note: str


def _header_below(path: Path, *, encoding: str, mapping: Mapping) -> _Below | None:
    """Return the header that a file has below its first record, if it has one."""
    with text_of(path, encoding=encoding) as text:
        lines = [(number, line) for number, line in enumerate(islice(text, _HEADER_WITHIN), 1)]
    filled = [(number, line) for number, line in lines if line.strip(BLANKS + "\r\n")]
    for number, line in filled[1:]:
        mark = delimiter_of(line, declared=mapping.columns)
        cells = [cell.strip().strip('"') for cell in line.rstrip("\r\n").split(mark)]
        header = recognise(cells, declared=mapping.columns)
        if header.table and not header.lacking:
            note = (
                f"passed over: line {filled[0][0]} was taken for its header, but the columns of "
                f"{header.table} stand in line {number}; remove the lines above that"
            )
            return _Below(table=header.table, note=note)
    return None


def _header_record(path: Path, *, encoding: str, mapping: Mapping) -> tuple[str, FileRecord | None]:
    """Return the delimiter of a file and its first record that is not empty, if it has one."""
    with text_of(path, encoding=encoding) as lines:
        first = next((line for line in lines if line.strip(BLANKS + "\r\n")), "")
    delimiter = delimiter_of(first, declared=mapping.columns)
    with text_of(path, encoding=encoding) as lines:
        return delimiter, first_record(lines, delimiter=delimiter)


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


def _note(mark: Fingerprint, *, header: Header, refusal: str) -> str:
    """Return what a reader of the list of files should know about a file."""
    notes = []
    if told := _encoding_note(mark):
        notes.append(told)
    if refusal and header.repeated:
        notes.append(f"held back whole: {', '.join(header.repeated)} {refusal}")
    elif refusal:
        notes.append(f"held back whole: {', '.join(header.lacking)} {refusal}")
    elif header.stranger:
        notes.append(f"passed over: {header.stranger}")
    elif not header.table:
        notes.append("passed over: its header fits no input table")
    if header.table and header.unknown:
        near = {cell: nearest_column(cell, table=header.table) for cell in header.unknown}
        named = [f"{cell!r} (meant {near[cell]}?)" if near[cell] else repr(cell) for cell in near]
        notes.append(f"columns ignored: {', '.join(named)}")
    return "; ".join(notes)


def _encoding_note(mark: Fingerprint) -> str:
    """Return how a file was read that is not UTF-8 throughout; empty for one that is."""
    if mark.strays:
        name = "UTF-16" if mark.encoding == "utf-16" else "UTF-8"
        times = "once" if mark.strays == 1 else f"{mark.strays} times"
        return f"{NOT_UTF_8} throughout: read as {name}, in which its bytes are no text {times}"
    if mark.encoding == "utf-16":
        return f"{NOT_UTF_8}: read as UTF-16"
    if mark.encoding == WESTERN[0]:
        return f"{NOT_UTF_8}, so read as Western text (Windows-1252)"
    if mark.encoding == WESTERN[1]:
        return f"{NOT_UTF_8}, so read as Western text (ISO 8859-1, as Windows-1252 lacks a byte)"
    return ""
