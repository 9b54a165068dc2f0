"""This module runs the named statements of ``queries/`` in a store that is open."""

import re
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from itertools import count
from pathlib import Path
from weakref import WeakKeyDictionary

import duckdb
import polars as pl

from drift import folders
from drift.errors import StoreError
from drift.frames import Schema

Connection = duckdb.DuckDBPyConnection

# Where the store of a connection is, for what is said of it; a store in memory has no place.
PATHS: WeakKeyDictionary[Connection, str] = WeakKeyDictionary()
IN_MEMORY = "the store"
# Where a connection may keep decoded copies of files while it reads them; made when needed.
SCRATCH: WeakKeyDictionary[Connection, Path] = WeakKeyDictionary()
# What the library raises over a query that is wrong: a mistake of ours.  All else it raises over
# files, some of it under no name of its own.
_MISTAKES = (duckdb.ProgrammingError, duckdb.NotSupportedError, duckdb.InterruptException)
_CANNOT_WRITE = re.compile(
    r"no space left|disk quota|file too large|could not write|failed to write|"
    r"input/output error|read-only file system|maximum (swap|temp)",
    re.IGNORECASE,
)


def run(con: Connection, name: str, **parameters: object) -> Connection:
    """Run the query `name` with those of `parameters` that it names.

    Raises
    ------
    StoreError
        If the file of the store is damaged or cannot be written.
    """
    text, used = _query(name, parameters)
    with told(con):
        return con.execute(text, used)


def frame(con: Connection, name: str, *, schema: Schema, **parameters: object) -> pl.DataFrame:
    """Return the result of the query `name` as a frame of `schema`.

    Raises
    ------
    StoreError
        If the file of the store is damaged.
    """
    text, used = _query(name, parameters)
    with told(con):
        result: pl.DataFrame = con.sql(text, params=used).pl()
    return result.select(pl.col(column).cast(kind) for column, kind in schema.items())


def end_queries() -> None:
    """End what every open store is working at; callable from any thread."""
    for con in list(SCRATCH):
        with suppress(duckdb.Error):
            con.interrupt()


@contextmanager
def all_or_nothing(con: Connection) -> Iterator[None]:
    """Commit what is done within, or take it back where anything fails.

    Raises
    ------
    StoreError
        If the store cannot be written, such as on a full disk, or is damaged.
    """
    with told(con):
        con.begin()
        try:
            yield
            con.commit()
        except BaseException:
            # A commit that failed has ended its transaction already.
            with suppress(duckdb.Error):
                con.rollback()
            raise


@contextmanager
def copies(con: Connection) -> Iterator[Callable[[], Path]]:
    """Give out paths of new files that `con` may read; they go at the end."""
    folder, numbers = SCRATCH[con], count()

    def path() -> Path:
        folder.mkdir(mode=0o700, exist_ok=True)
        return folder / f"{next(numbers)}.csv"

    try:
        yield path
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def told(con: Connection) -> Iterator[None]:
    """Turn what a damaged store or a full disk makes the library raise into words for its user.

    Raises
    ------
    StoreError
        In its place.
    """
    try:
        yield
    except duckdb.Error as error:
        if isinstance(error, _MISTAKES):
            raise
        raise trouble(error, where=PATHS.get(con, IN_MEMORY)) from error


def trouble(error: duckdb.Error, *, where: str) -> StoreError:
    """Return what an error of the library over a store means to its user."""
    said = str(error).splitlines()[0] if str(error) else type(error).__name__
    if _CANNOT_WRITE.search(str(error)):
        return StoreError(
            what=f"cannot be written ({said}); nothing was taken",
            where=where,
            expected="room on the disk and in memory",
        )
    if isinstance(error, duckdb.OutOfMemoryException) and where == IN_MEMORY:
        return StoreError(
            what=f"does not fit in memory ({said})", where=where, expected="more free memory"
        )
    return StoreError(
        what=f"is damaged and cannot be used ({said})",
        where=where,
        expected="a whole file made by drift intake",
        hint="take a copy from before the damage, or load the folders again into a new store",
    )


def _query(name: str, parameters: dict[str, object]) -> tuple[str, dict[str, object]]:
    """Return the text of a query and those parameters that it uses."""
    text = folders.sql(name)
    code = re.sub(r"--[^\n]*", "", text)
    named = set(re.findall(r"\$(\w+)", code))
    return text, {key: value for key, value in parameters.items() if key in named}
