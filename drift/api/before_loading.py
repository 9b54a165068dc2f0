"""This module looks at what is to be loaded into a store, and at what was just loaded."""

import dataclasses
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from drift.api.bench_visits import half_done_in
from drift.api.own_records import as_folder
from drift.api.sources import read_folder, read_known
from drift.intake.files import inspect_file, source_paths
from drift.intake.mapping import read_mapping
from drift.review.policy import Policy
from drift.store.connection import run
from drift.store.opening import open_store
from drift.store.reading import read_sessions

if TYPE_CHECKING:
    from drift.api.bench import Checked

# Bytes of tables, some 2,000 visits; more is a history, which nobody read at the bench today, and
# to weigh each of its visits would take many minutes.
_LARGEST_ROUND = 2**20


def check_before_intake(source: Path, store: Path, *, policy: Policy) -> "Checked | None":
    """Check what a source adds to a store, before it is loaded.

    Parameters
    ----------
    source : Path
        What is to be loaded.
    store : Path
        The store file that it goes into.
    policy : Policy
        The laboratory's choices.

    Returns
    -------
    Checked or None
        Of visits that are later than all of their meter in the store, or of meters that it does not
        know; None where there are none, nothing to compare them with, or a whole history comes in.

    Raises
    ------
    DriftError
        If the source or the store cannot be used.
    """
    if not store.is_file():
        return None
    with as_folder(source) as folder:
        if not _holds_readings(folder):
            return None
        new = read_folder(folder, as_of=None, policy=policy)
    history = read_known(store, as_of=date.max, policy=policy)
    last = history.sessions.group_by("meter_id").agg(last_on=pl.col("performed_on").max())
    later = (
        new.sessions.join(last, on="meter_id", how="left", maintain_order="left")
        .filter(pl.col("last_on").is_null() | (pl.col("performed_on") > pl.col("last_on")))
        .drop("last_on")
    )
    if later.is_empty() or history.sessions.is_empty():
        return None
    held = new.held_back.clear()
    fresh = dataclasses.replace(new, sessions=later, held_back=held)
    half_done = half_done_in(source)
    # Loaded where there is something to compare: most loads bring a history, or no reading.
    from drift.api.bench import checked_against  # noqa: PLC0415

    return checked_against(history, [fresh], half_done, source=store, as_of=date.max, policy=policy)


def _holds_readings(folder: Path) -> bool:
    """Say whether a folder holds a table of readings that may be those of a round."""
    mapping = read_mapping(folder)
    files = [inspect_file(path, mapping=mapping) for path in source_paths(folder)]
    size = sum(file.size for file in files)
    return size <= _LARGEST_ROUND and any(file.table == "readings" for file in files)


def doubted_in(store: Path) -> list[str]:
    """Say which readings of the last load look written down at another point of their visit.

    A load takes as long whatever the store holds already: earlier visits were told of when they
    came.

    Raises
    ------
    DriftError
        If the store cannot be used.
    """
    policy = Policy()
    with open_store(store, read_only=True) as con:
        run(con, "see_last_load")
        sessions = read_sessions(
            con,
            as_of=None,
            points_pct=policy.points_pct,
            point_window_pct=policy.point_window_pct,
        )
    if sessions.is_empty():
        return []
    # Most loads hold no such visit, and do without what judges one.
    from drift.review.bench_verdicts import told_swaps  # noqa: PLC0415

    return told_swaps(sessions)
