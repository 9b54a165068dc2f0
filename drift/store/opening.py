"""This module opens a store: only its own files are reached, and only its own form is accepted."""

import re
import shutil
import tempfile
import time
import uuid
import weakref
from collections.abc import Sequence
from pathlib import Path

import duckdb

from drift import folders
from drift.errors import StoreError
from drift.ids import nearest_file
from drift.places import bytes_on_disk, check_place
from drift.store.bulk import literal
from drift.store.connection import PATHS, SCRATCH, Connection, run, trouble
from drift.store.form import check_form, form_of, is_older, make_form
from drift.store.rules import rules

LOCK_PATIENCE_S = 8.0
# Of so many bytes to share work out among threads takes longer than the work.
_WORTH_THREADS = 1 << 22
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
# What the library writes beside a store.
_BESIDE = ("", ".wal", ".wal.checkpoint", ".wal.recovery")
_EXPECTED = "a store file made by drift intake"


def open_store(
    path: Path | None,
    *,
    read_only: bool = False,
    folder: Path | None = None,
    scratch: Path | None = None,
    memory_mib: int | None = None,
) -> Connection:
    """Open a store, made anew where there is none; close it with ``.close()`` or ``with``.

    Parameters
    ----------
    path : Path or None
        The store file; None for a store in memory.
    read_only : bool
        Whether to leave the file as it is; it must exist then.  One of an older version is read
        from a copy.
    folder : Path or None
        The only folder whose large files may be loaded into a store file; of a store in memory the
        folder that will be.
    scratch : Path or None
        A folder of this process's own, whose files may be loaded besides.
    memory_mib : int or None
        What the library may hold in memory, MiB; what is more goes where temporary files go.  None
        for most of the machine's.

    Raises
    ------
    StoreError
        If the file is missing, damaged, in use by another process, not a store, or of a version
        that this program cannot read.
    """
    if path is None:
        return _in_memory(folder)
    _check_path(path, read_only=read_only)
    folders = [place for place in (folder, scratch) if place is not None]
    con = _opened(path, read_only=read_only, folders=folders, memory_mib=memory_mib)
    return _ready(con, path, read_only=read_only)


def is_of_this_version(path: Path) -> bool:
    """Say whether a store has the form of now, so that opening it changes nothing."""
    con = _opened(path, read_only=True, folders=())
    try:
        return not is_older(con, form_of(con, "store"))
    finally:
        con.close()


def _in_memory(folder: Path | None) -> Connection:
    """Return a store in memory, in which nothing of anybody else's can be."""
    con = _connected([] if folder is None else [folder])
    run(con, "attach", place=":memory:")
    run(con, "use_store")
    make_form(con)
    _equip(con, to_load=True)
    return con


def _opened(
    path: Path, *, read_only: bool, folders: Sequence[Path], memory_mib: int | None = None
) -> Connection:
    """Open a file that nothing is known of yet, with all ways to other files closed."""
    place = str(path.absolute())
    con = _connected([path, *folders], memory_mib)
    try:
        run(con, "shut_in", places=[place + ending for ending in _BESIDE])
        if folders:
            # Permission is asked for a path as it is spelled to the library.
            places = [*folders, SCRATCH[con]]
            spelled = [text for place in places for text in (str(place.absolute()), literal(place))]
            run(con, "shut_in_folder", folders=spelled)
        run(con, "shut")
        _attach(con, place, read_only=read_only, where=str(path))
    except BaseException:
        con.close()
        raise
    PATHS[con] = str(path)
    return con


def _connected(sources: Sequence[Path], memory_mib: int | None = None) -> Connection:
    """Return a connection to nothing yet, with one thread where what will be read is small."""
    config = _CONFIG | {"temp_directory": _spill()}
    if sources and sum(map(bytes_on_disk, sources)) < _WORTH_THREADS:
        config["threads"] = 1
    if memory_mib is not None:
        config["memory_limit"] = f"{memory_mib}MiB"
    con = duckdb.connect(":memory:", config=config)
    SCRATCH[con] = Path(tempfile.gettempdir()) / f"drift-{uuid.uuid4().hex}"
    return con


def _ready(con: Connection, path: Path, *, read_only: bool) -> Connection:
    """Return a store that is open, or a copy of it, once its form has been found to be right.

    Whether it is new is asked only now that the file is held: while this process waited for it,
    another may have made the store.
    """
    try:
        form = form_of(con, "store")
        if read_only and is_older(con, form):
            con.close()
            return _renewed_copy(path)
        check_form(con, form, where=str(path), read_only=read_only)
        _equip(con, to_load=not read_only)
    except duckdb.Error as error:
        con.close()
        raise trouble(error, where=str(path)) from error
    except BaseException:
        con.close()
        raise
    return con


def _renewed_copy(path: Path) -> Connection:
    """Return a copy of an older store, brought to the form of now; it goes when it is closed."""
    made = Path(tempfile.mkdtemp(prefix="drift-"))
    try:
        for ending in _BESIDE:
            beside = path.with_name(path.name + ending)
            if beside.is_file():
                shutil.copyfile(beside, made / ("store" + ending))
        con = _ready(_opened(made / "store", read_only=False, folders=()), path, read_only=False)
    except OSError as error:
        shutil.rmtree(made, ignore_errors=True)
        raise StoreError(
            what=f"is of an older version and cannot be copied to be read ({error.strerror})",
            where=str(path),
            expected="room for a copy where temporary files go",
        ) from error
    except BaseException:
        shutil.rmtree(made, ignore_errors=True)
        raise
    PATHS[con] = str(path)
    weakref.finalize(con, shutil.rmtree, made, ignore_errors=True)
    return con


def _equip(con: Connection, *, to_load: bool) -> None:
    """Give a store the views that queries use, and the macros and rules by which files are read."""
    run(con, "views")
    if to_load:
        run(con, "macros")
        run(con, "cell_macros")
        con.register("rules", rules())


def _check_path(path: Path, *, read_only: bool) -> None:
    """Raise if there can be no store at `path`."""
    check_place(path, raised=StoreError, expected=_EXPECTED)
    if path.is_dir():
        raise StoreError(what="is a folder", where=str(path), expected="a store file")
    if read_only and not path.exists():
        raise StoreError(
            what="does not exist",
            where=str(path),
            expected="a store file",
            hint=nearest_file(path) or "drift intake FOLDER --store FILE makes one",
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
    """Return whether a file is empty or begins as a database.

    The library opens a CSV or Parquet file as a view in a database in memory: what is loaded is
    lost.
    """
    try:
        with path.open("rb") as file:
            head = file.read(_MAGIC_AT + len(_MAGIC))
    except OSError:
        return True  # said better where it is opened
    return head[_MAGIC_AT:] == _MAGIC or not head


def _attach(con: Connection, place: str, *, read_only: bool, where: str) -> None:
    """Open the file, waiting a few seconds for another process to be done with it."""
    give_up_at = time.monotonic() + LOCK_PATIENCE_S
    pause = 0.05
    text = folders.sql("attach_read_only" if read_only else "attach")
    while True:
        try:
            con.execute(text, {"place": place})
        except duckdb.Error as error:
            if not _is_lock(error) or time.monotonic() > give_up_at:
                raise _open_error(error, where=where) from error
        else:
            return
        time.sleep(pause)
        pause *= 2


def _is_lock(error: duckdb.Error) -> bool:
    """Return whether another process has a file open; a damaged one may have a bad block, too."""
    return "Could not set lock on file" in str(error)


def _open_error(error: duckdb.Error, *, where: str) -> StoreError:
    """Return what a failure to open a store means to its user."""
    text = str(error)
    if _is_lock(error):
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
    if isinstance(error, duckdb.ResourceInUseException) or "Permission denied" in text:
        return StoreError(
            what=f"cannot be opened ({text.splitlines()[0]})",
            where=where,
            expected="a readable file made by drift intake, open once",
        )
    return trouble(error, where=where)


def _spill() -> str:
    """Return where the library may put what does not fit in memory."""
    return str(Path(tempfile.gettempdir()) / "drift-spill")
