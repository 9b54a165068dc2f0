"""This module sets rows of a store aside and enters them otherwise.

Nothing is changed in place: a row that is amended or withdrawn stays in its table, and is named in
the table ``changes`` by the entry of the journal that set it aside.
"""

import csv
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl

from drift.errors import DriftError, StoreError
from drift.frames import Schema
from drift.intake.columns import TABLES
from drift.store.connection import Connection, run
from drift.store.journal import Draft, next_entry, save_entry
from drift.store.loading import take_within
from drift.store.rows_in_force import KEY_MARK, RowInForce, row_words, rows_named

_CHANGED: Schema = {
    "entry_no": pl.Int32,
    "file_no": pl.Int32,
    "line": pl.Int64,
    "in_force": pl.Boolean,
    "by_hand": pl.Boolean,
}
# Rows that an entry names one by one.
_MOST_TOLD = 5


@dataclass(frozen=True, slots=True)
class Edit:
    """A row and what its columns are to say.

    Attributes
    ----------
    row : RowInForce
        The row.
    sets : mapping of str to str, or None
        New texts of its columns; None to withdraw it.
    line : int or None
        Line under which the new row is listed; None for the next.
    row_after : str
        What makes it that row afterwards, for a reader; empty where that is not asked.
    """

    row: RowInForce
    sets: Mapping[str, str] | None
    line: int | None = None
    row_after: str = ""

    @property
    def cells(self) -> dict[str, str]:
        """The cells of the row as it is to be."""
        return {**self.row.cells, **(self.sets or {})}

    @property
    def place(self) -> tuple[int, int]:
        """Where the row came from."""
        return self.row.file_no, self.row.line


def edit_rows(
    con: Connection, edits: Sequence[Edit], *, draft: Draft | None, name: str, scratch: Path
) -> None:
    """Withdraw rows and enter others in their place, within a transaction that is open.

    Parameters
    ----------
    con : Connection
        A store opened for writing.
    edits : sequence of Edit
        Of rows of one table, none of them twice.
    draft : Draft or None
        The entry of the journal; None where nothing is noted.
    name : str
        Name under which the new rows are listed as a file.
    scratch : Path
        A folder from which the store may read.

    Raises
    ------
    DriftError
        If a new cell cannot be read, or another row says already what a new one is to say.
    """
    entry_no = next_entry(con)[0] if draft else 0
    entered = [edit for edit in edits if edit.sets is not None]
    if entered:
        _enter(con, entered, draft=draft, name=name, scratch=scratch)
    left = {edit.place for edit in edits} - _out_now(con, edits)
    save_changes(con, [(entry_no, *place, False, True) for place in sorted(left)])
    if draft and not entered:
        save_entry(con, draft)


def _enter(
    con: Connection, edits: Sequence[Edit], *, draft: Draft | None, name: str, scratch: Path
) -> None:
    """Load the rows that edits make, by the rules of intake, and hold nothing back."""
    places = _labels(con, edits)
    with tempfile.TemporaryDirectory(dir=scratch) as made:
        _write_rows(Path(made) / f"{name}.csv", edits)
        summary = take_within(con, Path(made), draft=draft, by_hand=True)
    for row in summary.held_back.iter_rows(named=True):
        raise DriftError(
            what=row["reason"],
            where=row["column"] or edits[0].row.table,
            expected="a value that can be read",
        )
    if int(summary.files["taken"].sum()) != len(edits):
        raise DriftError(
            what="would say the same as another row",
            where=row_words(edits[0].row.table, edits[0].row.row),
            expected="another value",
        )
    for row in summary.amendments.iter_rows(named=True):
        if (row["old_file"], row["old_line"]) not in places:
            raise DriftError(
                what=f"stands there already ({row['old_file']}:{row['old_line']})",
                where=row_words(row["table_name"], row["row_key"]),
                expected="a place where no other row is",
                hint="withdraw one of the two first",
            )


def _labels(con: Connection, edits: Sequence[Edit]) -> set[tuple[str, int]]:
    """Return the places of rows with the names of files as they are listed."""
    names = dict(con.view("file_labels").fetchall())
    return {(names[edit.row.file_no], edit.row.line) for edit in edits}


def _write_rows(path: Path, edits: Sequence[Edit]) -> None:
    """Write the rows that edits make as a CSV file, each on its line."""
    names = [column.name for column in TABLES[edits[0].row.table]]
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(names)
        at = 2
        for edit in edits:
            if edit.line is not None:
                file.write("\n" * max(edit.line - at, 0))
                at = max(edit.line, at)
            cells = [edit.cells[name] for name in names]
            writer.writerow(cells)
            at += 1 + sum(cell.count("\n") for cell in cells)


def _out_now(con: Connection, edits: Sequence[Edit]) -> set[tuple[int, int]]:
    """Return which rows of the files of edits are not in force."""
    file_nos = sorted({edit.row.file_no for edit in edits})
    numbers = [duckdb.ConstantExpression(number) for number in file_nos]
    out = con.view("rows_out").filter(duckdb.ColumnExpression("file_no").isin(*numbers))
    return {(file_no, line) for file_no, line, _ in out.fetchall()}


def rows_entered_last(con: Connection, table: str) -> list[str]:
    """Return what makes the rows that `edit_rows` just entered those rows, for a reader."""
    entered = con.view(f"{table}_in_force")
    ((last,),) = entered.aggregate("max(file_no)").fetchall()
    numbered = duckdb.ColumnExpression("file_no") == duckdb.ConstantExpression(last)
    rows = entered.filter(numbered).select("line", "row_key").fetchall()
    return [key.replace("\0", KEY_MARK) for _, key in sorted(rows)]


def save_changes(con: Connection, rows: Sequence[tuple[object, ...]]) -> None:
    """Note rows set aside or put back: entry, file, line, whether in force, whether by hand."""
    if not rows:
        return
    con.register("changed", pl.DataFrame(rows, schema=_CHANGED, orient="row"))
    run(con, "save_changes")
    con.unregister("changed")


def told_edits(edits: Sequence[Edit]) -> str:
    """Return what edits do as one clause, the first rows by name."""
    parts = []
    for edit in edits[:_MOST_TOLD]:
        said = row_words(edit.row.table, edit.row.row)
        if edit.sets is None:
            parts.append(f"{said}, withdrawn")
            continue
        changed = [
            f"{name} {edit.row.cells[name] or 'empty'} → {text or 'empty'}"
            for name, text in edit.sets.items()
            if edit.row.cells[name] != text
        ]
        parts.append(f"{said}, {', '.join(changed)}")
    more = f"; and {len(edits) - _MOST_TOLD} more rows" if len(edits) > _MOST_TOLD else ""
    return "; ".join(parts) + more


def meters_edited(edits: Sequence[Edit]) -> tuple[str, ...]:
    """Return the meters that edits are about, before and after."""
    named = {edit.row.cells.get("meter_id", "") for edit in edits}
    named |= {edit.cells.get("meter_id", "") for edit in edits}
    return tuple(sorted(named - {""}))


def check_still_there(con: Connection, edits: Sequence[Edit]) -> None:
    """Raise if a row is not in force any more as it was when it was looked at."""
    for edit in edits:
        found = rows_named(con, edit.row.table, [edit.row.row])[edit.row.row]
        if [row.cells for row in found] != [edit.row.cells]:
            raise StoreError(
                what="was changed by somebody else since it was shown; nothing was written",
                where=row_words(edit.row.table, edit.row.row),
                expected="a row as it was shown",
                hint="look again: drift journal SOURCE says who changed it",
            )
