"""This module reads a source, reviews it and writes the review."""

import dataclasses
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from drift.api.large_fleets import ReviewAsked, review_large
from drift.api.noted_reviews import note_review
from drift.api.own_records import as_folder, is_own
from drift.errors import SourceError
from drift.ids import nearest_file
from drift.places import check_place
from drift.report.data_files import read_previous, write_record, write_review
from drift.report.exchange import Place, digests_of, exchanged_for, place_for
from drift.report.own_files import REVIEW_FOLDER
from drift.report.review_record import kept_pages, review_record
from drift.report.write import Progress, page_helpers, timed, write_beside
from drift.review.analyse import analyse
from drift.review.changes import Earlier
from drift.review.policy import Policy
from drift.review.results import Review
from drift.store.connection import Connection, all_or_nothing, run
from drift.store.folder_journal import read_kept
from drift.store.journal import Draft, Signed, signed_now
from drift.store.loading import IntakeSummary, take_within
from drift.store.opening import open_store
from drift.store.reading import read_sources
from drift.store.replaying import carry_kept, load_tables
from drift.store.tables import RowCounts, Sources, row_counts, without_refused

if TYPE_CHECKING:
    from drift.report.page_files import Helpers


@dataclass(frozen=True, slots=True)
class Written:
    """What a review was and where it went.

    Attributes
    ----------
    review : Review
        What it says.
    index : Path or None
        The fleet page, None where only data were asked for.
    data : Path
        The folder of data files.
    rows : RowCounts
        What became of the rows of the source's files.
    noted : str
        Why the review is no entry of the journal; empty where it is, or none was asked.
    """

    review: Review
    index: Path | None
    data: Path
    rows: RowCounts
    noted: str = ""


def review_source(
    source: Path,
    *,
    out: Path,
    as_of: date,
    policy: Policy,
    with_pages: bool,
    progress: Progress,
    previous: Path | None = None,
    browser: Path | None = None,
    with_trends: bool = False,
    known_on: date | None = None,
    signed: Signed | None = None,
    alone: bool = False,
    parquet: bool = False,
    cluster: str = "",
) -> Written:
    """Review a folder of CSV files or a store file, and write what it says into `out`.

    Parameters
    ----------
    source : Path
        Folder or store file.
    out : Path
        Folder to write into; made where it does not exist.  What drift wrote there before stays
        until all is written, and is exchanged then.
    as_of : date
        The date the review speaks for; later rows are not seen.
    policy : Policy
        The laboratory's choices.
    with_pages : bool
        Whether to write pages and a workbook beside the data files.
    progress : callable
        Told how many steps are done and how many there are.
    previous : Path or None
        Folder that an earlier review was written into, to say what has changed since; may be
        `out`.
    browser : Path or None
        From `drift.report.pdf.find_browser`, to print the pages as PDF too; None not to.
    with_trends : bool
        Whether to fit the plain trends of all meters and write them as data.
    known_on : date or None
        Day at whose end a store is looked at; None for now.
    signed : Signed or None
        Who reviews, for the journal of a store, or of a folder where a name was given; None for
        no entry.
    alone : bool
        Whether each page holds the scripts that draw its figures, 0.9 MB, to be mailed by itself.
    parquet : bool
        Whether data files are written as Parquet too.
    cluster : str
        Address of a Dask scheduler whose workers do the work, or ``local``; empty for none.

    Raises
    ------
    DriftError
        If the source or `previous` cannot be used, `out` cannot be written or pages cannot be
        printed.
    """
    timings: dict[str, float] = {}
    name = source.resolve().name
    progress(0, 1)
    place = place_for(out, REVIEW_FOLDER)
    if not (with_pages or with_trends or previous):
        asked = ReviewAsked(source, as_of, policy, known_on, parquet, cluster)
        large = review_large(asked, place, progress=progress)
        if large is not None:
            return _as_written(source, large, out, signed=signed)
    with timed(timings, "read"):
        sources = read_known(source, as_of=as_of, policy=policy, known_on=known_on)
        earlier = earlier_review(previous, sources, source_name=name, as_of=as_of)
    then = earlier.as_of if earlier else None
    kept = (
        {} if with_pages else kept_pages(place, sources, as_of=as_of, policy=policy, previous=then)
    )
    with page_helpers(sources, with_pages=with_pages) as beside:
        with timed(timings, "analyse"):
            review = analyse(sources, source_name=name, as_of=as_of, policy=policy, earlier=earlier)
            if with_trends:
                review = dataclasses.replace(review, trends=review.plain_trends())
        write_found(
            review,
            place,
            kept=kept,
            beside=beside if with_pages else None,
            browser=browser,
            alone=alone,
            parquet=parquet,
            progress=progress,
            timings=timings,
        )
    return _as_written(source, review, out, signed=signed, with_pages=with_pages)


def _as_written(
    source: Path, review: Review, out: Path, *, signed: Signed | None, with_pages: bool = False
) -> Written:
    """Note a review that was written, and say where it went."""
    return Written(
        noted=note_review(source, review, out, signed=signed) if signed else "",
        review=review,
        index=out / "index.html" if with_pages else None,
        data=out / "data",
        rows=row_counts(review.sources),
    )


def write_found(
    review: Review,
    place: Place,
    *,
    kept: dict[str, str],
    beside: "Helpers | None",
    browser: Path | None = None,
    alone: bool = False,
    parquet: bool = False,
    progress: Progress = lambda _done, _of: None,
    timings: dict[str, float],
) -> None:
    """Write a review whole, then exchange it for what drift wrote there before.

    Parameters
    ----------
    review : Review
        What was found.
    place : Place
        Where it goes, from `place_for`.
    kept : dict of str to str
        Digests of the pages that stay beside new data files, from `kept_pages`.
    beside : sequence of ProcessPoolExecutor or None
        Processes that help to write pages, none of them to write all in this one; None to write
        no pages and no workbook.
    browser : Path or None
        From `drift.report.pdf.find_browser`, to print the pages as PDF too; None not to.
    alone, parquet : bool
        As of `review_source`.
    progress : callable
        Told how many steps are done and how many there are.
    timings : dict of str to float
        Seconds by part of the work, for the record; those of writing are added.

    Raises
    ------
    DriftError
        If the folder cannot be written or pages cannot be printed.
    """
    stays = {name.split("/", 1)[0] for name in kept}
    with exchanged_for(place, keep=stays) as new, _stopped_on_failure(beside or ()):
        with timed(timings, "write_data"):
            write_review(review, new / "data", parquet=parquet)
        pages = list(kept)
        if beside is not None:
            pages = write_beside(
                review,
                new,
                beside,
                browser=browser,
                alone=alone,
                progress=progress,
                timings=timings,
            )
        record = review_record(review, pages=pages, timings=timings, written=digests_of(new) | kept)
        write_record(record, new / REVIEW_FOLDER.record)


def earlier_review(
    previous: Path | None, sources: Sources, *, source_name: str, as_of: date
) -> Earlier | None:
    """Read the earlier review, before anything is written over it."""
    if previous is None:
        return None
    return read_previous(
        previous,
        as_of=as_of,
        source_name=source_name,
        meter_ids=sources.sessions["meter_id"].unique(),
    )


def find(source: Path, *, as_of: date, policy: Policy) -> Review:
    """Review a folder or a store file without writing anything.

    Raises
    ------
    DriftError
        If the source cannot be used.
    """
    sources = read_known(source, as_of=as_of, policy=policy)
    return analyse(sources, source_name=source.resolve().name, as_of=as_of, policy=policy)


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
    expected = "a folder of CSV files or a store file"
    check_place(source, raised=SourceError, expected=expected)
    if not source.exists():
        raise SourceError(
            what="does not exist",
            where=str(source),
            expected=expected,
            hint=nearest_file(source),
        )
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
    con = open_store(None)
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


@contextmanager
def _stopped_on_failure(beside: "Helpers") -> Iterator[None]:
    """Wait for the helpers to stop where the block fails, before what they write is removed."""
    try:
        yield
    except BaseException:
        for helper in beside:
            helper.shutdown(cancel_futures=True)
        raise
