"""This module reads a source, reviews it and writes the review."""

import dataclasses
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from drift.api.at_work import helpers_for
from drift.api.large_fleets import ReviewAsked, review_large
from drift.api.noted_reviews import note_review
from drift.api.sources import read_known
from drift.beside import Help
from drift.report.data_files import read_previous, write_record, write_review
from drift.report.exchange import Place, digests_of, exchanged_for, place_for
from drift.report.own_files import REVIEW_FOLDER
from drift.report.review_record import kept_pages, review_record
from drift.report.write import Progress, load_pages, make_pages_ready, timed, write_beside
from drift.review.analyse import analyse
from drift.review.changes import Earlier
from drift.review.loading import fitted_here
from drift.review.policy import Policy
from drift.review.results import Review
from drift.store.journal import Signed
from drift.store.tables import RowCounts, Sources, row_counts

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
    asked = ReviewAsked(source, as_of, policy, known_on, parquet, cluster)
    if not (with_pages or with_trends or previous):
        large = review_large(asked, place, progress=progress)
        if large is not None:
            return _as_written(source, large, out, signed=signed)
    with helpers_for(source, with_pages=with_pages) as beside:
        with timed(timings, "read"):
            sources = read_known(source, as_of=as_of, policy=policy, known_on=known_on)
            earlier = earlier_review(previous, sources, source_name=name, as_of=as_of)
        kept = {} if with_pages else _kept(place, asked, sources, earlier)
        with timed(timings, "analyse"):
            helped = _help(beside, sources, with_pages=with_pages)
            review = _analysed(asked, sources, earlier, helped=helped, with_trends=with_trends)
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


def _analysed(
    asked: ReviewAsked,
    sources: Sources,
    earlier: Earlier | None,
    *,
    helped: Help,
    with_trends: bool,
) -> Review:
    """Review what was read, its plain trends too where they are asked for."""
    name = asked.source.resolve().name
    review = analyse(
        sources,
        source_name=name,
        as_of=asked.as_of,
        policy=asked.policy,
        earlier=earlier,
        helped=helped,
    )
    if not with_trends:
        return review
    return dataclasses.replace(review, trends=review.plain_trends(), trends_written=True)


def _kept(
    place: Place, asked: ReviewAsked, sources: Sources, earlier: Earlier | None
) -> dict[str, str]:
    """Return the digests of pages of an earlier review that stay beside new data files."""
    then = earlier.as_of if earlier else None
    return kept_pages(place, sources, as_of=asked.as_of, policy=asked.policy, previous=then)


def _help(beside: "Helpers", sources: Sources, *, with_pages: bool) -> Help:
    """Let the first helper forecast; then all make ready to write pages, as does this process."""
    if not beside:
        return Help()
    if not with_pages:
        return Help(beside[0].submit)
    return Help(
        beside[0].submit,
        meanwhile=load_pages,
        over=lambda: make_pages_ready(beside, sources),
        waits=fitted_here(sources.sessions["meter_id"].n_unique()),
    )


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
            tables = write_review(review, new / "data", parquet=parquet)
        pages = list(kept)
        if beside is not None:
            pages = write_beside(
                review,
                new,
                beside,
                tables=tables,
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


@contextmanager
def _stopped_on_failure(beside: "Helpers") -> Iterator[None]:
    """Wait for the helpers to stop where the block fails, before what they write is removed."""
    try:
        yield
    except BaseException:
        for helper in beside:
            helper.shutdown(cancel_futures=True)
        raise
