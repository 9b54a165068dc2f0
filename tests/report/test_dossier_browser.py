"""A dossier in a real browser: figures are drawn from their rows, read by key, chosen, zoomed."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from drift.report import render
from drift.report.figures.assets import write_assets
from drift.report.figures.rows import unpacked
from drift.report.pages.dossier import dossier_page
from drift.report.pages.parts import file_name
from drift.review.results import Review
from tests.fabricated_ids import DRIFTER, IDS
from tests.fabricated_review import fabricate
from tests.report.test_pages_browser import ARGUMENTS, CHROMIUM

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")

LARGE = ".drawn[data-figure=meter_history]"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def review() -> Review:
    return fabricate()


@pytest.fixture(scope="module")
def folder(review: Review, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write every dossier of the fabricated review into a folder."""
    out: Path = tmp_path_factory.mktemp("dossiers")
    write_assets(out)
    (out / "meters").mkdir()
    for meter_id in IDS:
        html = render.html_dossier(dossier_page(review, meter_id))
        (out / "meters" / file_name(meter_id)).write_text(html, encoding="utf-8")
    return out


@pytest.fixture
def page(browser: Browser, folder: Path) -> Iterator[Page]:
    """Open the dossier of the drifting meter, its large figure drawn."""
    context = browser.new_context(offline=True, viewport={"width": 1440, "height": 900})
    opened = context.new_page()
    _open(opened, folder, DRIFTER)
    yield opened
    context.close()


def _open(page: Page, folder: Path, meter_id: str) -> None:
    page.goto((folder / "meters" / file_name(meter_id)).as_uri())
    # It is drawn when it comes into view.
    page.locator(LARGE).scroll_into_view_if_needed()
    expect(page.locator(f"{LARGE}[data-drawn]")).to_have_count(1, timeout=30_000)


def _rows(page: Page, figure: str) -> dict[str, Any]:
    text = page.locator(f"{figure} + script").first.text_content()
    data = json.loads(text or "")["data"]
    return {data_set: unpacked(columns) for data_set, columns in data.items()}


def _dots(page: Page, panel: int) -> int:
    return page.locator(f"{LARGE} .visits_{panel + 1}_marks path").count()


def _known(page: Page, panel: int, column: str) -> int:
    """Return how many rows of a panel have a value."""
    visits = _rows(page, LARGE)["visits"]
    pairs = zip(visits["panel"], visits[column], strict=True)
    return sum(at == panel and value is not None for at, value in pairs)


def test_every_figure_is_drawn_and_silent(browser: Browser, folder: Path) -> None:
    """All figures of all dossiers, hostile ids among them, those of the folded annex too."""
    context = browser.new_context(offline=True)
    page = context.new_page()
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    for meter_id in IDS:
        _open(page, folder, meter_id)
        page.evaluate("document.querySelectorAll('details').forEach(part => { part.open = true; })")
        figures = page.locator(".drawn[data-figure]")
        for n in range(figures.count()):
            figures.nth(n).scroll_into_view_if_needed()
        expect(page.locator(".drawn:not([data-drawn]):not(:has(.note))")).to_have_count(0)
        assert page.evaluate("window.harmed === undefined")
    context.close()
    assert said == []
    assert {url.split("/")[-2] for url in asked} == {"assets", "meters"}


def test_marks_are_as_many_as_the_data_say(page: Page) -> None:
    """A dot a visit and point, an arrow's head a reset that was read as left."""
    for panel in (0, 1):
        assert _dots(page, panel) == _known(page, panel, "found") > 3
    visits = _rows(page, LARGE)["visits"]
    resets = sum(
        reset and left is not None and found is not None
        for reset, left, found in zip(visits["reset"], visits["left"], visits["found"], strict=True)
    )
    heads = page.locator(f"{LARGE} .resets_1_marks path, {LARGE} .resets_2_marks path")
    assert heads.count() == resets > 0


def test_dots_are_read_by_key(page: Page) -> None:
    """With the figure in focus, keys walk its dots and the line under it says each of them."""
    page.locator(LARGE).focus()
    line = page.locator(f"{LARGE} ~ .reading")
    heard = []
    for _ in range(40):
        page.keyboard.press("ArrowRight")
        heard.append(line.inner_text())
        page.keyboard.press("ArrowDown")
        heard.append(line.inner_text())
    visits = _rows(page, LARGE)["visits"]
    assert len([words for words in heard if words]) > len(heard) // 2
    assert any("as found" in words and "at 5" in words.replace("\u00a0", " ") for words in heard)
    assert len(set(heard)) > len(visits["on"]) // 4
    page.keyboard.press("Escape")
    expect(line).to_have_text("")


def test_biases_are_exchanged_for_the_path(page: Page) -> None:
    """One press draws the path without adjustments, and the title says what it shows."""
    title = page.locator("#history-title span:not([hidden])")
    before = title.inner_text()
    page.get_by_role("button", name="without adjustments").click()
    expect(title).not_to_have_text(before)
    expect(title).to_contain_text("Without adjustments it would stand")
    assert _dots(page, 1) == _known(page, 1, "path")
    page.get_by_role("button", name="as found").click()
    expect(title).to_have_text(before)


def test_a_point_is_chosen(page: Page) -> None:
    """One press shows one point alone, as high as all were together; another shows all again."""
    height = page.locator(f"{LARGE} svg").bounding_box()
    page.locator("[data-param=point]").get_by_role("button", name="5").click()
    expect(page.locator(f"{LARGE} .visits_1_marks path")).to_have_count(0)
    assert _dots(page, 1) == _known(page, 1, "found")
    alone = page.locator(f"{LARGE} svg").bounding_box()
    assert height is not None
    assert alone is not None
    assert alone["height"] == pytest.approx(height["height"], abs=40)
    page.locator("[data-param=point]").get_by_role("button", name="all").click()
    expect(page.locator(f"{LARGE} .visits_1_marks path")).to_have_count(_known(page, 0, "found"))


def test_time_is_zoomed_with_control_alone(page: Page) -> None:
    """The wheel scrolls the page; with Ctrl it zooms the time of the figure."""
    first = page.locator(f"{LARGE} .visits_2_marks path").first
    box = page.locator(LARGE).bounding_box()
    assert box is not None
    place = first.get_attribute("transform")
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.keyboard.down("Control")
    page.mouse.wheel(0, -300)
    page.keyboard.up("Control")
    expect(first).not_to_have_attribute("transform", place or "")
    zoomed = first.get_attribute("transform")
    page.mouse.wheel(0, 200)
    expect(page.locator(".skip")).not_to_be_in_viewport()
    assert first.get_attribute("transform") == zoomed


def test_zoom_of_one_figure_moves_the_others(page: Page) -> None:
    """Control and wheel over the large figure narrow the span of the lines of control as well."""
    lines = page.locator(".drawn[data-figure=meter_lines]")
    lines.scroll_into_view_if_needed()
    expect(page.locator(".drawn[data-figure=meter_lines][data-drawn]")).to_have_count(1)
    labels = lines.locator(".role-axis-label text")
    before = labels.all_text_contents()
    other = lines.locator(".mark-symbol path").first
    place = other.get_attribute("transform")
    page.locator(LARGE).scroll_into_view_if_needed()
    box = page.locator(LARGE).bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.keyboard.down("Control")
    page.mouse.wheel(0, -400)
    page.keyboard.up("Control")
    expect(other).not_to_have_attribute("transform", place or "")
    expect(labels).not_to_have_text(before)


def test_a_finger_reads_a_dot_and_scrolls_past_figures(browser: Browser, folder: Path) -> None:
    """A tap on a dot says below the figure what it stands for; a swipe over it moves the page."""
    context = browser.new_context(
        viewport={"width": 390, "height": 800}, has_touch=True, is_mobile=True
    )
    page = context.new_page()
    _open(page, folder, DRIFTER)
    dot = page.locator(f"{LARGE} .visits_1_marks path").nth(2)
    dot.scroll_into_view_if_needed()
    box = dot.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.touchscreen.tap(x, y)
    expect(page.locator(f"figure:has({LARGE}) .reading")).to_contain_text("as found")
    labels = page.locator(f"{LARGE} .role-axis-label text").all_text_contents()
    scrolled = page.evaluate("scrollY")
    client = context.new_cdp_session(page)
    for step in range(11):
        touch = {
            "type": "touchMove" if step else "touchStart",
            "touchPoints": [{"x": x, "y": y - 25 * step}],
        }
        client.send("Input.dispatchTouchEvent", touch)
    client.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    page.wait_for_function("before => scrollY > before + 100", arg=scrolled)
    assert page.locator(f"{LARGE} .role-axis-label text").all_text_contents() == labels
    context.close()


def test_without_script_all_is_said_in_words(browser: Browser, folder: Path) -> None:
    """Finding, obligations, verdicts and tables stand there; figures say what they need."""
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto((folder / "meters" / file_name(DRIFTER)).as_uri())
    assert page.locator("h1").inner_text().startswith(DRIFTER)
    assert page.locator(".ladder dt").count() > 5
    assert page.locator(".lines tbody tr").count() > 3
    assert "This figure needs its script" in page.content()
    assert page.locator("[data-param]").first.is_hidden()
    context.close()


@pytest.mark.parametrize("width", [1440, 1024, 390])
def test_no_dossier_is_wider_than_its_screen(browser: Browser, folder: Path, width: int) -> None:
    """Figures fit the screen they are drawn on; a narrow one gets them redrawn, not cut."""
    context = browser.new_context(viewport={"width": width, "height": 900})
    page = context.new_page()
    for meter_id in (DRIFTER, IDS[8]):
        _open(page, folder, meter_id)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        box = page.locator(f"{LARGE} svg").bounding_box()
        assert box is not None
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= width + 1
        # What is written beside its marks leaves them most of the room.
        dots = page.locator(f"{LARGE} .visits_1_marks path")
        first, last = dots.first.bounding_box(), dots.last.bounding_box()
        assert first is not None
        assert last is not None
        assert last["x"] - first["x"] > 0.4 * box["width"]
    context.close()
