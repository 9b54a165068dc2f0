"""Every kind of page in a real browser: quiet, no wider than its screen, accessible, on paper."""

import dataclasses
import re
import shutil
import subprocess
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

from drift.api.reviews import find
from drift.api.sheets import write_sheets
from drift.report import render
from drift.report.page_files import write_pages
from drift.report.pages.impact import impact_page
from drift.report.pages.retirement import retirement_page
from drift.report.pages.visit import visit_page
from drift.review.impact import find_impact
from drift.review.retirement import weigh_meters
from drift.review.visit_record import visit_day, visit_record
from tests.csv_folders import readings, write
from tests.report.test_pages_browser import ARGUMENTS, CHROMIUM, WIDTHS
from tests.report.test_retirement_memo import AS_OF, PRICED, visits
from tests.report.waiting import until

LABORATORY = "Concrete laboratory, north"
POLICY = dataclasses.replace(PRICED, laboratory=LABORATORY)
SAW = [0.0, 0.05, 0.12] * 5
# Each kind of page, and what its running head names besides the laboratory.
KINDS = {
    "index.html": "Fleet review",
    "meters.html": "Fleet review",
    "reference.html": "Fleet review",
    "intervals.html": "Fleet review",
    "signals.html": "Fleet review",
    "basis.html": "Fleet review",
    "evidence.html": "Evidence",
    "guide.html": "Guide",
    "register.html": "Register",
    "labels.html": "Labels",
    "journal.html": "Journal",
    "meters/A.html": "A",
    "retirement.html": "Retirement",
    "impact.html": "A",
    "visit.html": "A",
    "sheets/index.html": "Visit sheet",
}
# Made for a tablet or a phone.
NOT_ON_PAPER = ("sheets/bench.html",)
# The guide is the longest page by far, in words that look as those of other pages do.
LOOKED_AT_BY_NIGHT = [
    pytest.param(name, marks=pytest.mark.long) if name == "guide.html" else name
    for name in (*KINDS, *NOT_ON_PAPER)
]
PAPERS = {"A4": (595, 842), "Letter": (612, 792)}
# Points of paper that stay free at the sides: printers need them.
LEAST_MARGIN = 25

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
needs_pdftotext = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="no pdftotext on this machine"
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write every kind of page on two meters, one of which goes out time and again."""
    out: Path = tmp_path_factory.mktemp("kinds")
    rows = readings(*visits("A", SAW), *visits("B", SAW[1:]))
    source = write(out / "in", readings=rows)
    review = find(source, as_of=AS_OF, policy=POLICY)
    write_pages(review, out, beside=(), progress=lambda _done, _of: None)
    memo = weigh_meters(review, ["A", "B"])
    page = retirement_page(memo.review, memo.weighed, in_full=["A"])
    (out / "retirement.html").write_text(render.html_retirement(page), encoding="utf-8")
    note = impact_page(find_impact(review, "A", visit=None), review)
    (out / "impact.html").write_text(render.html_impact(note), encoding="utf-8")
    day = visit_day(review.sources.sessions, "A", None)
    record = visit_page(review, visit_record(review, "A", on=day))
    (out / "visit.html").write_text(render.html_visit(record), encoding="utf-8")
    due_by = date(AS_OF.year + 1, 1, 31)
    write_sheets(source, out=out / "sheets", as_of=AS_OF, due_by=due_by, policy=POLICY)
    return out


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(offline=True, viewport={"width": 1440, "height": 900})
    yield context.new_page()
    context.close()


def opened(page: Page, file: Path) -> None:
    """Open a page and wait until the figures that are in view are drawn."""
    page.goto(file.as_uri())
    until(
        page,
        "[...document.querySelectorAll('[data-figure]')].filter(one => one.clientWidth"
        " && one.getBoundingClientRect().top < innerHeight).every(one => one.dataset.drawn)",
    )


def faults(page: Page, *, rules: list[str] | None = None) -> list[tuple[str, str]]:
    """Return what rules of axe-core, all or some, find moderate, serious or critical."""
    # What a rule found to be right is told by one place: the others take longer than the rules.
    options: dict[str, list[str]] = {"resultTypes": ["violations"]}
    if rules is not None:
        options["runOnly"] = rules
    return [
        (fault["id"], fault["nodes"][0]["html"][:200])
        for fault in Axe().run(page, options=options).response["violations"]
        if fault["impact"] in {"moderate", "serious", "critical"}
    ]


@pytest.mark.parametrize("name", [*KINDS, *NOT_ON_PAPER])
def test_a_page_fits_every_screen_in_silence_without_a_fault(
    page: Page, folder: Path, name: str
) -> None:
    """Only tables scroll sideways, within their own box; nothing is said to the console.

    On the widest screen no rule of accessibility is broken.
    """
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    for width in sorted(WIDTHS):
        page.set_viewport_size({"width": width, "height": 900})
        opened(page, folder / name)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert said == []
    assert faults(page) == []


@pytest.mark.parametrize("name", LOOKED_AT_BY_NIGHT)
def test_colours_stand_out_by_night(page: Page, folder: Path, name: str) -> None:
    """The rule of contrast, which alone sees the scheme, finds nothing."""
    page.emulate_media(color_scheme="dark")
    opened(page, folder / name)
    assert faults(page, rules=["color-contrast"]) == []


def sheets(pdf: Path) -> list[tuple[str, list[float]]]:
    """Return the words of each sheet, and where each word begins and ends from the left."""
    command = ["pdftotext", "-bbox", str(pdf), "-"]
    told = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    found = []
    for sheet in told.split("<page ")[1:]:
        words = re.findall(r'<word xMin="([\d.-]+)".*?xMax="([\d.-]+)".*?>(.*?)</word>', sheet)
        ends = [float(end) for first, last, _ in words for end in (first, last)]
        found.append((" ".join(word for *_, word in words), ends))
    return found


@needs_pdftotext
@pytest.mark.parametrize("paper", ["A4", pytest.param("Letter", marks=pytest.mark.long)])
@pytest.mark.parametrize("name", KINDS)
def test_no_sheet_is_blank_or_cut_and_each_has_its_head(
    page: Page, folder: Path, tmp_path: Path, name: str, paper: str
) -> None:
    """Laboratory, what the page is on, date and "sheet n of N" on each; words within margins."""
    page.goto((folder / name).as_uri())
    pdf = tmp_path / "page.pdf"
    page.pdf(path=pdf, format=paper)
    printed = sheets(pdf)
    width, _ = PAPERS[paper]
    for place, (words, ends) in enumerate(printed, start=1):
        assert f"sheet {place} of {len(printed)}" in words
        assert f"{LABORATORY} · {KINDS[name]}" in words
        assert f"1 Oct {AS_OF.year}" in words
        assert len(words.split()) > 20, (place, words)
        assert min(ends) >= LEAST_MARGIN
        assert max(ends) <= width - LEAST_MARGIN, (place, words)
