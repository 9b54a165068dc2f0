"""This module writes what a review found into a folder, and takes away what it replaces."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING

import polars as pl

from drift.report.pdf import print_pages
from drift.review.results import Review
from drift.store.tables import Sources

if TYPE_CHECKING:
    from drift.report.page_files import Helpers

# Told how many steps are done and how many there are.
Progress = Callable[[int, int], None]


def write_beside(
    review: Review,
    out: Path,
    beside: "Helpers",
    *,
    tables: Mapping[str, pl.DataFrame],
    browser: Path | None,
    alone: bool = False,
    progress: Progress,
    timings: dict[str, float],
) -> list[str]:
    """Write what stands beside the data files; return the names below `out`, pages first.

    `tables` are those of the data files, from `write_review`, for the workbook; `alone` is whether
    each page holds the scripts that draw its figures.
    """
    workbook: list[str] = []

    def write_workbook() -> None:
        with timed(timings, "write_workbook"):
            workbook.extend(_write_workbook(review, tables, out))

    with timed(timings, "write_pages"):
        pages = _write_pages(review, out, beside, progress, meanwhile=write_workbook, alone=alone)
    if browser is None:
        return [*pages, *workbook]
    many = len(pages)
    with timed(timings, "print_pages"):
        printed = print_pages(
            [name for name in pages if name.endswith(".html")],
            out,
            browser=browser,
            as_of=review.as_of,
            progress=lambda done, of: progress(many + done, many + of),
        )
    return [*pages, *workbook, *printed]


def load_pages() -> None:
    """Load what pages are drawn with, beside other work."""
    from drift.report import page_files, workbook  # noqa: F401, PLC0415


def make_pages_ready(beside: "Helpers", sources: Sources) -> None:
    """Let processes make ready to write the pages of a review of `sources`."""
    from drift.report.page_files import make_ready  # noqa: PLC0415

    make_ready(beside, dossiers=sources.sessions["meter_id"].n_unique())


def _write_pages(
    review: Review,
    out: Path,
    beside: "Helpers",
    progress: Progress,
    *,
    meanwhile: Callable[[], None],
    alone: bool,
) -> list[str]:
    """Write pages with their scripts, and `meanwhile` what else there is; return their names."""
    # Drawing libraries are slow to load and --data-only does without them.
    from drift.report.page_files import write_pages  # noqa: PLC0415

    return write_pages(
        review, out, beside=beside, progress=progress, meanwhile=meanwhile, alone=alone
    )


def _write_workbook(review: Review, tables: Mapping[str, pl.DataFrame], out: Path) -> list[str]:
    """Write the workbook; return its name below `out`."""
    # As the pages, --data-only does without it.
    from drift.report.workbook import NAME, write_workbook  # noqa: PLC0415

    write_workbook(review, tables, out / NAME)
    return [NAME]


@contextmanager
def timed(timings: dict[str, float], name: str) -> Iterator[None]:
    """Note in `timings` how long the block took, in seconds."""
    start = perf_counter()
    yield
    timings[name] = perf_counter() - start
