"""This module applies to a store what ``amendments.csv`` of a folder changed.

A store in memory takes over the folder's journal as it is.  A store file has a journal of its own:
each amendment becomes an entry of it, signed as in the folder, and is known again by the hash of
its lines when the folder is loaded another time.
"""

import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import groupby
from pathlib import Path

import polars as pl

from drift.errors import DriftError, SourceError
from drift.frames import Row, Schema
from drift.intake.columns import TABLES
from drift.intake.kept_files import AMENDMENTS_FILE
from drift.store.changing import Edit, edit_rows
from drift.store.connection import Connection, all_or_nothing, run
from drift.store.folder_journal import Kept, KeptLine, read_kept
from drift.store.journal import (
    Draft,
    Signed,
    journal_of,
    next_entry,
    save_rows_of_journal,
)
from drift.store.loading import take_folder
from drift.store.restoring import meters_of, restore_entry
from drift.store.rows_in_force import RowInForce, rows_named
from drift.store.tables import HELD_BACK

_NAME = AMENDMENTS_FILE.removesuffix(".csv")
_NOT_APPLIED: Schema = {
    "file_no": pl.Int32,
    "line": pl.Int64,
    "column_name": pl.String,
    "reason": pl.String,
}


@dataclass(frozen=True, slots=True)
class _Step:
    """What one entry did to one row: the lines that say so."""

    lines: tuple[KeptLine, ...]

    @property
    def table(self) -> str:
        """The table of the row."""
        return self.lines[0].table

    @property
    def row(self) -> str:
        """The row before."""
        return self.lines[0].row

    @property
    def rows(self) -> set[tuple[str, str]]:
        """The row before and after."""
        return {(self.table, self.row), (self.table, self.lines[0].row_after or self.row)}

    @property
    def sets(self) -> dict[str, str] | None:
        """What its columns say then; None where it was withdrawn."""
        if self.lines[0].action == "withdrawn":
            return None
        return {line.column: line.after for line in self.lines}


def load_tables(con: Connection, folder: Path) -> None:
    """Load a folder of CSV files into a store in memory, with what was amended in it since."""
    take_folder(con, folder)
    apply_kept(con, read_kept(folder))


def apply_kept(con: Connection, kept: Kept) -> None:
    """Apply the amendments of a folder to a store that its tables were loaded into.

    Parameters
    ----------
    con : Connection
        A store in memory.
    kept : Kept
        What the folder keeps, from `read_kept`.

    Raises
    ------
    SourceError
        If what the folder keeps cannot be applied.

    Notes
    -----
    An amendment of a row that is there no more, or that says something else than it did then, is
    held back with the reason, until it is undone.
    """
    if not kept.entries and not kept.lines:
        return
    with all_or_nothing(con), tempfile.TemporaryDirectory(prefix="drift-") as scratch:
        _save_journal(con, kept)
        run(con, "doubt_journal", broken=kept.broken)
        problems: list[tuple[KeptLine, str]] = []
        for batch in _batches(_steps(kept)):
            problems += _apply(con, batch, draft=None, name=_NAME, scratch=Path(scratch))
        if problems:
            _save_problems(con, kept, problems, source_name="")


def carry_kept(
    con: Connection, kept: Kept, *, source_name: str, signed: Signed, scratch: Path
) -> tuple[int, pl.DataFrame]:
    """Carry the amendments of a folder over, within the transaction that loads its tables.

    Parameters
    ----------
    con : Connection
        A store opened for writing.
    kept : Kept
        What the folder keeps, from `read_kept`.
    source_name : str
        Its name.
    signed : Signed
        Who loads it, and when.
    scratch : Path
        A folder from which the store may read.

    Returns
    -------
    done : int
        Entries carried over, or undone because the folder undid them since.
    unfit : pl.DataFrame
        Frame of `HELD_BACK`: amendments that do not fit, each told once however often it is met.

    Raises
    ------
    SourceError
        If what the folder keeps cannot be applied.
    DriftError
        If the folder undid what the store cannot undo.

    Notes
    -----
    An amendment of a row that is there no more, or that says something else than it did then, is
    held back with the reason.  It is tried anew at each load, as its row may come back.  What the
    store itself has undone stays undone.
    """
    file = f"{source_name}/{AMENDMENTS_FILE}"
    steps: dict[int, list[_Step]] = {}
    for step in _steps(kept):
        steps.setdefault(step.lines[0].entry_no, []).append(step)
    done = _undo_since(con, kept, file=file, signed=signed)
    known = set(unfit_on_record(con, source_name=source_name))
    problems: list[tuple[KeptLine, str]] = []
    for entry in kept.entries:
        mine = _carried(con, entry) if entry["entry_no"] in steps else None
        undoing = _undoing(con, mine["entry_no"]) if mine else None
        if undoing and undoing["file"] == file:
            restore_entry(con, undoing["entry_no"], _signed_as(entry, signed), file=file)
            done += 1
        elif entry["entry_no"] in steps and not mine:
            draft = _draft_as(entry, signed, file=file)
            name = f"entry_{next_entry(con)[0]}"
            refused = _apply(con, steps[entry["entry_no"]], draft=draft, name=name, scratch=scratch)
            problems += refused
            done += len(refused) < len(steps[entry["entry_no"]])
        elif mine and not undoing:
            problems += _still_unfit(steps[entry["entry_no"]], known)
    now = [(line.line, line.column, why) for line, why in problems]
    if known != set(now):
        # All of them anew, in the place of those told before: what was undone since goes.
        _save_problems(con, kept, problems, source_name=source_name)
    rows = [(AMENDMENTS_FILE, *told) for told in now if told not in known]
    return done, pl.DataFrame(rows, schema=HELD_BACK, orient="row")


def _undo_since(con: Connection, kept: Kept, *, file: str, signed: Signed) -> int:
    """Undo what was carried over and the folder undid since; return how many entries."""
    done = 0
    for entry in reversed(kept.entries):
        mine = _carried(con, entry)
        if entry["entry_no"] in kept.undone and mine and not _undoing(con, mine["entry_no"]):
            last = [row for row in kept.entries if row["undoes"] == entry["entry_no"]][-1]
            restore_entry(con, mine["entry_no"], _signed_as(last, signed), file=file)
            done += 1
    return done


def _still_unfit(
    steps: Sequence[_Step], known: Iterable[tuple[int, str, str]]
) -> list[tuple[KeptLine, str]]:
    """Return what did not fit of an entry of which the rest was carried over before."""
    lines = {line.line: line for step in steps for line in step.lines}
    return [(lines[number], why) for number, _, why in sorted(known) if number in lines]


def unfit_on_record(
    con: Connection, *, source_name: str | None = None
) -> list[tuple[int, str, str]]:
    """Return the amendments of folders that could not be applied: line, column and reason.

    Of one folder, or where `source_name` is None of all.
    """
    return run(con, "told_unfit", file=AMENDMENTS_FILE, source_name=source_name).fetchall()


def _carried(con: Connection, entry: Row) -> Row | None:
    """Return the entry of a store that was carried over from one of a folder."""
    if not entry["file_sha256"]:
        return None
    found = journal_of(con).filter(
        pl.col("file_sha256") == entry["file_sha256"], pl.col("kind") == entry["kind"]
    )
    return found.row(0, named=True) if found.height else None


def _undoing(con: Connection, entry_no: int) -> Row | None:
    """Return the entry of a store that undid another, None where it stands."""
    ((by,),) = run(con, "undone_by", entry_no=entry_no).fetchall()
    return None if by is None else journal_of(con).filter(entry_no=by).row(0, named=True)


def _signed_as(entry: Row, signed: Signed) -> Signed:
    """Return the signature of an entry of a folder, at the time at which it is loaded."""
    return replace(signed, by=entry["recorded_by"], why=entry["why"])


def _draft_as(entry: Row, signed: Signed, *, file: str) -> Draft:
    """Return the entry of a store that says what one of a folder does."""
    at = entry["recorded_at"][:16].replace("T", " ")
    return Draft(
        signed=_signed_as(entry, signed),
        kind=entry["kind"],
        what=f"{entry['what']} (entry {entry['entry_no']} of the folder's journal, {at} "
        f"{entry['zone']}; loaded by {signed.by})",
        meters=meters_of(entry),
        file=file,
        file_sha256=entry["file_sha256"],
    )


def _save_journal(con: Connection, kept: Kept) -> None:
    """Take over the entries, as they are."""
    numbers = [row["entry_no"] for row in kept.entries]
    for number in numbers:
        if numbers.count(number) > 1:
            raise SourceError(
                what=f"has entry {number} more than once",
                where="journal.csv",
                expected="a file as this program wrote it",
            )
    if numbers:
        save_rows_of_journal(con, kept.entries)


def _steps(kept: Kept) -> Iterable[_Step]:
    """Return what was done to rows, in order, but what was undone since."""
    done = [
        line
        for line in kept.lines
        if line.entry_no not in kept.undone and line.action in {"set", "withdrawn"}
    ]
    for _, lines in groupby(done, key=lambda line: (line.entry_no, line.table, line.row)):
        yield _Step(tuple(lines))


def _batches(steps: Iterable[_Step]) -> Iterable[list[_Step]]:
    """Return steps in runs in which no row is changed twice."""
    batch: list[_Step] = []
    touched: set[tuple[str, str]] = set()
    for step in steps:
        if touched & step.rows:
            yield batch
            batch, touched = [], set()
        batch.append(step)
        touched |= step.rows
    if batch:
        yield batch


def _apply(
    con: Connection, batch: Sequence[_Step], *, draft: Draft | None, name: str, scratch: Path
) -> list[tuple[KeptLine, str]]:
    """Apply steps of which none needs another; return the lines that could not be applied."""
    problems: list[tuple[KeptLine, str]] = []
    for table in sorted({step.table for step in batch}):
        mine = [step for step in batch if step.table == table]
        if table not in TABLES:
            problems += [(step.lines[0], f"{table!r} is no table") for step in mine]
            continue
        found = rows_named(con, table, sorted({step.row for step in mine}))
        edits = []
        for step in mine:
            if why := _misfit(step, found[step.row]):
                number = step.lines[0].entry_no
                problems.append((step.lines[0], f"{why} (drift restore FOLDER {number} undoes it)"))
            else:
                line = None if draft else step.lines[0].line
                edits.append(Edit(found[step.row][0], step.sets, line=line))
        try:
            if edits:
                edit_rows(con, edits, draft=draft, name=name, scratch=scratch)
        except DriftError as error:
            raise SourceError(
                what=f"cannot be applied: {error}",
                where=AMENDMENTS_FILE,
                expected="a file as this program wrote it",
            ) from error
    return problems


def _misfit(step: _Step, found: Sequence[RowInForce]) -> str:
    """Return why a step does not fit the rows that are there; empty where it does."""
    if not found:
        return f"amends a row of {step.table} that is not there: {step.row}"
    if len(found) > 1:
        return f"{step.row} names {len(found)} rows of {step.table}"
    for line in step.lines:
        if line.action == "withdrawn":
            continue
        if line.column not in found[0].cells:
            return f"{step.table} has no column {line.column!r}"
        is_now = found[0].cells[line.column]
        if is_now != line.before:
            return (
                f"{line.column} of {step.row} is {is_now or 'empty'} now, and was "
                f"{line.before or 'empty'} when it was amended: not applied"
            )
    return ""


def _save_problems(
    con: Connection, kept: Kept, problems: Sequence[tuple[KeptLine, str]], *, source_name: str
) -> None:
    """List what could not be applied among the rows held back, in place of what was before."""
    ((load_no, file_no, _, _),) = run(con, "next_numbers").fetchall()
    now = datetime.now(UTC).replace(tzinfo=None)
    load = {"load_no": load_no, "source_name": source_name, "entry_no": None}
    run(con, "save_load", **load, loaded_at=now)
    run(
        con,
        "save_kept_file",
        load_no=load_no,
        file_no=file_no,
        file=AMENDMENTS_FILE,
        rows=len(kept.lines),
        held_back=len(problems),
    )
    run(con, "supersede_kept", file=AMENDMENTS_FILE, source_name=source_name, file_no=file_no)
    rows = [(file_no, line.line, line.column, why) for line, why in problems]
    con.register("refused", pl.DataFrame(rows, schema=_NOT_APPLIED, orient="row"))
    run(con, "save_held_lines")
    con.unregister("refused")
