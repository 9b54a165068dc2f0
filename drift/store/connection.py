"""This module opens a store and runs ``queries/<name>.sql`` in it; it judges no input."""

import re
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import duckdb
import polars as pl

from drift import folders
from drift.columns import KNOWN_FROM, TABLES, Column
from drift.errors import StoreError
from drift.frames import Schema

Connection = duckdb.DuckDBPyConnection

SCHEMA_VERSION = 3
LOCK_PATIENCE_S = 3.0
# Stands for "no bound"; the largest whole number that a cell of the store can hold.
UNBOUNDED = 999_999_999.0
# A DuckDB file begins with a checksum of eight bytes, then these.
_MAGIC_AT, _MAGIC = 8, b"DUCK"
# No extension is fetched or loaded, no Python variable is taken for a table, and the file can be
# read by DuckDB 1.4 too.
_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "allow_community_extensions": "false",
    "python_enable_replacements": "false",
    "storage_compatibility_version": "v1.4.0",
}


def open_store(path: Path | None, *, read_only: bool = False) -> Connection:
    """Open a store, made anew where there is none; close it with ``.close()`` or ``with``.

    Parameters
    ----------
    path : Path or None
        The store file; None for a store in memory.
    read_only : bool
        Whether to leave the file as it is; it must exist then.

    Raises
    ------
    StoreError
        If the file is missing, in use by another process, or not a store of this version.
    """
    if path is not None:
        _check_path(path, read_only=read_only)
    con = _connect(path, read_only=read_only)
    try:
        _check_schema(con, where=str(path), read_only=read_only)
        run(con, "macros")
        con.register("rules", _rules())
    except BaseException:
        con.close()
        raise
    return con


def run(con: Connection, name: str, **parameters: object) -> Connection:
    """Run ``queries/<name>.sql`` with those of `parameters` that it names."""
    text, used = _query(name, parameters)
    return con.execute(text, used)


def frame(con: Connection, name: str, *, schema: Schema, **parameters: object) -> pl.DataFrame:
    """Return the result of ``queries/<name>.sql`` as a frame of `schema`."""
    text, used = _query(name, parameters)
    result: pl.DataFrame = con.sql(text, params=used).pl()
    return result.select(pl.col(column).cast(kind) for column, kind in schema.items())


@contextmanager
def all_or_nothing(con: Connection) -> Iterator[None]:
    """Commit what is done within, or take it back where anything fails.

    Raises
    ------
    StoreError
        If the store cannot be written, such as on a full disk.
    """
    con.begin()
    try:
        yield
        con.commit()
    except BaseException as error:
        # A commit that failed has ended its transaction already.
        with suppress(duckdb.Error):
            con.rollback()
        if isinstance(error, duckdb.IOException | duckdb.OutOfMemoryException):
            raise StoreError(
                what=f"cannot be written ({str(error).splitlines()[0]}); nothing was taken",
                where="the store",
                expected="room on the disk and in memory",
            ) from error
        raise


def view_plain_file(
    con: Connection,
    path: Path,
    *,
    file_no: int,
    delimiter: str,
    names: tuple[str | None, ...],
    columns: list[str],
) -> None:
    """Make the view ``plain_cells`` over a CSV file that needs no cleaning.

    Parameters
    ----------
    con : Connection
        An open store; the view is temporary.
    path : Path
        The file.
    file_no : int
        Its number, a column of the view.
    delimiter : str
        Between its cells.
    names : tuple of (str or None)
        Column that each of its fields holds, in their order; None for one that is ignored.
    columns : list of str
        Further columns of the view, all text; null throughout where the file has no such field.
    """
    fields = [name or f"ignored {position}" for position, name in enumerate(names)]
    cells = con.read_csv(
        str(path),
        header=True,
        auto_detect=False,
        columns=dict.fromkeys(fields, "VARCHAR"),
        sep=delimiter,
        quotechar='"',
        escapechar='"',
    )
    nothing = duckdb.ConstantExpression(None).cast(duckdb.sqltypes.VARCHAR)
    chosen = [
        duckdb.ColumnExpression(column) if column in names else nothing.alias(column)
        for column in columns
    ]
    number = duckdb.ConstantExpression(file_no).cast(duckdb.sqltypes.INTEGER).alias("file_no")
    cells.select(number, *chosen).create_view("plain_cells", replace=True)


def _query(name: str, parameters: dict[str, object]) -> tuple[str, dict[str, object]]:
    """Return the text of a query and those parameters that it uses."""
    text = folders.sql(name)
    code = re.sub(r"--[^\n]*", "", text)
    named = set(re.findall(r"\$(\w+)", code))
    return text, {key: value for key, value in parameters.items() if key in named}


def _check_path(path: Path, *, read_only: bool) -> None:
    """Raise if there can be no store at `path`."""
    if path.is_dir():
        raise StoreError(what="is a folder", where=str(path), expected="a store file")
    if read_only and not path.exists():
        raise StoreError(
            what="does not exist",
            where=str(path),
            expected="a store file",
            hint="drift intake FOLDER --store FILE makes one",
        )
    if path.is_file() and not _begins_as_store(path):
        is_csv = path.suffix.lower() == ".csv"
        raise StoreError(
            what="is not a store",
            where=str(path),
            expected="a file made by drift intake",
            hint=f"a source is the folder that holds it: {path.parent}" if is_csv else "",
        )
    if not path.parent.is_dir():
        raise StoreError(
            what="cannot be made: its folder does not exist",
            where=str(path),
            expected="a file in an existing folder",
        )


def _begins_as_store(path: Path) -> bool:
    """Return whether a file is empty or begins as a database, which the library does not refuse.

    It opens a CSV or Parquet file as a view in a database in memory: what is loaded is lost.
    """
    try:
        with path.open("rb") as file:
            head = file.read(_MAGIC_AT + len(_MAGIC))
    except OSError:
        return True  # said better where it is opened
    return head[_MAGIC_AT:] == _MAGIC or not head


def _connect(path: Path | None, *, read_only: bool) -> Connection:
    """Connect, waiting a few seconds for another process to be done with the file."""
    spill = Path(tempfile.gettempdir()) / "drift-spill"
    config: dict[str, str | bool | int | float | list[str]] = _CONFIG | (
        {} if path is not None else {"temp_directory": str(spill)}
    )
    give_up_at = time.monotonic() + LOCK_PATIENCE_S
    pause = 0.05
    while True:
        try:
            # A whole path: some names, such as :memory:, mean no file to the library.
            place = str(path.absolute()) if path is not None else ":memory:"
            return duckdb.connect(place, read_only=read_only, config=config)
        except duckdb.Error as error:
            text = str(error)
            if "lock" not in text or time.monotonic() > give_up_at:
                raise _open_error(text, where=str(path)) from error
        time.sleep(pause)
        pause *= 2


def _open_error(text: str, *, where: str) -> StoreError:
    """Return what a failure to open a store means to its user."""
    if "lock" in text:
        holder = re.search(r"PID (\d+)", text)
        by = f" by process {holder.group(1)}" if holder else ""
        return StoreError(
            what=f"is in use{by}",
            where=where,
            expected="a store that no other program has open",
            hint="wait until the other run is done, then try again",
        )
    if "not a valid DuckDB database" in text:
        return StoreError(
            what="is not a store", where=where, expected="a file made by drift intake"
        )
    return StoreError(
        what=f"cannot be opened ({text.splitlines()[0]})",
        where=where,
        expected="a readable file made by drift intake",
    )


def _check_schema(con: Connection, *, where: str, read_only: bool) -> None:
    """Make the tables of a new store; raise if a file holds something else."""
    held = {name for (name,) in run(con, "tables_held").fetchall()}
    if not held and not read_only:
        run(con, "schema")
        return
    version = run(con, "schema_version").fetchall() if "store_info" in held else []
    if version == [(SCHEMA_VERSION,)]:
        return
    raise StoreError(
        what=f"has version {version[0][0]}" if version else "is a database but not a store",
        where=where,
        expected=f"a store of version {SCHEMA_VERSION} made by drift intake",
        hint="load the folders again into a new store" if version else "",
    )


def _rules() -> pl.DataFrame:
    """Return what `drift.columns` says of each column, in the form that queries join."""
    return pl.DataFrame(
        [
            {
                "table_name": table,
                "column_name": column.name,
                "kind": column.kind,
                "required": column.required,
                "words": list(column.choices),
                "low": -UNBOUNDED if column.low is None else column.low,
                "high": UNBOUNDED if column.high is None else column.high,
                "out_of_bounds": _out_of_bounds(column),
                "known_from": KNOWN_FROM.get(table) == column.name,
            }
            for table, columns in TABLES.items()
            for column in columns
        ],
        schema_overrides={"words": pl.List(pl.String), "low": pl.Float64, "high": pl.Float64},
    )


def _out_of_bounds(column: Column) -> str:
    """Return how a value outside the bounds of a column is spoken of, after the value."""
    unit = f" {column.unit}" if column.unit else ""
    low = f"{column.low:g}" if column.low is not None else ""
    high = f"{column.high:g}" if column.high is not None else ""
    if low and high:
        return f" is outside {low} to {high}{unit}"
    if low:
        return f" is below {low}{unit}"
    return f" is above {high}{unit}" if high else " is larger than any value that can be meant"
