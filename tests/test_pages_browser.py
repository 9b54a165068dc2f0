"""Pages in a real browser: quiet, offline, harmless, legible on every screen and on paper."""

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from drift import pages
from drift.page_files import write_pages
from tests.fabricated_review import DRIFTER, IDS, IMAGE, SCRIPT, fabricate

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
    return [folder / "index.html", *sorted((folder / "meters").iterdir())]


def test_pages_open_without_a_word_or_a_request(page: Page, folder: Path) -> None:
    """No page logs to the console, breaks its own security policy or asks for anything else."""
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    for file in _files(folder):
        page.goto(file.as_uri())
    assert said == []
    assert asked == [file.as_uri() for file in _files(folder)]


def test_hostile_ids_and_remarks_run_nothing(page: Page, folder: Path) -> None:
    """Markup in ids and remarks is text: nothing ran, no element came of it."""
    for file in _files(folder):
        page.goto(file.as_uri())
        assert page.evaluate("window.harmed === undefined")
        assert page.locator("img, script").count() == 0
    page.goto((folder / "index.html").as_uri())
    assert page.locator("bdi", has_text=SCRIPT).count() > 0
    assert page.locator("bdi", has_text=IMAGE).count() > 0


def test_links_lead_to_dossiers_and_back(page: Page, folder: Path) -> None:
    """Each meter's link opens its dossier, whose heading is the id; its own link leads back."""
    page.goto((folder / "index.html").as_uri())
    links = page.locator("section table a[href^='meters/']")
    seen = {links.nth(n).get_attribute("href") or "" for n in range(links.count())}
    assert seen == {f"meters/{pages.file_name(meter_id)}" for meter_id in IDS}
    for meter_id in (SCRIPT, DRIFTER, IDS[5]):
        page.goto((folder / "index.html").as_uri())
        page.locator(f"a[href='meters/{pages.file_name(meter_id)}']").first.click()
        assert page.locator("h1 bdi").inner_text() == meter_id
        page.get_by_role("link", name="Fleet review", exact=True).click()
        assert page.url.endswith("/index.html")


@pytest.mark.parametrize("width", WIDTHS)
def test_no_page_is_wider_than_its_screen(page: Page, folder: Path, width: int) -> None:
    """Only tables and drawings scroll sideways, within their own box, never the page."""
    page.set_viewport_size({"width": width, "height": 900})
    for file in _files(folder):
        page.goto(file.as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") <= width, file.name


def test_figures_are_drawn(page: Page, folder: Path) -> None:
    """Each figure shows marks at a legible size and has a name for a screen reader."""
    page.goto((folder / "meters" / pages.file_name(DRIFTER)).as_uri())
    pictures = page.locator(".picture")
    assert pictures.count() == 4
    for n in range(pictures.count()):
        box = pictures.nth(n).locator("> svg").bounding_box()
        assert box is not None
        assert box["width"] > 300
        assert pictures.nth(n).locator("path").count() > 10
        assert pictures.nth(n).get_attribute("aria-label")
    smallest = page.evaluate(
        "Math.min(...[...document.querySelectorAll('.picture text')]"
        ".filter(t => t.textContent).map(t => t.getBoundingClientRect().height))"
    )
    assert smallest >= 9


def test_keyboard_reaches_every_link_and_scroll_box(page: Page, folder: Path) -> None:
    """The first tab stop skips to the findings; scrolling boxes can be focused."""
    page.goto((folder / "index.html").as_uri())
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.url.endswith("#main")
    assert page.locator(".wide:not([tabindex])").count() == 0
    assert page.locator(".drawing:not([tabindex])").count() == 0


def test_dark_on_screen_light_on_paper(browser: Browser, folder: Path) -> None:
    """A dark screen gets dark pages and figures; paper stays light."""
    context = browser.new_context(color_scheme="dark")
    page = context.new_page()
    page.goto((folder / "meters" / pages.file_name(DRIFTER)).as_uri())
    ground = "getComputedStyle(document.documentElement).getPropertyValue('--paper').trim()"
    ink = "getComputedStyle(document.querySelector('.picture text')).fill"
    dark, dark_ink = page.evaluate(ground), page.evaluate(ink)
    page.emulate_media(media="print")
    light, light_ink = page.evaluate(ground), page.evaluate(ink)
    context.close()
    assert dark != light
    assert dark_ink != light_ink


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_prints_on_both_papers(page: Page, folder: Path, paper: str) -> None:
    """A dossier prints on a few pages, none wider than the paper, none blank."""
    page.goto((folder / "meters" / pages.file_name(DRIFTER)).as_uri())
    pdf = page.pdf(format=paper)
    leaves = len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))
    assert 2 <= leaves <= 6
    streams = [len(found) for found in re.findall(rb"stream\r?\n(.*?)endstream", pdf, re.DOTALL)]
    assert len([size for size in streams if size > 500]) >= leaves
