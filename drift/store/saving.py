"""This module moves the rows of files into the tables of a store; what they mean comes later."""

from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal

import duckdb
import polars as pl

from drift.errors import SourceError
from drift.frames import Schema
from drift.intake.columns import TABLES
from drift.intake.files import SourceFile, chunks, count_rows
from drift.store.bulk import view_plain_file
from drift.store.connection import Connection, run
from drift.store.rules import UNBOUNDED

# So many rows of small files are checked in one go.
BATCH_ROWS = 200_000
_REFUSED: Schema = {
    "file_no": pl.Int32,
    "line": pl.Int64,
    "column_name": pl.String,
    "reason": pl.String,
    "table_name": pl.String,
    "meter_id": pl.String,
    "dated": pl.String,
}


@dataclass(frozen=True, slots=True)
class _Waiting:
    """Rows read and not yet saved: frames by table and decimal mark, and lines held back.

    Besides, the files with long numbers, and how many numbers of each had to be rounded.
    """

    frames: dict[tuple[str, str], list[pl.DataFrame]] = field(
        default_factory=lambda: defaultdict(list)
    )
    refused: list[tuple[int, int, str, str, str, str | None, str | None]] = field(
        default_factory=list
    )
    long_numbers: set[int] = field(default_factory=set)
    rounded: Counter[int] = field(default_factory=Counter)


def save_rows(
    con: Connection,
    files: dict[int, SourceFile],
    *,
    date_format: str | None,
    told: Callable[[SourceFile], None],
) -> tuple[dict[int, int], Counter[int]]:
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
    rows : dict of int to int
        The rows of each file.
    rounded : Counter
        How many numbers of each had more decimals than the store keeps.
    """
    waiting = _Waiting()
    rows = {}
    for file_no, file in files.items():
        if file.refusal[1]:
            head = (file_no, file.header_line or 1, *file.refusal)
            waiting.refused.append((*head, file.table, None, None))
            rows[file_no] = count_rows(file) if file.header_line else 0
        elif not file.table:
            rows[file_no] = 0
        elif file.plain is not None:
            rows[file_no] = file.plain.rows
            waiting.rounded.update(_save_plain(con, file, file_no=file_no, layout=date_format))
        else:
            rows[file_no] = 0
            for chunk in chunks(file):
                numbered = chunk.cells.select(pl.lit(file_no, pl.Int32).alias("file_no"), pl.all())
                waiting.frames[file.table, file.decimal_mark].append(numbered)
                waiting.refused.extend(
                    (file_no, line, "", why, file.table, *chunk.named.get(line, (None, None)))
                    for line, why in chunk.problems
                )
                waiting.long_numbers.update({file_no} if chunk.long_numbers else ())
                rows[file_no] += chunk.cells.height + len(chunk.problems)
                _save_waiting(con, waiting, least=BATCH_ROWS, layout=date_format)
        told(file)
    _save_waiting(con, waiting, least=1, layout=date_format)
    return rows, waiting.rounded


def _rounded(con: Connection, key: tuple[str, str]) -> dict[int, int]:
    """Return how many numbers of the files in ``staged`` have more decimals than are kept."""
    table, decimal_mark = key
    counted = run(con, "rounded_numbers", table_name=table, decimal_mark=decimal_mark).fetchall()
    return dict(counted)


def _save_waiting(con: Connection, waiting: _Waiting, *, least: int, layout: str | None) -> None:
    """Save what is waiting where there are `least` rows of it."""
    if len(waiting.refused) >= least:
        con.register("refused", pl.DataFrame(waiting.refused, schema=_REFUSED, orient="row"))
        run(con, "save_held_lines", date_format=layout)
        con.unregister("refused")
        waiting.refused.clear()
    for key, frames in waiting.frames.items():
        if sum(frame.height for frame in frames) < least:
            continue
        staged = pl.concat(frames)
        frames.clear()
        con.register("rows_read", staged)
        run(con, "stage_batch")
        file_nos = staged["file_no"].unique().to_list()
        _save_staged(con, key, file_nos=file_nos, rows=staged.height, layout=layout)
        if not waiting.long_numbers.isdisjoint(file_nos):
            waiting.rounded.update(_rounded(con, key))


def _save_plain(
    con: Connection, file: SourceFile, *, file_no: int, layout: str | None
) -> dict[int, int]:
    """Save a file that is read in bulk; return how many of its numbers had to be rounded."""
    if file.plain is None:
        return {}
    key = file.table, file.decimal_mark
    try:
        _stage_plain(con, file, file_no=file_no)
        _save_staged(con, key, file_nos=[file_no], rows=file.plain.rows, layout=layout)
        return _rounded(con, key) if file.plain.long_numbers else {}
    except duckdb.InvalidInputException as error:
        raise SourceError(
            what=f"is not what it was when it was looked at ({str(error).splitlines()[0]})",
            where=str(file.path),
            expected="a file that stays as it is until it is loaded",
            hint="try again when no other program writes to it",
        ) from error


def _stage_plain(con: Connection, file: SourceFile, *, file_no: int) -> None:
    """Make the view ``staged`` over a file that DuckDB can read in bulk."""
    columns = [column.name for column in TABLES[file.table]]
    view_plain_file(
        con,
        file.path,
        file_no=file_no,
        delimiter=file.delimiter,
        names=file.names,
        columns=columns,
    )
    run(con, "stage_plain")


def _save_staged(
    con: Connection,
    key: tuple[str, str],
    *,
    file_nos: list[int],
    rows: int,
    layout: str | None,
) -> None:
    """Save what is in ``staged``, `rows` of one table and decimal mark."""
    table, decimal_mark = key
    reading = {
        "table_name": table,
        "file_nos": file_nos,
        "decimal_mark": decimal_mark,
        "date_format": layout,
        **_limits(table),
    }
    ((usable,),) = run(con, f"save_{table}", **reading).fetchall()
    if usable == rows:
        return
    run(con, "save_held_cells", **reading)
    if table == "vessels":
        run(con, "save_held_vessels", **reading)
    if table == "field_tests":
        run(con, "save_held_specs", **reading)
    if table == "readings":
        run(con, "save_held_keys", **reading)
    if any(column.name == "meter_id" for column in TABLES[table]):
        run(con, "save_held_rows", **reading)


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
