"""Pages in a real browser: quiet, offline, harmless, legible on every screen and on paper."""

import re
import shutil
import subprocess
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from drift.report import render
from drift.report.figures.assets import write_assets
from drift.report.page_files import write_pages
from drift.report.pages.fleet import fleet_page
from drift.report.pages.parts import file_name
from drift.report.styles import shared_files
from drift.review.results import Review
from tests.fabricated_ids import DRIFTER, IDS, IMAGE, NEWCOMER, SCRIPT
from tests.fabricated_review import fabricate, of_many
from tests.sample_reviews import SampleReviews

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
WIDTHS = (1440, 1024, 390)

needs_pdftotext = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="no pdftotext on this machine"
)
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the pages of the fabricated review into a folder."""
    out: Path = tmp_path_factory.mktemp("pages")
    write_pages(fabricate(), out, beside=(), progress=lambda _done, _of: None)
    return out


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(offline=True)
    yield context.new_page()
    context.close()


def _files(folder: Path) -> list[Path]:
    names = [*render.FLEET_PAGES, "evidence.html"]
    return [*(folder / name for name in names), *sorted((folder / "meters").iterdir())]


def _dossier(folder: Path, meter_id: str) -> str:
    return (folder / "meters" / file_name(meter_id)).as_uri()


@pytest.mark.parametrize("width", WIDTHS)
def test_pages_are_silent_harmless_and_fit_their_screen(
    page: Page, folder: Path, width: int
) -> None:
    """No page logs to the console, breaks its own security policy or asks for anything else.

    Markup in ids and remarks is text: nothing ran, no element came of it.  Only tables scroll
    sideways, within their own box, never the page.
    """
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.set_viewport_size({"width": width, "height": 900})
    for file in _files(folder):
        page.goto(file.as_uri())
        assert page.evaluate("window.harmed === undefined")
        assert page.locator("img").count() == 0
        assert page.locator("script:not([type])").count() == 3
        assert page.evaluate("document.documentElement.scrollWidth") <= width, file.name
    assert said == []
    assert _beside(asked, folder) == [file.as_uri() for file in _files(folder)]


def _beside(asked: list[str], folder: Path) -> list[str]:
    """Return what was asked for but the style sheets and scripts that lie beside the pages."""
    names = ("vega.js", "figures.js", *shared_files())
    shared = {(folder / "assets" / name).as_uri() for name in names}
    return [url for url in asked if url not in shared]


def _first_of_each_kind(review: Review, pages: list[str], folder: Path) -> list[str]:
    """Leave out dossiers that have standing and figures in common with an earlier one."""
    standings = dict(review.meters.select("meter_id", "standing").iter_rows())
    kinds = set()
    kept = []
    for name in pages:
        if name.startswith("meters/"):
            text = (folder / name).read_text(encoding="utf-8")
            figures = frozenset(re.findall(r'data-figure="(.*?)"', text))
            kind = (standings[Path(name).stem], figures)
            if kind in kinds:
                continue
            kinds.add(kind)
        kept.append(name)
    return kept


@pytest.mark.parametrize("every", [False, pytest.param(True, marks=pytest.mark.long)])
def test_pages_of_the_sample_open_in_silence(
    page: Page, sample_on: SampleReviews, tmp_path: Path, *, every: bool
) -> None:
    """The same for the sample: each page's figures are drawn, each dot speaks.

    Of the dossiers the first of each kind is opened, or every one.
    """
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    review = sample_on(date(2026, 10, 1))
    names = write_pages(review, tmp_path, beside=(), progress=lambda _done, _of: None)
    pages = [name for name in names if name.endswith(".html")]
    pages = pages if every else _first_of_each_kind(review, pages, tmp_path)
    for name in pages:
        page.goto((tmp_path / name).as_uri())
        _wait_until_drawn(page)
        if name == "index.html":
            assert page.locator("[data-drawn]").count() > 10
    assert sum(name.startswith("meters/") for name in names) == review.meters.height
    assert said == []
    assert _beside(asked, tmp_path) == [(tmp_path / name).as_uri() for name in pages]


def _wait_until_drawn(page: Page) -> None:
    """Wait until every figure that is in view has been drawn."""
    page.wait_for_function(
        "() => [...document.querySelectorAll('[data-figure]')].filter(place => place.clientWidth"
        " && place.getBoundingClientRect().top < innerHeight).every(place => place.dataset.drawn)"
    )


def test_hostile_ids_are_read_as_text(page: Page, folder: Path) -> None:
    """They stand in the table of meters as they are."""
    page.goto((folder / "meters.html").as_uri())
    assert page.locator("bdi", has_text=SCRIPT).count() > 0
    assert page.locator("bdi", has_text=IMAGE).count() > 0


def test_links_lead_to_dossiers_and_back(page: Page, folder: Path) -> None:
    """Each meter's link opens its dossier, whose heading is the id; its own link leads back."""
    page.goto((folder / "index.html").as_uri())
    links = page.locator("table.meters a[href^='meters/']")
    seen = {links.nth(n).get_attribute("href") or "" for n in range(links.count())}
    assert seen == {f"meters/{file_name(meter_id)}" for meter_id in IDS}
    for meter_id in (SCRIPT, DRIFTER, IDS[5]):
        page.goto((folder / "index.html").as_uri())
        page.locator(f"a[href='meters/{file_name(meter_id)}']").first.click()
        assert page.locator("h1 bdi").inner_text() == meter_id
        page.get_by_role("link", name="Fleet", exact=True).click()
        assert page.url.endswith("/index.html")


def test_keyboard_reaches_every_link_and_scroll_box(page: Page, folder: Path) -> None:
    """The first tab stop skips to the findings; scrolling boxes can be focused."""
    page.goto((folder / "index.html").as_uri())
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.url.endswith("#main")
    assert page.locator(".wide:not([tabindex])").count() == 0


def _column(page: Page, column: int) -> list[str]:
    """Return the visible texts of a column of the table of meters."""
    texts: list[str] = page.evaluate(
        "column => [...document.querySelectorAll('#meter-table tbody tr')]"
        ".filter(row => !row.hidden).map(row => row.cells[column].innerText.trim())",
        column,
    )
    return texts


def test_the_table_of_meters_is_sorted_by_mouse(page: Page, folder: Path) -> None:
    """One click sorts upwards, two downwards, three give the review's order back."""
    page.goto((folder / "meters.html").as_uri())
    head = page.locator("#meter-table thead th", has_text="Chance it is out")
    given = _column(page, 0)
    assert given == [str(place) for place in range(1, len(IDS) + 1)]
    assert head.get_attribute("aria-sort") == "none"
    head.get_by_role("button").click()
    assert head.get_attribute("aria-sort") == "ascending"
    upwards = _column(page, 7)
    assert upwards[:2] == ["under 1\u00a0%"] * 2
    assert sorted(upwards[-2:]) == ["cannot say", "not in use"]
    head.get_by_role("button").click()
    assert head.get_attribute("aria-sort") == "descending"
    assert _column(page, 7)[0] == "over 99\u00a0%"
    assert _column(page, 7)[-2:] == upwards[-2:]
    head.get_by_role("button").click()
    assert _column(page, 0) == given


def test_the_table_of_meters_is_sorted_and_filtered_by_keyboard(page: Page, folder: Path) -> None:
    """Heads and filters are reached by tab and worked by keys; the count says what is left."""
    page.goto((folder / "meters.html").as_uri())
    count = page.locator(".filters output")
    assert count.inner_text() == f"all {len(IDS)}"
    page.get_by_label("Find", exact=True).focus()
    page.keyboard.type("am-0")
    assert count.inner_text() == f"3 of {len(IDS)}"
    assert sorted(_column(page, 1)) == ["AM-01", "AM-02", "am-01"]
    page.keyboard.press("Tab")
    page.keyboard.type("drift")
    assert _column(page, 1) == [DRIFTER]
    page.keyboard.press("Home")
    page.keyboard.press("Tab")
    page.keyboard.press("Space")
    assert _column(page, 1) == []
    assert count.inner_text() == f"0 of {len(IDS)}"
    page.keyboard.press("Space")
    for _ in range(3):  # over the box that scrolls and the first head
        page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Meter"
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")
    assert [name.upper() for name in _column(page, 1)] == ["AM-02", "AM-01", "AM-01"]
    assert "descending" in page.locator(".voice").inner_text()


def test_without_script_nothing_is_missing(browser: Browser, folder: Path) -> None:
    """No dead control is shown, all rows and figures are."""
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto((folder / "meters.html").as_uri())
    assert page.locator(".filters").is_hidden()
    assert page.locator("[role=button]").count() == 0
    assert page.locator("#meter-table tbody tr").count() == len(IDS)
    context.close()


def test_eight_hundred_meters_are_light_and_filtered_at_once(page: Page, tmp_path: Path) -> None:
    """The first page of 800 meters is under 2 MB; that of all names each, and finds one."""
    pages = render.html_fleet(fleet_page(of_many(fabricate(), meters=800)))
    assert len(pages["index.html"].encode()) < 2e6
    write_assets(tmp_path)
    file = tmp_path / "meters.html"
    file.write_text(pages["meters.html"], encoding="utf-8")
    page.goto(file.as_uri())
    assert page.locator("#meter-table tbody tr").count() == 800
    page.get_by_label("Find", exact=True).fill("M-0123")
    assert page.locator(".filters output").inner_text() == "1 of 800"


def _leaves(page: Page, pdf: Path) -> list[str]:
    """Return the words of each leaf of a page's A4 print."""
    page.pdf(path=pdf, format="A4")
    printed = subprocess.run(
        ["pdftotext", "-raw", pdf, "-"], capture_output=True, text=True, check=True
    ).stdout
    return printed.split("\f")[:-1]


@needs_pdftotext
def test_heads_of_tables_are_repeated_on_every_leaf(page: Page, tmp_path: Path) -> None:
    """Each leaf that holds rows of the table of meters holds its head."""
    write_assets(tmp_path)
    file = tmp_path / "meters.html"
    pages = render.html_fleet(fleet_page(of_many(fabricate(), meters=90)))
    file.write_text(pages["meters.html"], encoding="utf-8")
    page.goto(file.as_uri())
    assert page.locator("#meter-table [role=button]").count() > 0
    leaves = _leaves(page, tmp_path / "page.pdf")
    row = re.compile(r"^\d+ M-\d+ (holding|watch) ", re.MULTILINE)
    rows = [leaf for leaf in leaves if row.search(leaf)]
    headed = [leaf for leaf in rows if "Next due" in leaf]
    assert len(headed) >= 2
    assert headed == rows


@needs_pdftotext
def test_a_list_prints_as_it_is_shown(page: Page, folder: Path, tmp_path: Path) -> None:
    """What a reader narrowed the table of meters down to is what paper gets."""
    page.goto((folder / "meters.html").as_uri())
    page.get_by_label("Find", exact=True).fill(DRIFTER)
    row = re.compile(rf"^\d+ ({re.escape(DRIFTER)}|{re.escape(NEWCOMER)}) ", re.MULTILINE)
    assert row.findall("\n".join(_leaves(page, tmp_path / "page.pdf"))) == [DRIFTER]
    page.get_by_label("Find", exact=True).fill("")
    assert set(row.findall("\n".join(_leaves(page, tmp_path / "page.pdf")))) == {DRIFTER, NEWCOMER}


@needs_pdftotext
@pytest.mark.parametrize("name", ["meters", DRIFTER])
def test_nothing_is_cut_off_on_paper(page: Page, folder: Path, tmp_path: Path, name: str) -> None:
    """Every word of the tables is on the paper, and every leaf has words."""
    page.goto((folder / "index.html").as_uri() if name == "meters" else _dossier(folder, name))
    leaves = _leaves(page, tmp_path / "page.pdf")
    assert min(len(leaf.split()) for leaf in leaves) > 20
    closely = "".join("".join(leaves).split())
    # What is visible on paper, which is not all that a screen shows.
    page.emulate_media(media="print")
    heads = page.locator("table:visible thead:not(.heard) th").evaluate_all(
        "heads => heads.filter(one => one.getBoundingClientRect().height > 4)"
        ".map(one => one.textContent)"
    )
    for words in heads:
        assert "".join(words.split()) in closely, words
    if name == "meters":
        # Long names are cut short beside their charts.
        assert all("".join(one.split())[:12] in closely for one in (DRIFTER, NEWCOMER))
