"""This module reviews a source that holds too many meters to be held at once, where it does."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from time import perf_counter

from drift.api.at_work import elsewhere
from drift.api.fleet_reviews import FleetParts, FleetReview, Job, deal_out, is_large, review_parts
from drift.memory import keep_one_heap
from drift.places import bytes_on_disk
from drift.report.data_files import write_record
from drift.report.exchange import Place, digests_of, exchanged_for
from drift.report.own_files import REVIEW_FOLDER
from drift.report.part_files import FleetFiles
from drift.report.review_record import kept_pages, review_record
from drift.report.write import Progress
from drift.review.policy import Policy
from drift.review.results import Review
from drift.store.connection import Connection, run
from drift.store.opening import open_store
from drift.store.replaying import load_tables
from drift.store.some_meters import holds_rows, meters_read

# Bytes of CSV files, and of a store, below which no fleet is too large: a million readings.
_MUCH_CSV, _MUCH_STORE = 60_000_000, 10_000_000
# What the library of stores may hold while a large fleet is dealt out; the rest of this process
# takes as much again.
_STORE_MIB = 512


@dataclass(frozen=True, slots=True)
class ReviewAsked:
    """What a review is asked for.

    Attributes
    ----------
    source : Path
        Folder of CSV files, or store file.
    as_of : date
    policy : Policy
    known_on : date or None
        Day at whose end a store is looked at.
    parquet : bool
        Whether Parquet files are asked for.
    cluster : str
        Address of a Dask scheduler whose workers do the work, or ``local``; empty for none.
    """

    source: Path
    as_of: date
    policy: Policy
    known_on: date | None
    parquet: bool
    cluster: str = ""


def review_large(asked: ReviewAsked, place: Place, *, progress: Progress) -> Review | None:
    """Review a source and write its data files, if it is a large fleet; else return None.

    Parameters
    ----------
    asked : ReviewAsked
    place : Place
        Where the data files go.
    progress : callable
        Told how many steps are done and how many there are.

    Raises
    ------
    DriftError
        If the source cannot be used or the place cannot be written.
    """
    if not (asked.cluster or _weighs_much(asked.source)):
        return None
    if asked.policy.scatter_study:
        return None  # its readings are of meters of any part
    start = perf_counter()
    # Parts are as large as memory allows, and each leaves it to the next.
    keep_one_heap()
    # Workers elsewhere reach what lies beside the output, not where temporary files go.
    beside = place.folder.absolute().parent if asked.cluster else None
    with tempfile.TemporaryDirectory(prefix="drift-", dir=beside) as name:
        job = _job(asked, Path(name))
        # What the library of stores has held it keeps: a process of its own gives it back.
        parts = elsewhere(_dealt_out, asked, job)
        if parts is None:
            return None
        read = perf_counter()
        kept = kept_pages(place, parts.rest, as_of=asked.as_of, policy=asked.policy, previous=None)
        stays = {name.split("/", 1)[0] for name in kept}
        with exchanged_for(place, keep=stays) as new:
            files = FleetFiles(new / "data", job.folder if asked.parquet else None)
            found = review_parts(job, parts, files, progress=progress)
            timings = {"read": read - start, "analyse": perf_counter() - read}
            _record(found, new, kept=kept, timings=timings)
    return found.review


def _dealt_out(asked: ReviewAsked, job: Job) -> FleetParts | None:
    """Deal a source out into the folder of a job; None where it is no large fleet."""
    with _opened(asked) as con:
        fleet = meters_read(con, as_of=asked.as_of)
        if fleet.is_empty() or not (asked.cluster or is_large(fleet)):
            return None
        if holds_rows(con, "comparisons"):
            return None  # each is scored by all others
        return deal_out(con, fleet, job)


def _job(asked: ReviewAsked, folder: Path) -> Job:
    """Return what is asked for with the folder where parts lie."""
    return Job(
        folder=folder,
        source_name=asked.source.resolve().name,
        as_of=asked.as_of,
        policy=asked.policy,
        parquet=asked.parquet,
        cluster=asked.cluster,
    )


def _record(
    found: FleetReview, new: Path, *, kept: dict[str, str], timings: dict[str, float]
) -> None:
    """Write the record of a review of a large fleet."""
    record = review_record(
        found.review, pages=list(kept), timings=timings, written=digests_of(new) | kept
    )
    counts = record["counts"]
    assert isinstance(counts, dict)  # noqa: S101  # as review_record gives it
    counts |= {"visits": found.visits, "readings": found.readings}
    write_record(record, new / REVIEW_FOLDER.record)


def _weighs_much(source: Path) -> bool:
    """Say whether a source is so large that it may be a large fleet."""
    return bytes_on_disk(source) >= (_MUCH_CSV if source.is_dir() else _MUCH_STORE)


@contextmanager
def _opened(asked: ReviewAsked) -> Iterator[Connection]:
    """Open a source: a store as it is, files in a store of their own that goes at the end."""
    if not asked.source.is_dir():
        with open_store(asked.source, read_only=True, memory_mib=_STORE_MIB) as con:
            if asked.known_on is not None:
                run(con, "see_until", day=asked.known_on)
            yield con
        return
    with (
        tempfile.TemporaryDirectory(prefix="drift-") as name,
        open_store(Path(name) / "store", folder=asked.source, memory_mib=_STORE_MIB) as con,
    ):
        load_tables(con, asked.source)
        yield con
