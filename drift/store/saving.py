"""This module moves the rows of files into the tables of a store."""

from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path

import duckdb
import polars as pl

from drift.errors import SourceError
from drift.frames import Schema
from drift.intake.columns import IN_ORDER, TABLES
from drift.intake.files import SourceFile, is_as_it_was, lines_of
from drift.store.bulk import Arriving, view_records, view_table
from drift.store.connection import Connection, copies, run
from drift.store.rules import UNBOUNDED

# So many bytes of files with one header are read in one go.
BATCH_BYTES = 1 << 24
_REFUSED: Schema = {
    "file_no": pl.Int32,
    "line": pl.Int64,
    "column_name": pl.String,
    "reason": pl.String,
}
# Columns that say of which day a row of a meter is.
_DAYS = (
    "performed_on",
    "tested_on",
    "recorded_on",
    "measured_on",
    "compared_on",
    "decided_on",
    "calibrated_on",
    "in_service_on",
)
# What holds back rows of which no single cell is wrong, and what keeps the keys of rows held back,
# by table.
_HELD_WHOLE = {
    "vessels": "save_held_vessels",
    "field_tests": "save_held_specs",
    "bowls": "save_held_bowls",
}
_HELD_KEYS = {
    "readings": "save_held_keys",
    "checks": "save_held_checks",
    "studies": "save_held_studies",
}
# Files that can be read as one: of one table, one decimal mark and the same columns.
_Key = tuple[str, str, tuple[str | None, ...]]


@dataclass(slots=True)
class _Reading:
    """A reading of files under way.

    Attributes
    ----------
    con : Connection
        A store within a transaction.
    date_format : str or None
        Declared layout of dates.
    waiting : dict of tuple to list of Arriving
        Files to be read together.
    is_first : bool
        Whether none was read yet.
    rows, rounded : Counter
        The rows of each file, and its numbers that had to be rounded.
    """

    con: Connection
    date_format: str | None
    waiting: dict[_Key, list[Arriving]] = field(default_factory=lambda: defaultdict(list))
    is_first: bool = True
    rows: Counter[int] = field(default_factory=Counter)
    rounded: Counter[int] = field(default_factory=Counter)


def save_rows(
    con: Connection,
    files: dict[int, SourceFile],
    *,
    date_format: str | None,
    told: Callable[[SourceFile], None],
) -> tuple[Counter[int], Counter[int]]:
    """Save each row that can be read whole, and hold back the others.

    Parameters
    ----------
    con : Connection
        A store within a transaction.
    files : dict of int to SourceFile
        Files by their number in the store.
    date_format : str or None
        Declared layout of dates; None for ISO.
    told : callable
        Called with each file once it was read.

    Returns
    -------
    rows : Counter
        The rows of each file.
    rounded : Counter
        How many numbers of each had more decimals than the store keeps.
    """
    reading = _Reading(con=con, date_format=date_format)
    refused = [
        (file_no, file.header_line or 1, *file.refusal)
        for file_no, file in files.items()
        if file.refusal[1]
    ]
    if refused:
        con.register("refused", pl.DataFrame(refused, schema=_REFUSED, orient="row"))
        run(con, "save_held_lines")
        con.unregister("refused")
    with copies(con) as scratch:
        for file_no, file in files.items():
            if file.header_line and (file.table or file.refusal[1]):
                _add(reading, file, file_no=file_no, scratch=scratch)
            told(file)
        for key in reading.waiting:
            _read_batch(reading, key)
    return reading.rows, reading.rounded


def _add(reading: _Reading, file: SourceFile, *, file_no: int, scratch: Callable[[], Path]) -> None:
    """Let a file wait until enough of its kind are there, then read them."""
    arriving = Arriving(file_no=file_no, file=file, lines=lines_of(file, scratch=scratch))
    if arriving.below_header <= 0:
        return
    key = file.table, file.decimal_mark, file.names
    waiting = reading.waiting[key]
    waiting.append(arriving)
    if sum(each.file.size for each in waiting) >= BATCH_BYTES:
        _read_batch(reading, key)


def _read_batch(reading: _Reading, key: _Key) -> None:
    """Read the files that are waiting under a key, each by its lines."""
    batch = reading.waiting[key]
    if not batch:
        return
    reading.waiting[key] = []
    try:
        view_records(reading.con, batch, is_first=reading.is_first)
        reading.is_first = False
        _save_records(reading, key, batch=batch)
    except duckdb.InvalidInputException as error:
        raise _has_changed(str(error).splitlines()[0], batch=batch) from error


def _save_records(reading: _Reading, key: _Key, *, batch: list[Arriving]) -> None:
    """Save the records of a batch that can be read whole, and hold back the others."""
    con, (table, decimal_mark, names) = reading.con, key
    about: dict[str, object] = {
        "table_name": table,
        "file_nos": [arriving.file_no for arriving in batch],
        "decimal_mark": decimal_mark,
        "date_format": reading.date_format,
    }
    usable = 0
    if table:
        about |= _limits(table)
        view_table(con, names=names, columns=[column.name for column in TABLES[table]])
        ((usable,),) = run(con, f"save_{table}", **about).fetchall()
        if any(arriving.may_be_rounded for arriving in batch):
            reading.rounded.update(dict(run(con, "rounded_numbers", **about).fetchall()))
    if usable == sum(arriving.below_header for arriving in batch):
        reading.rows.update({arriving.file_no: arriving.below_header for arriving in batch})
        return
    counts = run(con, "records_read").fetchall()
    lines = {file_no: lines for file_no, lines, _, _ in counts}
    if lines != {arriving.file_no: arriving.below_header for arriving in batch}:
        raise _has_changed("it has other lines", batch=batch)
    reading.rows.update({file_no: rows for file_no, _, rows, _ in counts})
    unsplit = sum(unsplit for _, _, _, unsplit in counts)
    if not table:
        return
    if unsplit:
        run(con, "save_unsplit", **about, **_fields_named(names))
    if usable < sum(rows for _, _, rows, _ in counts) - unsplit:
        _hold_back(con, table, about)


def _fields_named(names: tuple[str | None, ...]) -> dict[str, object]:
    """Return which fields of a record, from 1, name its meter and its day, if any do."""
    at = {name: field for field, name in enumerate(names, start=1)}
    return {
        "meter_field": at.get("meter_id"),
        "day_fields": [at[name] for name in _DAYS if name in at],
    }


def _hold_back(con: Connection, table: str, about: dict[str, object]) -> None:
    """Say of each staged row that was not taken why."""
    run(con, "save_held_cells", **about)
    if table in _HELD_WHOLE:
        run(con, _HELD_WHOLE[table], **about)
    for earlier, later in IN_ORDER.get(table, ()):
        run(con, "save_held_order", earlier=earlier, later=later, **about)
    if table in _HELD_KEYS:
        run(con, _HELD_KEYS[table], **about)
    if any(column.name == "meter_id" for column in TABLES[table]):
        run(con, "save_held_rows", **about)


def _has_changed(how: str, *, batch: list[Arriving]) -> SourceError:
    """Return what to say of files that are not what they were."""
    changed = [arriving for arriving in batch if not is_as_it_was(arriving.file)] or batch
    return SourceError(
        what=f"is not what it was when it was looked at ({how})",
        where=str(changed[0].file.path),
        expected="a file that stays as it is until it is loaded",
        hint="try again when no other program writes to it",
    )


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
