"""Pages on disk: the same on one core and on several."""

import dataclasses
import os
import re
import signal
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from drift.api.reviews import find
from drift.beside import processes
from drift.report import page_files, render
from drift.report.pages.bar import review_bar
from drift.report.pages.dossier import dossier_page
from drift.report.pages.parts import file_name
from drift.report.pages.split import split_by_meter
from drift.report.register_files import REGISTER_PAGES
from drift.report.styles import shared_files
from drift.review.policy import Policy
from drift.review.results import Review
from tests.benchmarks.big_fleet import AS_OF, VISITS, write_fleet
from tests.fabricated_ids import IDS
from tests.fabricated_review import fabricate
from tests.sample_reviews import SampleReviews


@pytest.fixture(scope="module")
def review() -> Review:
    return fabricate()


@pytest.fixture(scope="module")
def beside() -> Iterator[page_files.Helpers]:
    """Give the helper that a machine of two cores has."""
    with processes(1, ready=os.getpid) as found:
        page_files.make_ready(found, dossiers=len(IDS))
        yield found


def _bytes(folder: Path) -> dict[str, bytes]:
    return {
        file.relative_to(folder).as_posix(): file.read_bytes() for file in folder.rglob("*.html")
    }


def test_pages_are_the_same_on_one_core_and_on_two(
    review: Review, beside: page_files.Helpers, tmp_path: Path
) -> None:
    """Names and bytes do not depend on which process drew what; the bar of each reaches all."""
    assert len(beside) == 1
    told: list[tuple[int, int]] = []
    written = {}
    for cores, others in ((1, ()), (2, beside)):
        folder = tmp_path / str(cores)
        names = page_files.write_pages(
            review, folder, beside=others, progress=lambda done, of: told.append((done, of))
        )
        written[cores] = _bytes(folder)
        assert names == [
            *render.FLEET_PAGES,
            "evidence.html",
            "guide.html",
            *REGISTER_PAGES,
            *(f"meters/{file_name(i)}" for i in sorted(IDS)),
            "assets/vega.js",
            "assets/figures.js",
            *(f"assets/{name}" for name in shared_files()),
        ]
        assert {name for name in names if name.endswith(".html")} == set(written[cores])
        pages = len(written[cores])
        assert told[-1] == (pages, pages)
    assert written[1] == written[2]
    in_bar = {*render.FLEET_PAGES, "evidence.html", "guide.html", "register.html"}
    for name, html in written[1].items():
        up = "../" * name.count("/")
        (bar,) = re.findall(rb'<nav id="pages".*?</nav>', html, re.DOTALL)
        assert {link.removeprefix(up) for link in _links(bar)} == in_bar, name
    # All others are one step further.
    assert in_bar | {link for name in in_bar for link in _links(written[1][name])} >= set(
        written[1]
    )


@pytest.fixture(scope="module")
def decade(tmp_path_factory: pytest.TempPathFactory) -> Review:
    """Review meters of ten years: forty visits of nine readings each, some adjusted."""
    folder = tmp_path_factory.mktemp("decade")
    write_fleet(folder, meters=6)
    return find(folder, as_of=AS_OF, policy=Policy())


def test_dossiers_are_light(decade: Review, sample_on: SampleReviews) -> None:
    """Each of the sample and of meters with ten years of visits weighs under 150,000 bytes."""
    visits = decade.ledger.group_by("series").agg(pl.len(), pl.col("adjusted").sum())
    assert set(visits["len"]) == {VISITS} == {40}
    assert set(visits["adjusted"]) >= {0, 1}
    for review in (decade, sample_on(date(2026, 10, 1))):
        bar = review_bar(review)
        weights = {
            meter_id: len(render.html_dossier(dossier_page(part, meter_id), bar).encode())
            for meter_id, part in split_by_meter(review)
        }
        assert max(weights.values()) < 150_000, weights


def _links(html: bytes) -> set[str]:
    """Return where links lead."""
    return {link.decode() for link in re.findall(rb'href="(.*?)"', html)}


def test_a_dossier_loses_nothing_by_being_told_from_its_share(review: Review) -> None:
    """The share of one meter holds all that its dossier reads, its neighbours' standings too."""
    for meter_id, share in split_by_meter(review):
        assert share.ledger["meter_id"].unique().to_list() == [meter_id]
        assert dossier_page(share, meter_id) == dossier_page(review, meter_id)


def test_progress_never_goes_back(review: Review, tmp_path: Path) -> None:
    """Progress rises to the number of pages."""
    few = dataclasses.replace(review, meters=review.meters.head(2))
    told: list[int] = []
    page_files.write_pages(few, tmp_path, beside=(), progress=lambda done, _of: told.append(done))
    assert told == [1, 2, 3, 4 + len(render.FLEET_PAGES) + len(REGISTER_PAGES)]


def test_a_failure_in_another_process_is_raised(
    review: Review, beside: page_files.Helpers, tmp_path: Path
) -> None:
    """A page that cannot be written is an error, whichever process was to write it."""
    (tmp_path / "meters" / file_name(min(IDS))).mkdir(parents=True)
    with pytest.raises(OSError, match="directory"):
        page_files.write_pages(review, tmp_path, beside=beside, progress=lambda _done, _of: None)


def test_the_keyboard_interrupts_the_main_process_alone(beside: page_files.Helpers) -> None:
    """A helper that it interrupted while loading would print a traceback."""
    assert beside[0].submit(signal.getsignal, signal.SIGINT).result() == signal.SIG_IGN
    assert signal.getsignal(signal.SIGINT) != signal.SIG_IGN
