"""This module reads what a source holds, and loads a source into a store file."""

import dataclasses
import tempfile
from datetime import date
from pathlib import Path

import polars as pl

from drift.api.own_records import as_folder, is_own
from drift.errors import SourceError
from drift.places import check_source
from drift.review.policy import Policy
from drift.store.connection import Connection, all_or_nothing, run
from drift.store.folder_journal import read_kept
from drift.store.journal import Draft, Signed, signed_now
from drift.store.loading import IntakeSummary, take_within
from drift.store.opening import open_store
from drift.store.reading import read_sources
from drift.store.replaying import carry_kept, load_tables
from drift.store.tables import Sources, without_refused


def intake(source: Path, *, store: Path, signed: Signed | None = None) -> IntakeSummary:
    """Load a folder or own records into a store file, all or nothing; a new file stays if it loads.

    Parameters
    ----------
    source : Path
        Folder of CSV files, workbook or folder with a layout file.
    store : Path
        Store file; made where it does not exist.
    signed : Signed or None
        Who loads it, for the journal, the computer's account where None; with a reason, values on
        record may be amended.

    Raises
    ------
    UnsignedAmendmentsError
        If it amends values and no reason is given.
    DriftError
        If the folder or the store cannot be used.
    """
    with as_folder(source) as folder:
        return _take(folder, store, signed=signed or signed_now(None, ""))


def _take(folder: Path, store: Path, *, signed: Signed) -> IntakeSummary:
    """Load a folder of tables into a store file, with what was amended in it since."""
    is_new = not store.exists()
    with tempfile.TemporaryDirectory(prefix="drift-") as made:
        scratch = Path(made)
        con = open_store(store, folder=folder, scratch=scratch)
        try:
            with all_or_nothing(con):
                summary = take_within(con, folder, draft=Draft(signed=signed, kind="load"))
                if (kept := read_kept(folder)).lines:
                    name = folder.resolve().name
                    carried, unfit = carry_kept(
                        con, kept, source_name=name, signed=signed, scratch=scratch
                    )
                    held_back = pl.concat([summary.held_back, unfit])
                    summary = dataclasses.replace(summary, carried=carried, held_back=held_back)
        except BaseException:
            con.close()
            if is_new:
                store.unlink(missing_ok=True)
            raise
        con.close()
    return summary


def read_known(
    source: Path, *, as_of: date, policy: Policy, known_on: date | None = None
) -> Sources:
    """Read what was known on `as_of` from a folder or a store file.

    With `known_on` only what was on record at the end of that day, which a store alone can tell.
    """
    check_source(source)
    if source.is_dir() or is_own(source):
        if known_on is not None:
            raise SourceError(
                what="does not say when its rows were entered",
                where=str(source),
                expected="a store, which does, for what was on record on a day",
                hint="drift intake FOLDER --store FILE makes one",
            )
        with as_folder(source) as folder:
            return read_folder(folder, as_of=as_of, policy=policy)
    con = open_store(source, read_only=True)
    try:
        if known_on is not None:
            run(con, "see_until", day=known_on)
        return sources_of(con, as_of=as_of, policy=policy)
    finally:
        con.close()


def read_folder(folder: Path, *, as_of: date | None, policy: Policy) -> Sources:
    """Read what was known on `as_of`, or all where None, from a folder of CSV files."""
    con = open_store(None, folder=folder)
    try:
        load_tables(con, folder)
        return sources_of(con, as_of=as_of, policy=policy)
    finally:
        con.close()


def sources_of(con: Connection, *, as_of: date | None, policy: Policy) -> Sources:
    """Return what an open store holds, by the policy's points."""
    sources = read_sources(
        con,
        as_of=as_of,
        points_pct=policy.points_pct,
        point_window_pct=policy.point_window_pct,
    )
    return without_refused(sources)
