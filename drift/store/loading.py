"""This module takes a folder of CSV files into a store, all or nothing; SQL judges the values."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl

from drift.columns import TABLES
from drift.errors import SourceError
from drift.frames import AMENDMENTS, FILES, HELD_BACK, Schema
from drift.intake.files import SourceFile, chunks, count_rows, look_at, source_paths
from drift.intake.mapping import Mapping, read_mapping
from drift.store.connection import UNBOUNDED, Connection, frame, run, view_plain_file

_SEEN: Schema = {
    "file_no": pl.Int64,
    "source_name": pl.String,
    "file": pl.String,
    "sha256": pl.String,
    "rows": pl.Int64,
    "held_back": pl.Int64,
}
# Called with the name of a file, the bytes done so far and the bytes in all.
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class IntakeSummary:
    """What one source brought.

    Attributes
    ----------
    files, held_back, amendments : pl.DataFrame
        Frames of `drift.frames`, of this source alone.  Of a file that the store already held,
        all usable rows are known.
    """

    files: pl.DataFrame
    held_back: pl.DataFrame
    amendments: pl.DataFrame


@dataclass(frozen=True, slots=True)
class _Arrival:
    """One file of the load under way.

    Attributes
    ----------
    file : SourceFile
        What was found out about it.
    file_no : int
        Its number in the store.
    rows, usable : int
        Rows that it holds, and rows that could be read whole.
    twin : int or None
        Number of the file that has the same content, where that was read before.
    """

    file: SourceFile
    file_no: int
    rows: int = 0
    usable: int = 0
    twin: int | None = None


def take_folder(
    con: Connection, folder: Path, *, progress: Progress | None = None
) -> IntakeSummary:
    """Load every CSV file of a folder, all of it or, where anything fails, nothing.

    Parameters
    ----------
    con : Connection
        A store opened for writing.
    folder : Path
        The folder; folders inside it are not looked into.
    progress : callable or None
        Called with a file's name, the bytes done and the bytes in all.

    Raises
    ------
    SourceError
        If there is no such folder, no CSV file in it, or no table of readings either there or in
        the store.
    """
    mapping = read_mapping(folder)
    files = [look_at(path, mapping=mapping) for path in source_paths(folder)]
    con.begin()
    try:
        summary = _take(con, folder, files=files, mapping=mapping, progress=progress)
    except BaseException:
        con.rollback()
        raise
    con.commit()
    return summary


def _take(
    con: Connection,
    folder: Path,
    *,
    files: list[SourceFile],
    mapping: Mapping,
    progress: Progress | None,
) -> IntakeSummary:
    """Load files within the transaction that is open."""
    ((load_no, first_file_no, readings_known),) = run(con, "next_numbers").fetchall()
    if not readings_known and not any(file.table == "readings" for file in files):
        raise _no_readings(folder, files=files)
    seen = frame(con, "files_seen", schema=_SEEN, mapping_sha256=mapping.sha256).rows(named=True)
    first_of_content = {row["sha256"]: row["file_no"] for row in reversed(seen)}
    arrivals = []
    done, total = 0, sum(file.size for file in files)
    for file_no, file in enumerate(files, start=first_file_no):
        twin = first_of_content.setdefault(file.sha256, file_no)
        if twin == file_no:
            arrivals.append(_save_file(con, file, file_no=file_no, mapping=mapping))
        else:
            arrivals.append(_Arrival(file=file, file_no=file_no, twin=twin))
        done += file.size
        if progress is not None:
            progress(file.path.name, done, total)
    source_name = folder.resolve().name
    fates = _settle(con, arrivals, source_name=source_name, first_file_no=first_file_no)
    rows = _file_rows(arrivals, seen=seen, fates=fates)
    places = {(row["source_name"], row["file"], row["sha256"]) for row in seen}
    new = [row for row in rows if (source_name, row["file"], row["sha256"]) not in places]
    if new:
        _save_files(con, new, load_no=load_no, source_name=source_name, mapping=mapping)
    listed = [arrival.twin or arrival.file_no for arrival in arrivals]
    return IntakeSummary(
        files=pl.DataFrame(rows, schema=FILES),
        held_back=frame(con, "held_back", schema=HELD_BACK, as_of=None, file_nos=listed),
        amendments=frame(con, "amendments", schema=AMENDMENTS, as_of=None, file_nos=listed),
    )


def _save_file(con: Connection, file: SourceFile, *, file_no: int, mapping: Mapping) -> _Arrival:
    """Save the rows of one file that can be read whole, and hold back the others."""
    if file.refusal[1]:
        _hold_back(con, [(file.header_line or 1, *file.refusal)], file_no=file_no)
        rows = count_rows(file) if file.header_line else 0
        return _Arrival(file=file, file_no=file_no, rows=rows)
    if not file.table:
        return _Arrival(file=file, file_no=file_no)
    reading = {
        "file_no": file_no,
        "table_name": file.table,
        "decimal_mark": file.decimal_mark,
        "date_format": mapping.date_format,
        **_limits(file.table),
    }
    rows, staged = _stage(con, file, file_no=file_no)
    ((usable,),) = run(con, f"save_{file.table}", **reading).fetchall()
    if usable < staged:
        run(con, "save_held_cells", **reading)
        if file.table == "vessels":
            run(con, "save_held_vessels", **reading)
    if file.table == "readings" and run(con, "unnumbered", **reading).fetchall() != [(0,)]:
        run(con, "number_readings", **reading)
    return _Arrival(file=file, file_no=file_no, rows=rows, usable=usable)


def _limits(table: str) -> dict[str, dict[str, list[object]]]:
    """Return the bounds and the words of a table's columns, by column."""
    columns = TABLES[table]
    return {
        "bounds": {
            column.name: [
                Decimal(str(-UNBOUNDED if column.low is None else column.low)),
                Decimal(str(UNBOUNDED if column.high is None else column.high)),
            ]
            for column in columns
        },
        "words": {column.name: list(column.choices) for column in columns},
    }


def _stage(con: Connection, file: SourceFile, *, file_no: int) -> tuple[int, int]:
    """Make the view ``staged`` over the rows of a file; return its rows, and those staged."""
    columns = [column.name for column in TABLES[file.table]]
    if file.plain_rows is not None:
        view_plain_file(con, file.path, delimiter=file.delimiter, names=file.names, columns=columns)
        run(con, "stage_plain")
        return file.plain_rows, file.plain_rows
    staged = problems = 0
    con.register(
        "chunk", pl.DataFrame(schema={"line": pl.Int64} | dict.fromkeys(columns, pl.String))
    )
    run(con, "stage_chunks")
    for chunk in chunks(file):
        con.register("chunk", chunk.cells)
        run(con, "stage_chunk")
        staged += chunk.cells.height
        problems += len(chunk.problems)
        _hold_back(con, [(line, "", why) for line, why in chunk.problems], file_no=file_no)
    con.unregister("chunk")
    return staged + problems, staged


def _hold_back(con: Connection, refused: list[tuple[int, str, str]], *, file_no: int) -> None:
    """Hold back lines, each with a column (or none) and a reason."""
    if not refused:
        return
    con.register(
        "refused",
        pl.DataFrame(
            [(file_no, *line) for line in refused],
            schema={
                "file_no": pl.Int32,
                "line": pl.Int64,
                "column_name": pl.String,
                "reason": pl.String,
            },
            orient="row",
        ),
    )
    run(con, "save_held_lines")
    con.unregister("refused")


def _settle(
    con: Connection, arrivals: list[_Arrival], *, source_name: str, first_file_no: int
) -> dict[tuple[int, str], int]:
    """Settle what became of the rows saved; return the number of rows by file and fate.

    The fates are ``known``, ``repeat`` and ``amends``; all other rows are new.
    """
    fates: dict[tuple[int, str], int] = {}
    for table in TABLES:
        came = [arrival for arrival in arrivals if arrival.file.table == table and not arrival.twin]
        if not came:
            continue
        about = {
            "table_name": table,
            "in_force": f"{table}_in_force",
            "first_file_no": first_file_no,
            "source_name": source_name,
            "file_names": [arrival.file.path.name for arrival in came],
            "file_nos": [arrival.file_no for arrival in came],
        }
        run(con, "outcomes", **about)
        run(con, "save_superseded", **about)
        counts = run(con, "outcome_counts").fetchall()
        fates |= {(file_no, fate): rows for file_no, fate, rows in counts}
        if counts:
            run(con, "save_held_repeats")
            run(con, "save_amendments", **about)
            run(con, "save_replaced")
            run(con, "drop_known")
    return fates


def _file_rows(
    arrivals: list[_Arrival], *, seen: list[dict[str, Any]], fates: dict[tuple[int, str], int]
) -> list[dict[str, Any]]:
    """Return a row of `FILES` for each file, its number in the store and its twin's besides."""
    tallies = {row["file_no"]: (row["file"], row["rows"], row["held_back"]) for row in seen}
    rows = []
    for arrival in arrivals:
        name, no = arrival.file.path.name, arrival.file_no
        notes = [arrival.file.note] if arrival.file.note else []
        if arrival.twin is None:
            total = arrival.rows
            if arrival.file.table and total == 0:
                notes.append("has a header but no rows")
            known, repeats = fates.get((no, "known"), 0), fates.get((no, "repeat"), 0)
            taken = arrival.usable - known - repeats
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


def _save_files(
    con: Connection,
    rows: list[dict[str, Any]],
    *,
    load_no: int,
    source_name: str,
    mapping: Mapping,
) -> None:
    """Note a load and its files, and hold back of copies what was held back of their twins."""
    run(con, "save_load", load_no=load_no, source_name=source_name, loaded_at=_now())
    schema: Schema = {"file_no": pl.Int32, **FILES}
    arrivals = pl.DataFrame(rows, schema=schema).with_columns(
        load_no=load_no, mapping_sha256=pl.lit(mapping.sha256)
    )
    con.register("arrivals", arrivals)
    run(con, "save_files")
    con.unregister("arrivals")
    for row in rows:
        if row["twin"] is not None:
            run(con, "save_held_twin", file_no=row["file_no"], twin_file_no=row["twin"])


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
        hint = f"a table of readings has the columns {required}"
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
