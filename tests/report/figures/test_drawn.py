"""Figures in real browsers: drawn from their rows alone, read by mouse and keys, quiet, offline."""

import json
import shutil
import threading
from collections.abc import Iterator
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from drift.api.memos import retirement_memo, write_impact
from drift.report import render
from drift.report.figures.rows import unpacked
from drift.report.memos import write_retirement
from drift.report.pages.retirement import retirement_page
from drift.report.styles import shared_files
from tests.csv_folders import readings, write
from tests.report.figures.firefox import opened
from tests.report.test_pages_browser import ARGUMENTS, CHROMIUM
from tests.report.test_retirement_memo import AS_OF, PRICED, visits
from tests.report.waiting import SECONDS, until

SAW = [0.0, 0.05, 0.12] * 5
FIREFOX = shutil.which("firefox-esr") or shutil.which("firefox")
needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
needs_firefox = pytest.mark.skipif(FIREFOX is None, reason="no firefox on this machine")

# What is drawn, by figure: data sets of which each row is one dot that can be read.
DOTS = {
    "retirement_costs": ("costs",),
    "retirement_grounds": ("grounds", "others"),
    "doubtful_span": ("visits", "tests"),
}
DRAWN = "[...document.querySelectorAll('[data-figure]')].every((one) => one.dataset.drawn)"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a retirement memo and an impact note on a meter that goes out time and again."""
    out: Path = tmp_path_factory.mktemp("figures")
    rows = readings(*visits("A", SAW), *visits("B", SAW[1:]))
    source = write(out / "in", readings=rows)
    memo = retirement_memo(source, meters=("A", "B"), as_of=AS_OF, policy=PRICED)
    write_retirement(memo, out / "memo")
    write_impact(source, "A", visit=None, out=out / "impact", as_of=AS_OF, policy=PRICED)
    page = retirement_page(memo.review, memo.weighed, in_full=["A"])
    (out / "alone").mkdir()
    (out / "alone" / "memo.html").write_text(
        render.html_retirement(page, alone=True), encoding="utf-8"
    )
    return out


def pages(folder: Path) -> list[Path]:
    return sorted(folder.rglob("*.html"))


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as play:
        launched = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield launched
        launched.close()


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    yield context.new_page()
    context.close()


@pytest.fixture
def served(folder: Path) -> Iterator[str]:
    """Serve the folder on a port of this machine alone."""

    class Quiet(SimpleHTTPRequestHandler):
        def log_message(self, *_told: object) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(Quiet, directory=str(folder)))
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join(timeout=SECONDS)
    server.server_close()


def draw_all(page: Page) -> None:
    """Bring each figure into view, and wait until all are drawn."""
    for figure in page.locator("[data-figure]").all():
        figure.scroll_into_view_if_needed()
    until(page, DRAWN)


def carried(page: Page, place: int) -> tuple[str, dict[str, dict[str, list[object]]]]:
    """Return the name of a figure and the rows that the page carries for it."""
    figure = page.locator("figure.chart").nth(place)
    rows = figure.locator("script").text_content() or ""
    name = figure.locator("[data-figure]").get_attribute("data-figure") or ""
    data = json.loads(rows)["data"]
    return name, {data_set: unpacked(columns) for data_set, columns in data.items()}


@needs_chromium
@pytest.mark.parametrize("by", ["disk", "loopback"])
def test_figures_are_drawn_quietly_from_files_beside(
    page: Page, folder: Path, served: str, by: str
) -> None:
    """No message, no request but for the page and what lies beside; every figure is drawn."""
    told: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: told.append(message.text))
    page.on("pageerror", lambda error: told.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    start = folder.as_uri() if by == "disk" else served
    for file in pages(folder):
        page.goto(f"{start}/{file.relative_to(folder).as_posix()}")
        draw_all(page)
        assert page.locator("[data-drawn] svg").count() > 0
    page.wait_for_load_state("networkidle")
    assert told == []
    own = {"vega.js", "figures.js", *shared_files(), "favicon.ico"}
    own |= {file.name for file in pages(folder)}
    assert all(url.startswith(start) and url.rpartition("/")[2] in own for url in asked)
    alone = next(place for place, url in enumerate(asked) if "alone" in url)
    assert not asked[alone + 1].endswith((".js", ".css"))


@needs_chromium
def test_every_row_is_a_dot_that_keys_reach_and_name(page: Page, folder: Path) -> None:
    """As many dots can be read as the page carries rows; each says something in the line below."""
    for file in [folder / "memo" / "retirement.html", *sorted((folder / "impact").glob("*.html"))]:
        page.goto(file.as_uri())
        draw_all(page)
        for place in range(page.locator("figure.chart").count()):
            name, data = carried(page, place)
            figure = page.locator("figure.chart").nth(place)
            figure.locator("[data-figure]").focus()
            said = set()
            for _line in range(8):
                page.keyboard.press("Home")
                for _dot in range(200):
                    before = figure.locator(".reading").inner_text()
                    said.add(before)
                    page.keyboard.press("ArrowRight")
                    if figure.locator(".reading").inner_text() == before:
                        break
                here = figure.locator(".reading").inner_text()
                page.keyboard.press("ArrowDown")
                if figure.locator(".reading").inner_text() == here:
                    break
            different = {
                tuple(row)
                for data_set in DOTS[name]
                for row in zip(*data[data_set].values(), strict=True)
            }
            assert len(said) >= len(different) > 0, name
            assert all(words.strip() for words in said), name


@needs_chromium
def test_a_dot_is_read_by_pointing_and_left_by_escape(page: Page, folder: Path) -> None:
    """Expected cost and range of the choice under the pointer stand below; Escape takes them."""
    page.goto((folder / "memo" / "retirement.html").as_uri())
    draw_all(page)
    figure = page.locator("figure:has([data-figure=retirement_costs])").first
    dots = figure.locator("svg .mark-symbol path")
    assert dots.count() == 4
    line = figure.locator(".reading")
    dots.nth(0).hover(force=True)
    assert "expected cost" in line.inner_text()
    figure.locator("[data-figure]").focus()
    page.keyboard.press("Escape")
    assert line.inner_text() == ""


@needs_chromium
def test_figures_follow_the_width_and_the_dark(page: Page, folder: Path) -> None:
    """At 390 px a figure is redrawn narrower, nothing is cut; in the dark its words are light."""
    page.goto((folder / "memo" / "retirement.html").as_uri())
    draw_all(page)
    ink = "getComputedStyle(document.querySelector('[data-figure] svg text')).fill"
    light = page.evaluate(ink)
    page.emulate_media(color_scheme="dark")
    assert page.evaluate(ink) != light
    page.set_viewport_size({"width": 390, "height": 900})
    until(
        page,
        "[...document.querySelectorAll('[data-drawn]')].every((one) =>"
        " one.querySelector('svg').getBoundingClientRect().width <= one.clientWidth + 1)",
    )
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


@needs_chromium
def test_time_is_zoomed_with_ctrl_alone(page: Page, folder: Path) -> None:
    """The wheel scrolls the page; with Ctrl it zooms time."""
    (file,) = (folder / "impact").glob("*.html")
    page.goto(file.as_uri())
    draw_all(page)
    labels = "[...document.querySelectorAll('[data-figure] svg .role-axis-label text')]"
    labels += ".map((one) => one.textContent).join()"
    box = page.locator("[data-figure] svg").bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 60)
    before, scrolled = page.evaluate(labels), page.evaluate("scrollY")
    page.mouse.wheel(0, 40)
    until(page, f"scrollY !== {scrolled}")
    assert page.evaluate(labels) == before
    page.keyboard.down("Control")
    page.mouse.wheel(0, -300)
    page.keyboard.up("Control")
    until(page, f"{labels} !== {json.dumps(before)}")


@needs_chromium
def test_a_figure_without_rows_is_a_sentence(page: Page, folder: Path, tmp_path: Path) -> None:
    """Nothing is drawn, and nothing is said to the console."""
    told: list[str] = []
    page.on("console", lambda message: told.append(message.text))
    file = folder / "memo" / "retirement.html"
    shutil.copytree(folder / "memo" / "assets", tmp_path / "assets")
    html = file.read_text(encoding="utf-8")
    start = html.index('<script type="application/json">') + len('<script type="application/json">')
    rows = json.loads(html[start : html.index("</script>", start)])
    empty: dict[str, dict[str, list[object]]] = {
        name: {column: [] for column in columns} for name, columns in rows["data"].items()
    }
    changed = html[:start] + json.dumps({"data": empty, "params": {}})
    changed += html[html.index("</script>", start) :]
    (tmp_path / "page.html").write_text(changed, encoding="utf-8")
    page.goto((tmp_path / "page.html").as_uri())
    first = page.locator("[data-figure]").first
    first.scroll_into_view_if_needed()
    first.locator("p").wait_for()
    assert first.inner_text() == "No rows on record for this figure."
    assert first.locator("svg").count() == 0
    assert told == []


@needs_chromium
def test_printing_draws_what_was_not_in_view(page: Page, folder: Path) -> None:
    """Every figure of a page that was never scrolled is in its print."""
    page.goto((folder / "memo" / "retirement.html").as_uri())
    many = page.locator("[data-figure]").count()
    page.pdf(format="A4")
    until(page, DRAWN)
    assert page.locator("[data-drawn]").count() == many > 1


@needs_firefox
def test_firefox_opens_draws_and_obeys_the_policy(folder: Path, served: str) -> None:
    """From disk and over loopback: all is drawn, nothing foreign is asked, and eval is barred."""
    with opened(str(FIREFOX)) as firefox:
        for start in (folder.as_uri(), served):
            for file in pages(folder):
                firefox.go(f"{start}/{file.relative_to(folder).as_posix()}")
                firefox.run("dispatchEvent(new Event('beforeprint'))")
                firefox.wait_for(f"return {DRAWN}")
                assert firefox.run("return document.querySelectorAll('[data-drawn] svg').length")
                asked = firefox.run(
                    "return performance.getEntriesByType('resource').map((one) => one.name)"
                )
                assert all(url.startswith(start) for url in asked)
                inserted = (
                    "const one = document.createElement('script');"
                    "one.textContent = 'window.harmed = 1';"
                    "document.body.append(one); return window.wrappedJSObject?.harmed ?? null"
                )
                assert firefox.run(inserted) is None
