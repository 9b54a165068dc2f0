"""This module serves the bench from a source: checks of fresh readings, before they are loaded."""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from drift.api.bench_visits import half_done_in
from drift.api.fresh_files import check_fresh, read_fresh
from drift.api.own_records import as_folder
from drift.api.reviews import read_folder, read_known
from drift.intake.files import inspect_file, source_paths
from drift.intake.mapping import read_mapping
from drift.review.analyse import ledger_of
from drift.review.bench_advice import bench_advice, bench_dials
from drift.review.bench_verdicts import told_swaps, visit_verdicts
from drift.review.forecasts import next_visits
from drift.review.policy import Policy
from drift.review.visit_check import check_readings, history_of
from drift.store.connection import run
from drift.store.opening import open_store
from drift.store.reading import read_sessions
from drift.store.tables import Sources

# Bytes of tables; more is a history, which nobody read at the bench today.
_LARGEST_ROUND = 20 * 2**20


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check of fresh readings found.

    Attributes
    ----------
    rows : pl.DataFrame
        Frame of `drift.review.visit_check.CHECKED`.
    verdicts : list of dict
        What they ask for, from `drift.review.bench_verdicts.visit_verdicts`.
    advice : list of dict
        What the pattern of each confirmed failure points to, from
        `drift.review.bench_advice.bench_advice`.
    held_back : pl.DataFrame
        Frame of `drift.store.tables.HELD_BACK`: rows of the fresh files that could not be used.
    half_done : tuple of str
        What of the visits is half done, in sentences.
    """

    rows: pl.DataFrame
    verdicts: list[dict[str, Any]]
    advice: list[dict[str, Any]]
    held_back: pl.DataFrame
    half_done: tuple[str, ...] = ()


def check(source: Path, fresh: Path | Sequence[Path], *, as_of: date, policy: Policy) -> Checked:
    """Compare fresh readings with what the history in a source lets expect.

    Parameters
    ----------
    source : Path
        Folder or store file; it is not changed.
    fresh : Path or sequence of Path
        CSV files of the table ``readings``, outside the folder; the ``mapping.toml`` beside one
        holds, else that of the folder.  Or visits saved by the page of the bench, rounds'
        workbooks, own records with a layout, and folders of any of these.
    as_of : date
        History later than this is not seen.
    policy : Policy
        The laboratory's choices.

    Raises
    ------
    DriftError
        If the source or a file cannot be used, or a file is part of the source.
    """
    paths = [fresh] if isinstance(fresh, Path) else list(fresh)
    for path in paths:
        check_fresh(path, source)
    history = read_known(source, as_of=as_of, policy=policy)
    new = read_fresh(paths, source=source, policy=policy)
    half_done = tuple(told for path in paths for told in half_done_in(path))
    return _checked(history, new, half_done, source=source, as_of=as_of, policy=policy)


def check_before_intake(source: Path, store: Path, *, policy: Policy) -> Checked | None:
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
    return _checked(history, [fresh], half_done, source=store, as_of=date.max, policy=policy)


def _holds_readings(folder: Path) -> bool:
    """Say whether a folder holds a table of readings that may be those of a round."""
    mapping = read_mapping(folder)
    files = [inspect_file(path, mapping=mapping) for path in source_paths(folder)]
    size = sum(file.size for file in files)
    return size <= _LARGEST_ROUND and any(file.table == "readings" for file in files)


def _checked(
    history: Sources,
    new: list[Sources],
    half_done: tuple[str, ...],
    *,
    source: Path,
    as_of: date,
    policy: Policy,
) -> Checked:
    """Compare fresh readings with a history."""
    name = source.resolve().name
    ledger = ledger_of(history, source_name=name, as_of=as_of, policy=policy)
    sessions = pl.concat([one.sessions for one in new])
    past = history_of(ledger, history.meters, next_visits(ledger, history, policy))
    rows = check_readings(sessions, past, policy)
    return Checked(
        rows=rows,
        verdicts=visit_verdicts(rows),
        advice=bench_advice(rows, sessions, bench_dials(ledger, history)),
        held_back=pl.concat([one.held_back for one in new]),
        half_done=half_done,
    )


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
    return told_swaps(sessions)
