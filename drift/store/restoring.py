"""This module undoes what an entry of a store's journal did to rows."""

import json
from collections.abc import Mapping
from dataclasses import replace

import polars as pl

from drift.errors import DriftError
from drift.frames import Row, Schema
from drift.store.changing import save_changes
from drift.store.connection import Connection, run
from drift.store.journal import Draft, Signed, journal_of, next_entry, not_undoable, save_entry
from drift.store.rows_in_force import KEY_MARK, row_words

_UNDOING: Schema = {"entry_no": pl.Int32, "of_entry_no": pl.Int32, "is_undone": pl.Boolean}


def restore_entry(con: Connection, entry_no: int, signed: Signed, *, file: str = "") -> Row:
    """Undo what an entry of the journal did, within a transaction that is open.

    `file` is what asks for it, where that is no person.

    Returns
    -------
    dict
        The new entry, a row of `JOURNAL`.

    Raises
    ------
    DriftError
        If there is no such entry, it did nothing to rows, it is undone already, or a later one
        rests on it.
    """
    entries = {row["entry_no"]: row for row in journal_of(con).iter_rows(named=True)}
    check_undoable(entries, entry_no)
    ((by,),) = run(con, "undone_by", entry_no=entry_no).fetchall()
    if by is not None:
        raise not_undoable(entry_no, f"was undone already, by entry {by}")
    effects = run(con, "effects_of", entry_no=entry_no).fetchall()
    ((later,),) = run(con, "later_changes", entry_no=entry_no).fetchall()
    for _, line, in_force, _, now, changed_by in effects:
        if line is not None and now != in_force:
            later = min(filter(None, (later, changed_by)))
    if later is not None:
        raise not_undoable(entry_no, f"is what entry {later} rests on; restore that one first")
    number = next_entry(con)[0]
    save_changes(
        con,
        [
            (number, file_no, line, not in_force, by_hand)
            for file_no, line, in_force, by_hand, _, _ in effects
        ],
    )
    _check_doubles(con, entry_no, [row[0] for row in effects if row[1] is not None and not row[2]])
    undone = entries[entry_no]
    draft = Draft(
        signed=signed,
        kind="restoration",
        what=f"undid entry {entry_no} ({undone['kind']}): {undone['what']}",
        undoes=entry_no,
        file=file,
    )
    row = save_entry(con, replace(draft, meters=meters_of(undone)))
    _save_undone(con, number, entries, entry_no)
    return row


def check_undoable(entries: Mapping[int, Row], entry_no: int) -> None:
    """Raise if there is no such entry, or it did nothing to rows."""
    if entry_no not in entries:
        raise DriftError(
            what="there is no such entry",
            where=f"entry {entry_no}",
            expected=f"one from 1 to {max(entries, default=0)}",
            hint="drift journal SOURCE lists them",
        )
    if entries[entry_no]["kind"] == "review":
        raise not_undoable(entry_no, "is a review, which changed no row")


def meters_of(entry: Row) -> tuple[str, ...]:
    """Return the meters that an entry names."""
    return tuple(json.loads(entry["meters"]))


def _check_doubles(con: Connection, entry_no: int, file_nos: list[int]) -> None:
    """Raise if a row put back is there another time."""
    if not file_nos:
        return
    for (table,) in run(con, "tables_of_files", file_nos=file_nos).fetchall():
        about = {"in_force": f"{table}_in_force", "file_nos": file_nos}
        for (key,) in run(con, "doubled_keys", **about).fetchall():
            said = row_words(table, key.replace("\0", KEY_MARK))
            raise not_undoable(entry_no, f"cannot be undone: {said} has been entered anew since")


def _save_undone(
    con: Connection, number: int, entries: Mapping[int, Row], entry_no: int | None
) -> None:
    """Note which entries are undone by a new one and which are thereby in force again."""
    rows, is_undone = [], True
    while entry_no is not None:
        rows.append((number, entry_no, is_undone))
        entry_no, is_undone = entries[entry_no]["undoes"], not is_undone
    con.register("undoing", pl.DataFrame(rows, schema=_UNDOING, orient="row"))
    run(con, "save_undone")
    con.unregister("undoing")
