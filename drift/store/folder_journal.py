"""This module keeps the journal of a folder of CSV files: two files that are only added to.

``journal.csv`` holds the entries, ``amendments.csv`` what they changed in rows.  The tables
themselves stay as they are; what was amended or withdrawn is applied when the folder is read.
"""

import csv
import hashlib
import io
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import TextIO

from drift.errors import SourceError
from drift.frames import Row
from drift.intake.kept_files import AMENDED, AMENDMENTS_FILE, JOURNAL_FILE, JOURNALLED, is_kept
from drift.store.journal import Draft, broken_at, chained, not_undoable

_HINT = "take a copy from before it was changed; drift journal FOLDER --verify says what is wrong"
_EXPECTED = "a file as this program wrote it"


@dataclass(frozen=True, slots=True)
class KeptLine:
    """One line of ``amendments.csv``: `line` is its number, the others its cells."""

    line: int
    entry_no: int
    action: str
    undoes: int | None
    table: str
    row: str
    column: str
    before: str
    after: str
    row_after: str


@dataclass(frozen=True, slots=True)
class Kept:
    """What a folder keeps beside its tables.

    Attributes
    ----------
    entries : tuple of dict
        Rows of `drift.store.journal.JOURNAL`, the oldest first.
    lines : tuple of KeptLine
        What they changed; those of an entry that was never finished are left out.
    unfinished : int
        Lines at the end of the file that belong to no entry.
    undone : frozenset of int
        Entries that are undone.
    broken : str
        Where the journal breaks, as a sentence; empty where it is whole.
    """

    entries: tuple[Row, ...] = ()
    lines: tuple[KeptLine, ...] = ()
    unfinished: int = 0
    undone: frozenset[int] = field(default_factory=frozenset)
    broken: str = ""

    @property
    def last_entry(self) -> int:
        """Number of the last entry, 0 where there is none."""
        return max((row["entry_no"] for row in self.entries), default=0)


def read_kept(folder: Path) -> Kept:
    """Read what a folder keeps; nothing where it keeps nothing.

    Raises
    ------
    SourceError
        If a line of it cannot be read.
    """
    entries = tuple(_entry(row, number) for number, row in _rows(folder / JOURNAL_FILE))
    last = Kept(entries=entries).last_entry
    every = [_kept_line(row, number) for number, row in _rows(folder / AMENDMENTS_FILE)]
    lines = tuple(line for line in every if line.entry_no <= last)
    return Kept(
        entries=entries,
        lines=lines,
        unfinished=len(every) - len(lines),
        undone=_undone(entries),
        broken=_broken_at(entries, lines),
    )


def _rows(path: Path) -> list[tuple[int, dict[str, str]]]:
    """Return the rows of a kept file with the numbers of their lines."""
    if not is_kept(path):
        return []
    try:
        with path.open(encoding="utf-8", newline="") as file:
            reader = csv.DictReader(file, strict=True)
            rows = [(reader.line_num, row) for row in reader]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise SourceError(
            what=f"cannot be read ({error})", where=str(path), expected=_EXPECTED, hint=_HINT
        ) from error
    for number, row in rows:
        if None in row or None in row.values():
            raise _spoiled(path.name, number)
    return rows


def _entry(row: dict[str, str], number: int) -> Row:
    """Return an entry of the journal."""
    return {
        **row,
        "entry_no": _whole(row["entry_no"], JOURNAL_FILE, number),
        "undoes": _whole(row["undoes"], JOURNAL_FILE, number) if row["undoes"] else None,
    }


def _kept_line(row: dict[str, str], number: int) -> KeptLine:
    """Return a line of the amendments."""
    texts = {name: row[name] for name in AMENDED if name not in {"entry_no", "undoes"}}
    texts["table"] = texts.pop("table_name")
    return KeptLine(
        line=number,
        entry_no=_whole(row["entry_no"], AMENDMENTS_FILE, number),
        undoes=_whole(row["undoes"], AMENDMENTS_FILE, number) if row["undoes"] else None,
        **texts,
    )


def _whole(text: str, name: str, line: int) -> int:
    """Return the number that a cell says."""
    if not text.isascii() or not text.isdigit():
        raise _spoiled(name, line)
    return int(text)


def _spoiled(name: str, line: int) -> SourceError:
    """Return what to say of a line that this program did not write."""
    return SourceError(
        what="was changed by hand and cannot be read",
        where=f"{name}:{line}",
        expected=_EXPECTED,
        hint=_HINT,
    )


def _undone(entries: Sequence[Row]) -> frozenset[int]:
    """Return the entries that are undone: an undoing that is itself undone undoes nothing."""
    undone: set[int] = set()
    for row in reversed(entries):
        if row["undoes"] is not None and row["entry_no"] not in undone:
            undone.add(row["undoes"])
    return frozenset(undone)


def without_entry(kept: Kept, entry_no: int) -> Kept:
    """Return what a folder keeps once an entry is undone.

    Raises
    ------
    DriftError
        If it changed no row, is undone already, or a later entry rests on it.
    """
    mine = _rows_touched(kept, entry_no)
    if entry_no in kept.undone:
        by = max(row["entry_no"] for row in kept.entries if row["undoes"] == entry_no)
        raise not_undoable(entry_no, f"was undone already, by entry {by}")
    if not any(line.entry_no == entry_no for line in kept.lines):
        raise not_undoable(
            entry_no, "added a row to a file; withdraw that row instead (drift withdraw)"
        )
    for row in kept.entries:
        later = row["entry_no"]
        counts = later > entry_no and later not in kept.undone and row["undoes"] is None
        if counts and mine & _rows_touched(kept, later):
            raise not_undoable(entry_no, f"is what entry {later} rests on; restore that one first")
    fake: Row = {"entry_no": kept.last_entry + 1, "undoes": entry_no}
    return replace(kept, undone=_undone([*kept.entries, fake]))


def _rows_touched(kept: Kept, entry_no: int) -> set[tuple[str, str]]:
    """Return the rows that an entry changed, or put back, by their names before and after."""
    undoes: int | None = entry_no
    touched: set[tuple[str, str]] = set()
    by_number = {row["entry_no"]: row for row in kept.entries}
    while undoes is not None:
        lines = [line for line in kept.lines if line.entry_no == undoes and line.table]
        touched |= {(line.table, name) for line in lines for name in (line.row, line.row_after)}
        undoes = by_number[undoes]["undoes"]
    return {(table, name) for table, name in touched if name}


def _broken_at(entries: Sequence[Row], lines: Sequence[KeptLine]) -> str:
    """Return where the journal of a folder breaks, as a sentence; empty where it is whole."""
    if said := broken_at(entries):
        return said
    texts: dict[int, str] = {}
    for line in lines:
        texts[line.entry_no] = texts.get(line.entry_no, "") + _line(_cells(line))
    for row in entries:
        if row["file"] == AMENDMENTS_FILE:
            text = texts.get(row["entry_no"], "")
            if hashlib.sha256(text.encode()).hexdigest() != row["file_sha256"]:
                return f"entry {row['entry_no']}: its lines in {AMENDMENTS_FILE} were changed"
    return ""


def _cells(line: KeptLine) -> list[str]:
    """Return the cells of a line of the amendments as they are written."""
    named = asdict(line) | {"table_name": line.table}
    return ["" if named[name] is None else str(named[name]) for name in AMENDED]


def append_kept(folder: Path, *drafts: tuple[Draft, Sequence[dict[str, str]]], seen: int) -> Row:
    """Add entries to the journal of a folder, and what they changed to its amendments.

    Parameters
    ----------
    folder : Path
        A folder of tables.
    drafts : tuple of Draft and sequence of dict
        Entries, each with cells of ``amendments.csv`` but ``entry_no``.
    seen : int
        Entries that there were when what is written was shown.

    Returns
    -------
    dict
        The last entry, a row of `drift.store.journal.JOURNAL`.

    Raises
    ------
    SourceError
        If somebody else wrote to the journal meanwhile, or it cannot be written.
    """
    try:
        with _locked(folder / JOURNAL_FILE) as journal:
            kept = read_kept(folder)
            if len(kept.entries) != seen:
                raise SourceError(
                    what="was written to by somebody else meanwhile; nothing was written",
                    where=str(folder / JOURNAL_FILE),
                    expected="a journal as it was when the change was shown",
                    hint="look again, then write",
                )
            return _append(folder, journal, drafts, kept=kept)
    except OSError as error:
        raise SourceError(
            what=f"cannot be written ({error.strerror})",
            where=str(error.filename or folder),
            expected="a folder that may be written to",
        ) from error


def _append(
    folder: Path,
    journal: TextIO,
    drafts: Sequence[tuple[Draft, Sequence[dict[str, str]]]],
    *,
    kept: Kept,
) -> Row:
    """Add entries and their lines: the lines first, so that no entry is without them."""
    prior = kept.entries[-1]["sha256"] if kept.entries else ""
    rows: list[Row] = []
    every = ""
    for entry_no, (given, lines) in enumerate(drafts, start=kept.last_entry + 1):
        text = "".join(
            _line([str(entry_no) if name == "entry_no" else row.get(name, "") for name in AMENDED])
            for row in lines
        )
        draft = given
        if text:
            digest = hashlib.sha256(text.encode()).hexdigest()
            draft = replace(given, file=AMENDMENTS_FILE, file_sha256=digest)
        rows.append(chained(draft, entry_no=entry_no, prior_sha256=prior))
        prior, every = rows[-1]["sha256"], every + text
    if every:
        _append_lines(folder / AMENDMENTS_FILE, every, cut=kept.unfinished)
    journal.writelines(
        _line(["" if row[name] is None else str(row[name]) for name in JOURNALLED]) for row in rows
    )
    journal.flush()
    os.fsync(journal.fileno())
    return rows[-1]


def _append_lines(path: Path, text: str, *, cut: int) -> None:
    """Add lines to the amendments; what an entry that was never finished left there goes first."""
    _start(path)
    if cut:
        rows = _rows(path)
        whole = rows[: len(rows) - cut]
        size = len((",".join(AMENDED) + "\n").encode())
        size += sum(len(_line([row[name] for name in AMENDED]).encode()) for _, row in whole)
        os.truncate(path, size)
    with path.open("a", encoding="utf-8", newline="") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())


def _start(path: Path) -> None:
    """Make a kept file with its header, where there is none."""
    header = AMENDED if path.name == AMENDMENTS_FILE else JOURNALLED
    if path.is_symlink() or (path.exists() and path.stat().st_size and not is_kept(path)):
        raise SourceError(
            what="is not a file that this program keeps, and is left as it is",
            where=str(path),
            expected="a folder without a file of that name of its own",
            hint="give that file another name",
        )
    if not path.exists() or not path.stat().st_size:
        with path.open("a", encoding="utf-8", newline="") as file:
            file.write(",".join(header) + "\n")


@contextmanager
def _locked(path: Path) -> Iterator[TextIO]:
    """Open the journal of a folder for one writer at a time."""
    _start(path)
    with path.open("a", encoding="utf-8", newline="") as file:
        if sys.platform != "win32":
            import fcntl  # noqa: PLC0415 (there is none on every system)

            fcntl.flock(file, fcntl.LOCK_EX)
        yield file


def _line(cells: Sequence[str]) -> str:
    """Return one record of a CSV file."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(cells)
    return text.getvalue()
