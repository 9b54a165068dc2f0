"""This module withdraws, amends and restores rows of a folder or a store file."""

import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from drift.api.own_records import is_own
from drift.api.sources import sources_of
from drift.errors import DriftError, SourceError
from drift.ids import did_you_mean, named_id, nearest_file, nearest_meters, spelled_id
from drift.intake.columns import KNOWN_FROM, TABLES
from drift.places import check_place
from drift.review.policy import Policy
from drift.store.changing import (
    Edit,
    check_still_there,
    edit_rows,
    meters_edited,
    rows_entered_last,
    told_edits,
)
from drift.store.connection import Connection, all_or_nothing
from drift.store.folder_journal import Kept, append_kept, read_kept, without_entry
from drift.store.journal import Draft, Signed, journal_of, next_entry, not_undoable, signed_now
from drift.store.loading import take_folder
from drift.store.opening import open_store
from drift.store.replaying import apply_kept, load_tables, unfit_on_record
from drift.store.restoring import check_undoable, meters_of, restore_entry
from drift.store.rows_in_force import ids_in, rows_where

_EXPECTED = "a folder of CSV files or a store file"
# The entry of a change that is only tried: it comes after all that was done and undone before.
_PLANNED = Draft(signed_now("planned", "planned"), "amendment")


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which rows are meant: all that have given cells, or the one on a line of a file.

    Attributes
    ----------
    table : str
        Input table.
    cells : mapping of str to str
        What its columns say.
    point : str
        Nominal point of readings, % air; empty for any.
    at : tuple of (str, int) or None
        File as listed, and line.
    """

    table: str
    cells: Mapping[str, str]
    point: str = ""
    at: tuple[str, int] | None = None


class NoSuchRowError(DriftError):
    """What is raised where no row in force is as wanted."""


@dataclass(frozen=True, slots=True)
class Planned:
    """A change that is not written yet.

    Attributes
    ----------
    edits : tuple of Edit
        Rows and what becomes of them; empty where an entry is restored.
    restores : int or None
        The entry to restore.
    entries : int
        Entries of the journal when it was planned.
    standings : tuple of (str, str, str)
        Meter, its standing before and after, where it changes.
    kind, what : str
        What the journal will say.
    """

    edits: tuple[Edit, ...]
    restores: int | None
    entries: int
    standings: tuple[tuple[str, str, str], ...]
    kind: str
    what: str


def plan_edits(
    source: Path,
    wanted: Wanted,
    sets: Mapping[str, str] | None,
    *,
    weighed: tuple[date, Policy] | None,
) -> Planned:
    """Find rows and say what withdrawing or amending them would change.

    Parameters
    ----------
    source : Path
        Folder or store file; nothing is written.
    wanted : Wanted
        Which rows.
    sets : mapping of str to str, or None
        New cells; None to withdraw the rows.
    weighed : tuple of (date, Policy) or None
        Date and choices by which to say which standings would change; None not to say.

    Raises
    ------
    DriftError
        If no such row is in force, or a new cell cannot be meant.
    """
    check_wanted(wanted, sets)
    with _opened(source) as (con, scratch):
        cells = {
            name: named_id(text, ids_in(con, wanted.table, name)) if is_id(name) else text
            for name, text in wanted.cells.items()
        }
        if sets is not None:
            sets = {
                name: spelled_id(text, ids_in(con, wanted.table, name)) if is_id(name) else text
                for name, text in sets.items()
            }
        rows = rows_where(con, wanted.table, cells=cells, point=wanted.point, at=wanted.at)
        if not rows:
            raise NoSuchRowError(
                what="no row in force is like that",
                where=f"{source}, {wanted.table}",
                expected="a row as drift journal or a dossier names it",
                hint=_nearest_cells(con, wanted.table, cells),
            )
        edits = tuple(Edit(row, sets) for row in rows)
        if sets is not None:
            edits = _renumbered(con, edits)
        entries = journal_of(con).height

        rows_after: list[str] = []

        def change() -> None:
            edit_rows(con, edits, draft=_PLANNED, name="planned", scratch=scratch)
            if sets is not None:
                rows_after.extend(rows_entered_last(con, wanted.table))

        standings = _tried(con, change, weighed=weighed, name=source.resolve().name)
    if sets is not None:
        edits = tuple(
            replace(edit, row_after=row if row != edit.row.row else "")
            for edit, row in zip(edits, rows_after, strict=True)
        )
    kind = "withdrawal" if sets is None else "amendment"
    return Planned(edits, None, entries, standings, kind, told_edits(edits))


def plan_restoration(
    source: Path, entry_no: int, *, weighed: tuple[date, Policy] | None
) -> Planned:
    """Say what undoing an entry would change.

    Raises
    ------
    DriftError
        If it cannot be undone.
    """
    with _opened(source) as (con, _):
        entries = {row["entry_no"]: row for row in journal_of(con).iter_rows(named=True)}
        check_undoable(entries, entry_no)
        undone = entries[entry_no]
        what = f"undid entry {entry_no} ({undone['kind']}): {undone['what']}"
        if source.is_dir():
            kept = without_entry(read_kept(source), entry_no)
            standings = _unlike(source, con, kept, weighed=weighed, entry_no=entry_no)
            return Planned((), entry_no, len(entries), standings, "restoration", what)

        def change() -> None:
            restore_entry(con, entry_no, signed_now("", ""))

        standings = _tried(con, change, weighed=weighed, name=source.resolve().name)
    return Planned((), entry_no, len(entries), standings, "restoration", what)


def write_planned(source: Path, planned: Planned, signed: Signed) -> int:
    """Write a planned change; return the number of its entry.

    Raises
    ------
    DriftError
        If the source was changed since, or cannot be written.
    """
    draft = Draft(
        signed=signed,
        kind=planned.kind,
        what=planned.what,
        meters=meters_edited(planned.edits),
        undoes=planned.restores,
    )
    if source.is_dir():
        return _write_kept(source, planned, draft)
    with _opened(source) as (con, scratch), all_or_nothing(con):
        if planned.restores is not None:
            return int(restore_entry(con, planned.restores, signed)["entry_no"])
        check_still_there(con, planned.edits)
        number, _ = next_entry(con)
        edit_rows(con, planned.edits, draft=draft, name=f"entry_{number}", scratch=scratch)
        return number


def _write_kept(folder: Path, planned: Planned, draft: Draft) -> int:
    """Add a change to the journal and the amendments of a folder."""
    if planned.restores is not None:
        kept = read_kept(folder)
        without_entry(kept, planned.restores)
        undone = next(row for row in kept.entries if row["entry_no"] == planned.restores)
        lines = [{"action": "restored", "undoes": str(planned.restores)}]
        draft = replace(draft, meters=meters_of(undone))
    else:
        lines = [line for edit in planned.edits for line in _lines_of(edit)]
    return int(append_kept(folder, (draft, lines), seen=planned.entries)["entry_no"])


def _lines_of(edit: Edit) -> list[dict[str, str]]:
    """Return what an edit is in the amendments of a folder."""
    about = {"table_name": edit.row.table, "row": edit.row.row}
    if edit.sets is None:
        return [about | {"action": "withdrawn"}]
    return [
        about
        | {"action": "set", "column": name, "before": edit.row.cells[name], "after": text}
        | {"row_after": edit.row_after}
        for name, text in edit.sets.items()
        if text != edit.row.cells[name]
    ]


@contextmanager
def _opened(source: Path) -> Iterator[tuple[Connection, Path]]:
    """Open a store for writing, or a folder in memory, with a folder that it may read from."""
    check_place(source, raised=SourceError, expected=_EXPECTED)
    if not source.exists() or is_own(source):
        raise SourceError(
            what="does not exist" if not source.exists() else "is amended where it is kept",
            where=str(source),
            expected=_EXPECTED,
            hint="" if source.exists() else nearest_file(source),
        )
    with tempfile.TemporaryDirectory(prefix="drift-") as made:
        scratch = Path(made)
        con = (
            open_store(None, folder=source)
            if source.is_dir()
            else open_store(source, folder=scratch)
        )
        try:
            if source.is_dir():
                load_tables(con, source)
            yield con, scratch
        finally:
            con.close()


class _TakenBackError(Exception):
    """What is raised to take back a change that was only tried."""


def _tried(
    con: Connection,
    change: Callable[[], None],
    *,
    weighed: tuple[date, Policy] | None,
    name: str,
) -> tuple[tuple[str, str, str], ...]:
    """Try a change and take it back; return the standings that it would change."""
    before = _standings(con, weighed, name=name) if weighed else {}
    after: dict[str, str] = {}
    with suppress(_TakenBackError), all_or_nothing(con):
        change()
        if weighed:
            after = _standings(con, weighed, name=name)
        raise _TakenBackError
    return _differing(before, after)


def _unlike(
    folder: Path,
    con: Connection,
    kept: Kept,
    *,
    weighed: tuple[date, Policy] | None,
    entry_no: int,
) -> tuple[tuple[str, str, str], ...]:
    """Return the standings that other amendments of a folder would change."""
    with open_store(None, folder=folder) as other:
        take_folder(other, folder)
        apply_kept(other, kept)
        # What fits no more already is no reason: undoing it is how it is closed.
        known = {line for line, _, _ in unfit_on_record(con)}
        for line, _, why in unfit_on_record(other):
            if line not in known:
                raise not_undoable(entry_no, f"cannot be undone: {why}")
        if weighed is None:
            return ()
        before = _standings(con, weighed, name=folder.resolve().name)
        after = _standings(other, weighed, name=folder.resolve().name)
    return _differing(before, after)


def _standings(con: Connection, weighed: tuple[date, Policy], *, name: str) -> dict[str, str]:
    """Return the standing of each meter, with "overdue" where it is."""
    from drift.review.analyse import analyse  # noqa: PLC0415  # not to withdraw a struck reading

    as_of, policy = weighed
    sources = sources_of(con, as_of=as_of, policy=policy)
    review = analyse(sources, source_name=name, as_of=as_of, policy=policy)
    return {
        row["meter_id"]: row["standing"] + (", overdue" if row["overdue"] else "")
        for row in review.meters.iter_rows(named=True)
    }


def _differing(before: dict[str, str], after: dict[str, str]) -> tuple[tuple[str, str, str], ...]:
    """Return meters whose standing differs, with both; "none" where there is none."""
    return tuple(
        (meter_id, before.get(meter_id, "none"), after.get(meter_id, "none"))
        for meter_id in sorted(before.keys() | after.keys())
        if before.get(meter_id) != after.get(meter_id)
    )


def check_wanted(wanted: Wanted, sets: Mapping[str, str] | None) -> None:
    """Raise if a table or column is none, or rows of a whole table are meant."""
    if wanted.table not in TABLES:
        raise DriftError(
            what="is no input table",
            where=wanted.table,
            expected=f"one of {', '.join(TABLES)}",
            hint=did_you_mean(wanted.table, TABLES),
        )
    if not wanted.cells and wanted.at is None:
        raise DriftError(
            what="names no row",
            where=wanted.table,
            expected="a meter and a day, or a file and a line",
            hint="--meter ID --on DATE, --where COLUMN=VALUE or --at FILE:LINE",
        )
    known = [column.name for column in TABLES[wanted.table]]
    for name in sets or {}:
        if name not in known:
            raise DriftError(
                what=f"has no column {name!r}",
                where=wanted.table,
                expected=f"one of {', '.join(known)}",
                hint=did_you_mean(name, known),
            )


def _nearest_cells(con: Connection, table: str, cells: Mapping[str, str]) -> str:
    """Return a hint on the first cell that no row of a table has: an id, or one of few words."""
    columns = {column.name: column for column in TABLES[table]}
    for name, text in cells.items():
        column = columns[name]
        if is_id(name) and (hint := nearest_meters(text, ids_in(con, table, name))):
            return hint
        if column.choices and text not in column.choices:
            return did_you_mean(text, column.choices)
    return ""


def is_id(column: str) -> bool:
    """Say whether a column holds ids, which may be given in any case of letters."""
    return column.endswith("_id")


def _renumbered(con: Connection, edits: Sequence[Edit]) -> tuple[Edit, ...]:
    """Give rows that move to where others are a number that is free there."""
    sets = edits[0].sets or {}
    table = edits[0].row.table
    moves = {"meter_id", KNOWN_FROM.get(table, ""), "stage", "operator"} & sets.keys()
    if not moves or "replicate" in sets or "replicate" not in edits[0].row.cells:
        return tuple(edits)
    there = {
        name: edits[0].cells[name]
        for name in ("meter_id", KNOWN_FROM[table], "stage", "study_id")
        if name in edits[0].row.cells
    }
    own = {edit.place for edit in edits}
    taken = {
        int(row.cells["replicate"])
        for row in rows_where(con, table, cells=there)
        if (row.file_no, row.line) not in own
    }
    if not taken & {int(edit.cells["replicate"]) for edit in edits}:
        return tuple(edits)
    return tuple(
        replace(edit, sets={**sets, "replicate": str(max(taken) + int(edit.cells["replicate"]))})
        for edit in edits
    )
