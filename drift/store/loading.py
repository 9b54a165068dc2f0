"""This module takes a folder of CSV files into a store, all or nothing."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import accumulate
from pathlib import Path
from typing import Any

import polars as pl

from drift.errors import SourceError, StoreError
from drift.frames import Schema
from drift.intake.columns import TABLES
from drift.intake.files import SourceFile, inspect_file, is_as_it_was, source_paths
from drift.intake.mapping import Mapping, read_mapping
from drift.store.connection import Connection, all_or_nothing, frame, run
from drift.store.filling import fill_absent
from drift.store.journal import Draft, load_draft, next_entry, save_entry
from drift.store.saving import save_rows
from drift.store.tables import AMENDMENTS, FILES, HELD_BACK

_SEEN: Schema = {
    "file_no": pl.Int64,
    "source_name": pl.String,
    "file": pl.String,
    "sha256": pl.String,
    "rows": pl.Int64,
    "held_back": pl.Int64,
}
# Called with the name of a file, the bytes done so far and the bytes in all.
_Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class IntakeSummary:
    """What one source brought.

    Attributes
    ----------
    files, held_back, amendments : pl.DataFrame
        Frames of `drift.frames`, of this source alone.  Of a file that the store already held,
        all usable rows are known.
    carried : int
        Entries of the folder's own journal that became entries of the store's.
    """

    files: pl.DataFrame
    held_back: pl.DataFrame
    amendments: pl.DataFrame
    carried: int = 0


@dataclass(frozen=True, slots=True)
class _Arrival:
    """One file of the load under way.

    Attributes
    ----------
    file : SourceFile
        What was found out about it.
    file_no : int
        Its number in the store.
    twin : int
        Number of the first file that had the same content; its own where there was none.
    """

    file: SourceFile
    file_no: int
    twin: int

    @property
    def is_first(self) -> bool:
        """Whether its content was not seen before."""
        return self.twin == self.file_no


class UnsignedAmendmentsError(StoreError):
    """A load would amend values, and nobody said who does so and why.

    Parameters
    ----------
    summary : IntakeSummary
        What the load would bring.
    where : str
        The folder.
    """

    def __init__(self, summary: IntakeSummary, *, where: str) -> None:
        self.summary = summary
        super().__init__(
            what=f"amends {summary.amendments.height} values on record; nothing was taken",
            where=where,
            expected="who amends them and why",
            hint="look at them, then load again with --by NAME --why TEXT --yes",
        )


def take_folder(
    con: Connection,
    folder: Path,
    *,
    draft: Draft | None = None,
    progress: _Progress | None = None,
) -> IntakeSummary:
    """Load every CSV file of a folder, all of it or, where anything fails, nothing.

    Parameters
    ----------
    con : Connection
        A store opened for writing.
    folder : Path
        The folder; folders inside it are not looked into.
    draft : Draft or None
        The entry of the journal that the load makes, where it brings anything; None for none, as
        where a folder is only looked at.
    progress : callable or None
        Called with a file's name, the bytes done and the bytes in all.

    Raises
    ------
    UnsignedAmendmentsError
        If it amends values and the draft gives no reason.
    SourceError
        If there is no such folder, no CSV file in it, or no table of readings either there or in
        the store.
    StoreError
        If the store cannot be written.
    """
    with all_or_nothing(con):
        return take_within(con, folder, draft=draft, progress=progress)


def take_within(
    con: Connection,
    folder: Path,
    *,
    draft: Draft | None,
    by_hand: bool = False,
    progress: _Progress | None = None,
) -> IntakeSummary:
    """Load a folder as `take_folder`, within a transaction that is open.

    With `by_hand` its rows are what a person enters, so that what a person set aside may come back.
    """
    paths = source_paths(folder)
    mapping = read_mapping(folder)
    files = [inspect_file(path, mapping=mapping) for path in paths]
    entry_no = next_entry(con)[0] if draft else 0
    ((load_no, first_file_no, readings_known, any_by_hand),) = run(con, "next_numbers").fetchall()
    if not readings_known and not any(file.table == "readings" for file in files):
        raise _no_readings(folder, files=files)
    # What a person enters twice is meant twice.
    seen = [] if by_hand else _files_seen(con, mapping)
    first_of_content = {row["sha256"]: row["file_no"] for row in reversed(seen)}
    arrivals = [
        _Arrival(file=file, file_no=no, twin=first_of_content.setdefault(file.sha256, no))
        for no, file in enumerate(files, start=first_file_no)
    ]
    source_name = "" if by_hand else folder.resolve().name
    total_rows, rounded = save_rows(
        con,
        {arrival.file_no: arrival.file for arrival in arrivals if arrival.is_first},
        date_format=mapping.date_format,
        told=_teller(arrivals, progress=progress),
    )
    about = {"source_name": source_name, "first_file_no": first_file_no, "entry_no": entry_no}
    about |= {"is_by_hand": by_hand}
    may_come_back = any_by_hand and not by_hand
    fates = _settle(con, arrivals, about=about, may_come_back=may_come_back)
    fates |= {(file_no, "rounded"): numbers for file_no, numbers in rounded.items()}
    rows = _file_rows(arrivals, seen=seen, total_rows=total_rows, fates=fates)
    _check_sums(con, arrivals, rows=rows, first_file_no=first_file_no)
    places = {(row["source_name"], row["file"], row["sha256"]) for row in seen}
    new = [row for row in rows if (source_name, row["file"], row["sha256"]) not in places]
    if new:
        load = {"load_no": load_no, "source_name": source_name, "entry_no": entry_no or None}
        _save_files(con, new, load=load, mapping=mapping)
    summary = _summary(con, rows, listed=[arrival.twin for arrival in arrivals])
    if draft and new:
        if draft.kind == "load" and not draft.signed.why and any(row["amended"] for row in new):
            raise UnsignedAmendmentsError(summary, where=str(folder))
        save_entry(con, load_draft(draft, new, source_name=source_name))
    return summary


def _files_seen(con: Connection, mapping: Mapping) -> list[dict[str, Any]]:
    """Return the files that a store was made from under a mapping."""
    seen = frame(con, "files_seen", schema=_SEEN, mapping_sha256=mapping.sha256)
    return seen.rows(named=True)


def _summary(con: Connection, rows: list[dict[str, Any]], *, listed: list[int]) -> IntakeSummary:
    """Return what files brought; `listed` are their numbers, or those of their twins."""
    return IntakeSummary(
        files=pl.DataFrame(rows, schema=FILES),
        held_back=frame(con, "held_back", schema=HELD_BACK, as_of=None, file_nos=listed),
        amendments=frame(con, "amendments", schema=AMENDMENTS, as_of=None, file_nos=listed),
    )


def _settle(
    con: Connection, arrivals: list[_Arrival], *, about: dict[str, object], may_come_back: bool
) -> dict[tuple[int, str], int]:
    """Settle what became of the rows saved; return the number of rows by file and fate.

    The fates are ``saved`` for every row that could be read whole, and of these ``known``,
    ``repeat`` and ``amends``; all others are new.  `may_come_back` says whether a person has set
    rows aside that these may bring back.
    """
    fates: dict[tuple[int, str], int] = {}
    run(con, "none_set_aside")
    for table in TABLES:
        came = [arrival for arrival in arrivals if arrival.file.table == table and arrival.is_first]
        if not came:
            continue
        about |= {
            "table_name": table,
            "in_force": f"{table}_in_force",
            "file_names": [arrival.file.path.name for arrival in came],
            "file_nos": [arrival.file_no for arrival in came],
        }
        numbers = any(column.name == "replicate" for column in TABLES[table])
        if numbers and run(con, "unnumbered", **about).fetchall() != [(0,)]:
            run(con, f"number_{table}", **about)
        by_number = {arrival.file_no: arrival.file for arrival in came}
        fill_absent(con, table, files=by_number, about=about)
        saved = run(con, "rows_saved", **about).fetchall()
        fates |= {(file_no, "saved"): rows for file_no, rows in saved}
        if about["first_file_no"] == 1:
            if run(con, "any_key_twice", **about).fetchall() == [(False,)]:
                continue
        else:
            run(con, "save_superseded", **about)
        if may_come_back:
            run(con, "set_aside_again", **about)
        run(con, "outcomes", **about)
        counts = run(con, "outcome_counts").fetchall()
        fates |= {(file_no, fate): rows for file_no, fate, rows in counts}
        if counts:
            run(con, "save_held_repeats")
            run(con, "save_amendments", **about)
            run(con, "save_replaced", **about)
            run(con, "drop_known")
    return fates


def _file_rows(
    arrivals: list[_Arrival],
    *,
    seen: list[dict[str, Any]],
    total_rows: dict[int, int],
    fates: dict[tuple[int, str], int],
) -> list[dict[str, Any]]:
    """Return a row of `FILES` for each file, its number in the store and its twin's besides."""
    tallies = {row["file_no"]: (row["file"], row["rows"], row["held_back"]) for row in seen}
    rows = []
    for arrival in arrivals:
        name, no = arrival.file.path.name, arrival.file_no
        notes = [arrival.file.note] if arrival.file.note else []
        if arrival.is_first:
            total = total_rows[no]
            if arrival.file.table and total == 0:
                notes.append("has a header but no rows")
            known, repeats = fates.get((no, "known"), 0), fates.get((no, "repeat"), 0)
            taken = fates.get((no, "saved"), 0) - known - repeats
            if rounded := fates.get((no, "rounded"), 0):
                numbers = "1 number" if rounded == 1 else f"{rounded} numbers"
                notes.append(f"{numbers} rounded to nine decimals")
            tallies[no] = (name, total, total - taken - known)
        else:
            twin, total, held = tallies[arrival.twin]
            taken, known = 0, total - held
            if twin != name:
                notes.append(f"same content as {twin}")
        rows.append(
            {
                "file_no": no,
                "twin": arrival.twin,
                "file": name,
                "sha256": arrival.file.sha256,
                "table_name": arrival.file.table,
                "rows": total,
                "taken": taken,
                "held_back": total - taken - known,
                "known": known,
                "amended": fates.get((no, "amends"), 0),
                "note": "; ".join(notes),
            }
        )
    return rows


def _check_sums(
    con: Connection,
    arrivals: list[_Arrival],
    *,
    rows: list[dict[str, Any]],
    first_file_no: int,
) -> None:
    """Raise if the rows of a file are not those taken, held back and known, or it has changed.

    What was held back is counted as it is listed, so that no row can be lost unsaid and none be
    read of another file.
    """
    listed = dict(run(con, "lines_held", first_file_no=first_file_no).fetchall())
    for arrival, row in zip(arrivals, rows, strict=True):
        file, lines = arrival.file, listed.get(arrival.file_no, 0)
        if not is_as_it_was(file):
            raise SourceError(
                what="was written to while it was read; nothing was taken",
                where=str(file.path),
                expected="a file that stays as it is until it is loaded",
                hint="try again when the other program is done",
            )
        # A file that is refused whole is listed by the line of its header.
        if arrival.is_first and file.table and lines != row["held_back"]:
            raise SourceError(
                what=f"has {row['rows']} rows, but {row['taken']} were taken, {lines} held back "
                f"and {row['known']} known; nothing was taken",
                where=str(file.path),
                expected="each row taken, held back or known",
            )


def _save_files(
    con: Connection,
    rows: list[dict[str, Any]],
    *,
    load: dict[str, object],
    mapping: Mapping,
) -> None:
    """Note a load and its files, and hold back of copies what was held back of their twins."""
    run(con, "save_load", **load, loaded_at=_now())
    schema: Schema = {"file_no": pl.Int32, **FILES}
    arrivals = pl.DataFrame(rows, schema=schema).with_columns(
        load_no=pl.lit(load["load_no"]), mapping_sha256=pl.lit(mapping.sha256)
    )
    con.register("arrivals", arrivals)
    run(con, "save_files")
    con.unregister("arrivals")
    for row in rows:
        if row["twin"] != row["file_no"]:
            run(con, "save_held_twin", file_no=row["file_no"], twin_file_no=row["twin"])


def _teller(
    arrivals: list[_Arrival], *, progress: _Progress | None
) -> Callable[[SourceFile], None]:
    """Return what to call with each file once it was read."""
    sizes = [arrival.file.size for arrival in arrivals if arrival.is_first]
    done = iter(accumulate(sizes))

    def told(file: SourceFile) -> None:
        if progress is not None:
            progress(file.path.name, next(done), sum(sizes))

    return told


def _now() -> datetime:
    """Return the time of a load in UTC; it is kept in the store and in no frame."""
    return datetime.now(UTC).replace(tzinfo=None)


def _no_readings(folder: Path, *, files: list[SourceFile]) -> SourceError:
    """Return what to say of a folder without readings, and which of its files comes closest."""
    names = [file.path.name for file in files]
    shown = ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")
    near = [file for file in files if file.looks_like == "readings"]
    closest = min(near, key=lambda file: len(file.lacking), default=None)
    required = ", ".join(column.name for column in TABLES["readings"] if column.required)
    if closest is None:
        hint = 'declare other names in mapping.toml: [columns] "Meter no." = "meter_id"'
    elif closest.lacking:
        hint = f"{closest.path.name} comes closest, but lacks {', '.join(closest.lacking)}"
    else:
        hint = f"{closest.path.name} comes closest: {closest.note}"
    return SourceError(
        what=f"holds no table of readings among its CSV files ({shown})",
        where=str(folder),
        expected=f"a file with the columns {required}",
        hint=hint,
    )
