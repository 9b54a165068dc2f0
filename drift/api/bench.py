"""This module serves the bench from a source: responses and checks of fresh readings."""

import shutil
import tempfile
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from drift.api.own_records import as_folder, is_own
from drift.api.reviews import read_folder, read_known
from drift.errors import SourceError
from drift.ids import nearest_file
from drift.intake.mapping import MAPPING_FILE
from drift.places import check_place
from drift.review.analyse import ledger_of
from drift.review.bench_advice import bench_advice, bench_dials
from drift.review.bench_verdicts import told_swaps, visit_verdicts
from drift.review.forecasts import next_visits
from drift.review.policy import Policy
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
        Frame of `drift.store.tables.HELD_BACK`: rows of the fresh file that could not be used.
    """

    rows: pl.DataFrame
    verdicts: list[dict[str, Any]]
    advice: list[dict[str, Any]]
    held_back: pl.DataFrame


def check(source: Path, fresh: Path, *, as_of: date, policy: Policy) -> Checked:
    """Compare the readings of a CSV file with what the history in a source lets expect.

    Parameters
    ----------
    source : Path
        Folder or store file; it is not changed.
    fresh : Path
        A CSV file of the table ``readings``, outside the folder.  The ``mapping.toml`` beside it
        holds, else that of the folder.
    as_of : date
        History later than this is not seen.
    policy : Policy
        The laboratory's choices.

    Raises
    ------
    DriftError
        If the source or the file cannot be used, or the file is part of the source.
    """
    expected = "a CSV file of readings"
    check_place(fresh, raised=SourceError, expected=expected)
    if not fresh.is_file():
        raise SourceError(
            what="does not exist" if not fresh.exists() else "is no file",
            where=str(fresh),
            expected=expected,
            hint="" if fresh.exists() else nearest_file(fresh),
        )
    if source.is_dir() and fresh.resolve().parent == source.resolve():
        raise SourceError(
            what="is part of the source, so that its readings would be compared with themselves",
            where=str(fresh),
            expected="a file outside the folder",
            hint="check it first, and move it into the folder then",
        )
    history = read_known(source, as_of=as_of, policy=policy)
    ledger = ledger_of(history, source_name=source.resolve().name, as_of=as_of, policy=policy)
    new = _read_fresh(fresh, source=source, policy=policy)
    past = history_of(ledger, history.meters, next_visits(ledger, history, policy))
    rows = check_readings(new.sessions, past, policy)
    advice = bench_advice(rows, new.sessions, bench_dials(ledger, history))
    return Checked(rows, visit_verdicts(rows), advice, new.held_back)


def doubted_in(store: Path) -> list[str]:
    """Say which readings of a store file look written down at another point of their visit.

    Raises
    ------
    DriftError
        If the store cannot be used.
    """
    sources = read_known(store, as_of=date.max, policy=Policy())
    return told_swaps(sources.sessions)


def _read_fresh(fresh: Path, *, source: Path, policy: Policy) -> Sources:
    """Read one file by the rules of intake, as if it were a folder of its own."""
    if is_own(fresh):
        with as_folder(fresh, layouts=(source,)) as made:
            return read_folder(Path(made), as_of=None, policy=policy)
    beside = [fresh.parent / MAPPING_FILE, source / MAPPING_FILE]
    for path in beside:
        check_place(path, raised=SourceError, expected="a mapping file")
    mapping = next((path for path in beside if path.is_file()), None)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "fresh"
        folder.mkdir()
        try:
            shutil.copyfile(fresh, folder / f"{fresh.stem}.csv")
            if mapping is not None:
                shutil.copyfile(mapping, folder / MAPPING_FILE)
        except OSError as error:
            raise SourceError(
                what=f"cannot be read ({error.strerror})",
                where=str(error.filename or fresh),
                expected="a readable file",
            ) from error
        try:
            return read_folder(folder, as_of=None, policy=policy)
        except SourceError as error:
            # Said of the copy, but meant of what was copied.
            of_mapping = mapping is not None and error.where == str(folder / MAPPING_FILE)
            raise SourceError(
                what="holds no table of readings" if error.where == str(folder) else error.what,
                where=str(mapping if of_mapping else fresh),
                expected=error.expected,
                hint=error.hint,
            ) from error
