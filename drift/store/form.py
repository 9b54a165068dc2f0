"""This module knows the form of a store: it makes it, brings older ones to it, refuses others."""

import hashlib
import json
from contextlib import suppress

import duckdb

from drift.errors import StoreError
from drift.store.connection import Connection, all_or_nothing, run

SCHEMA_VERSION = 4
# Versions that ``queries/migrate_<version>.sql`` brings to the next.
OLDER = (2, 3)

# What `digest_of` makes of the form of a new store.  To make one and compare takes longer than all
# else that opening a store asks for, so that it is done where a store's form has another digest.
FORM_SHA256 = "e5f2eb54253a0b4b3bdbb4f647f14821c7ab5a7859512c806b14477c91450cbb"

# The statement that makes each table.
_Form = dict[str, str]


def make_form(con: Connection) -> None:
    """Make the tables of a new store."""
    run(con, "schema")


def is_older(con: Connection, form: _Form) -> bool:
    """Return whether the store that is attached has an earlier version than this program's."""
    if "store_info" not in form:
        return False
    with suppress(duckdb.Error):
        return run(con, "schema_version").fetchall() in [[(version,)] for version in OLDER]
    return False


def check_form(con: Connection, form: _Form, *, where: str, read_only: bool) -> None:
    """Make a new store's tables, or bring an older store's to the form of now, and use them.

    Nothing that the file holds is run before it is known to be ours.

    Parameters
    ----------
    con : Connection
        With the file attached as ``store``.
    form : dict of str to str
        Its tables, from `form_of`.
    where : str
        The file, for what is said of it.
    read_only : bool
        Whether the file must stay as it is.

    Raises
    ------
    StoreError
        If it is no store, has a view or another form than ours, or a version that cannot be read.
    """
    others = run(con, "others_made").fetchall()
    if not form and not others and not read_only:
        run(con, "use_store")
        with all_or_nothing(con):
            make_form(con)
        return
    version = _version(con, form, where=where)
    is_whole = version == SCHEMA_VERSION and digest_of(form) == FORM_SHA256
    ours = form if is_whole else _form_of_new(con)
    for kind, name in others:
        if version == SCHEMA_VERSION or kind != "view":
            raise _not_ours(f"holds the {kind} {name}", where=where)
    if version == SCHEMA_VERSION:
        _compare(form, ours, where=where)
    run(con, "use_store")
    if version == SCHEMA_VERSION:
        return
    with all_or_nothing(con):
        for earlier in range(version, SCHEMA_VERSION):
            try:
                run(con, f"migrate_{earlier}")
            except duckdb.ProgrammingError as error:
                # A store of ours has what the statements name.
                raise _not_ours("holds tables of a form that no store has", where=where) from error
        _compare(form_of(con, "store"), ours, where=where)
        for kind, name in run(con, "others_made").fetchall():
            raise _not_ours(f"holds the {kind} {name}", where=where)


def _version(con: Connection, form: _Form, *, where: str) -> int:
    """Return the version of a store, or raise where this program cannot read it."""
    rows: list[tuple[int]] = []
    if "store_info" in form:
        with suppress(duckdb.ProgrammingError):
            rows = run(con, "schema_version").fetchall()
    if len(rows) != 1 or not isinstance(rows[0][0], int):
        raise StoreError(
            what="is a database but not a store",
            where=where,
            expected=f"a store of version {SCHEMA_VERSION} made by drift intake",
        )
    version = rows[0][0]
    if version != SCHEMA_VERSION and version not in OLDER:
        newer = version > SCHEMA_VERSION
        raise StoreError(
            what=f"has version {version}",
            where=where,
            expected=f"a store of version {SCHEMA_VERSION} made by drift intake",
            hint="it was made by a newer drift: use that one"
            if newer
            else "load the folders again into a new store",
        )
    return version


def form_of(con: Connection, database: str) -> _Form:
    """Return the tables of a database, each by the statement that makes it."""
    return dict(run(con, "tables_made", database_name=database).fetchall())


def digest_of(form: _Form) -> str:
    """Return the digest of a form, by which it is told from any other."""
    return hashlib.sha256(json.dumps(form, sort_keys=True).encode()).hexdigest()


def _form_of_new(con: Connection) -> _Form:
    """Return the form of a new store."""
    run(con, "start_reference")
    try:
        make_form(con)
        return form_of(con, "reference")
    finally:
        run(con, "end_reference")


def _compare(form: _Form, ours: _Form, *, where: str) -> None:
    """Raise if a store has other tables than a new one."""
    if lacking := ours.keys() - form.keys():
        raise _not_ours(f"lacks the table {min(lacking)}", where=where)
    others = [name for name, made in form.items() if ours.get(name) != made]
    if others:
        raise _not_ours(f"holds the table {min(others)}, of a form that no store has", where=where)


def _not_ours(what: str, *, where: str) -> StoreError:
    """Return what to say of a database that was made or changed by something else."""
    return StoreError(
        what=f"{what}; nothing in it is read",
        where=where,
        expected="a store made by drift intake",
        hint="load the folders again into a new store, or take a copy from before it was changed",
    )
