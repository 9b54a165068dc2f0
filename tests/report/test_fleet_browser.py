"""The fleet review in a real browser: charts keep step with rows, filters, copying, paper."""

import dataclasses
import re
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from drift.report import render
from drift.report.figures.assets import write_assets
from drift.report.page_files import write_pages
from drift.report.pages.bar import review_bar
from drift.report.pages.fleet import fleet_page
from tests.fabricated_ids import DRIFTER, IDS
from tests.fabricated_review import fabricate, of_many
from tests.report.test_pages_browser import ARGUMENTS, CHROMIUM, WIDTHS

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")

# Middle of each row that is shown, and of each mark of its chart, in pixels down the page.
_ROWS = """box => [...box.querySelectorAll("tbody tr:not([hidden]) .now")]
    .map(cell => cell.getBoundingClientRect()).map(at => at.top + at.height / 2)"""
_MARKS = """box => [...[...box.querySelectorAll(".of-now svg .mark-symbol")].at(-1)?.children ?? []]
    .map(mark => mark.getBoundingClientRect()).map(at => at.top + at.height / 2)"""
_DRAWN = "box => [...box.querySelectorAll('.of-now [data-figure]')].every(one => one.dataset.drawn)"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the pages of the fabricated review into a folder."""
    out: Path = tmp_path_factory.mktemp("fleet")
    write_pages(fabricate(), out, beside=(), progress=lambda _done, _of: None)
    return out


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the first page of a fleet of 200."""
    out: Path = tmp_path_factory.mktemp("many")
    review = of_many(fabricate(), meters=200)
    for name, html in render.html_fleet(fleet_page(review), review_bar(review)).items():
        (out / name).write_text(html, encoding="utf-8")
    write_assets(out)
    return out


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(offline=True, viewport={"width": 1440, "height": 900})
    yield context.new_page()
    context.close()


def _opened(page: Page, folder: Path, query: str = "") -> Page:
    """Open the first page and wait until the charts of its groups are drawn."""
    page.goto((folder / "index.html").as_uri() + query)
    for box in page.locator(".group > .rows").all():
        box.scroll_into_view_if_needed()
        page.wait_for_function(_DRAWN, arg=box.element_handle())
    return page


@pytest.mark.parametrize("width", WIDTHS)
def test_charts_keep_step_with_their_rows(page: Page, folder: Path, width: int) -> None:
    """Each meter with a known bias has its mark, within a pixel or two of the middle of its row."""
    page.set_viewport_size({"width": width, "height": 900})
    _opened(page, folder)
    drawn = 0
    for box in page.locator(".group > .rows").all():
        rows, marks = box.evaluate(_ROWS), box.evaluate(_MARKS)
        assert all(min(abs(mark - row) for row in rows) < 2.5 for mark in marks)
        drawn += len(marks)
    known = page.locator(".group > .rows .now", has_not_text=re.compile(r"^\s*cannot say")).count()
    assert drawn == known > 5


_EDGES = """box => { const shown = [...box.querySelectorAll(".mark-rule line, .mark-rule path")]
    .map(line => line.getBoundingClientRect()).map(at => at.left + at.width / 2);
    return [Math.min(...shown), Math.max(...shown)]; }"""


@pytest.mark.parametrize("width", WIDTHS)
def test_the_axis_stands_over_the_limits_of_the_rows(page: Page, folder: Path, width: int) -> None:
    """The tolerance is ticked where the rows below have its edges."""
    page.set_viewport_size({"width": width, "height": 900})
    _opened(page, folder)
    axis = page.locator(".of-axis .drawn").evaluate(_EDGES)
    strip = """box => { const [at] = [...box.querySelectorAll(".of-now .mark-rect path")]
        .map(one => one.getBoundingClientRect()).filter(one => one.width);
        return [at.left, at.right]; }"""
    rows = page.locator(".group > .rows").first.evaluate(strip)
    assert rows == pytest.approx(axis, abs=1.5)


def test_a_filter_stands_in_the_address_and_charts_follow(page: Page, folder: Path) -> None:
    """Words narrow rows down, the address says so, and opened anew it gives the same view."""
    _opened(page, folder).get_by_label("Find", exact=True).fill(DRIFTER.lower())
    count = page.locator(".filters output")
    assert count.inner_text() == f"1 of {len(IDS)}"
    assert page.url.endswith(f"?words={DRIFTER.lower()}")
    shown = page.locator("table.meters tbody tr:visible")
    assert shown.count() == 1
    box = page.locator(".group > .rows", has=shown).first
    page.wait_for_function(f"box => ({_MARKS})(box).length === 1", arg=box.element_handle())
    page.reload()
    assert count.inner_text() == f"1 of {len(IDS)}"
    assert page.locator("table.meters tbody tr:visible").count() == 1


def test_meters_are_parted_by_what_the_register_says(page: Page, tmp_path: Path) -> None:
    """By maker and model and by age where these part the fleet; by the site of one, by nothing."""
    review = fabricate()
    old, young = (pl.lit(review.as_of.replace(year=review.as_of.year - back)) for back in (7, 2))
    mine = pl.col("meter_id") == DRIFTER
    meters = review.sources.meters.with_columns(
        maker=pl.when(mine).then(pl.lit("Works A")).otherwise(pl.lit("Works B")),
        model=pl.when(mine).then(pl.lit("2 <b>")),
        in_service_on=pl.when(mine).then(old).otherwise(young),
        site=pl.when(mine).then(pl.lit("north")),
    )
    sources = dataclasses.replace(review.sources, meters=meters)
    made = dataclasses.replace(review, sources=sources)
    write_assets(tmp_path)
    (tmp_path / "index.html").write_text(
        render.html_fleet(fleet_page(made), review_bar(made))["index.html"], encoding="utf-8"
    )
    page.goto((tmp_path / "index.html").as_uri())
    filters = page.locator(".fleet .filters")
    assert filters.locator("select").evaluate_all("all => all.map(one => one.name)") == [
        "standing",
        "made_by",
        "age",
    ]
    filters.get_by_label("Made by").select_option("Works A 2 <b>")
    assert filters.locator("output").inner_text() == f"1 of {len(IDS)}"
    filters.get_by_label("Made by").select_option("any")
    filters.get_by_label("Age").select_option("in use for up to 5 years")
    others = meters["meter_id"].n_unique() - 1
    assert filters.locator("output").inner_text() == f"{others} of {len(IDS)}"


def test_the_commands_that_answer_a_visit_are_copied(browser: Browser, folder: Path) -> None:
    """One click puts a command for each signal of a visit where it can be pasted from."""
    context = browser.new_context(permissions=["clipboard-read", "clipboard-write"])
    page = context.new_page()
    page.goto((folder / "signals.html").as_uri())
    button = page.locator("[data-copy]").first
    given = button.get_attribute("data-copy") or ""
    button.click()
    page.wait_for_function("document.querySelector('.voice').textContent === 'copied'")
    assert page.evaluate("navigator.clipboard.readText()") == given
    assert all(line.startswith("drift respond ") for line in given.splitlines())
    context.close()


def test_many_meters_are_folded_and_found(page: Page, many: Path) -> None:
    """The quiet ones are one line with a mark each; a filter opens it, and its rows are drawn."""
    page.goto((many / "index.html").as_uri())
    fold = page.locator(".fold").first
    strip = fold.locator(".of-strip [data-figure]")
    page.wait_for_function("place => place.dataset.drawn", arg=strip.element_handle())
    assert strip.locator("svg .mark-symbol path").count() == fold.locator("tbody tr").count()
    assert fold.locator("table.meters").is_hidden()
    page.get_by_label("Find", exact=True).fill("M-0123")
    assert fold.locator("tbody tr:visible").count() == 1
    box = fold.locator(".rows").element_handle()
    page.wait_for_function(f"box => ({_MARKS})(box).length === 1", arg=box)
    page.get_by_label("Find", exact=True).fill("")
    assert fold.locator("table.meters").is_hidden()


def test_the_fleet_prints_on_few_sheets_with_its_running_head(
    page: Page, folder: Path, tmp_path: Path
) -> None:
    """The first page of the review needs few sheets, and charts stay beside their rows."""
    _opened(page, folder)
    pdf = page.pdf(path=tmp_path / "page.pdf", format="A4")
    assert 1 <= len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) <= 6
