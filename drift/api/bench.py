"""This module serves the bench from a source: checks of fresh readings, before they are loaded."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from drift.api.bench_visits import half_done_in
from drift.api.fresh_files import check_fresh, read_fresh
from drift.api.sources import read_known
from drift.review.bench_advice import bench_advice, bench_dials
from drift.review.bench_verdicts import visit_verdicts
from drift.review.forecasts import next_visits
from drift.review.policy import Policy
from drift.review.sourced import ledger_of
from drift.review.visit_check import check_readings, history_of
from drift.store.tables import Sources


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
    return checked_against(history, new, half_done, source=source, as_of=as_of, policy=policy)


def checked_against(
    history: Sources,
    new: list[Sources],
    half_done: tuple[str, ...],
    *,
    source: Path,
    as_of: date,
    policy: Policy,
) -> Checked:
    """Compare fresh readings with a history.

    Parameters
    ----------
    history : Sources
        What is on record.
    new : list of Sources
        What was read since.
    half_done : tuple of str
        What of the visits is half done, in sentences.
    source : Path
        Where the history is from.
    as_of : date
        History later than this is not seen.
    policy : Policy
        The laboratory's choices.
    """
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
