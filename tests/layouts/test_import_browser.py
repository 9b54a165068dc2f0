"""The page of an import in a real browser: opens, stays usable with many cells, runs nothing."""

from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

from tests.command_line import run_here as drift
from tests.layouts.writing import text_file
from tests.report.test_pages_browser import ARGUMENTS, CHROMIUM

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
HARM = "<script>window.harmed = 1</script><img src=x onerror=window.harmed=1>"


def page_of(folder: Path, *, rows: int) -> Path:
    header: list[object] = ["Meter", "Date", "AF 0", "AF 5", "AF 10", "AL 0", "AL 5", "AL 10"]
    lines = [
        [f"M-{row % 50}", f"20{10 + row % 15:02}-0{1 + row % 9}-15", 0, 4.9, 9.9, 0, 5, HARM]
        for row in range(rows)
    ]
    records = text_file(folder / "log.csv", [header, *lines])
    drift("import", records, "--into", folder / "h", "--out", folder / "o")
    return folder / "o" / "import.html"


def test_fifty_thousand_cells_open_and_run_nothing(tmp_path: Path) -> None:
    """No message, no request, no harm; cells say what became of them, and scrolling reaches all."""
    page_file = page_of(tmp_path, rows=6_250)
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        page = browser.new_context(offline=True).new_page()
        said: list[str] = []
        asked: list[str] = []
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(page_file.as_uri(), timeout=180_000)
        assert page.locator("table.cells td").count() == 50_008
        last = page.locator("table.cells tbody tr").last
        last.scroll_into_view_if_needed()
        assert "not understood" in page.content()
        assert last.locator("td").last.get_attribute("data-f") == "u"
        assert page.evaluate("window.harmed === undefined")
        assert set(asked) == {page_file.as_uri()}
        assert said == []
        browser.close()


def test_the_page_breaks_no_serious_rule_of_accessibility(tmp_path: Path) -> None:
    page_file = page_of(tmp_path, rows=6)
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        page = browser.new_context(offline=True, bypass_csp=True).new_page()
        page.goto(page_file.as_uri())
        found = Axe().run(page)
        grave = [
            (one["id"], [node["html"][:120] for node in one["nodes"][:3]])
            for one in found.response["violations"]
            if one["impact"] in {"serious", "critical"}
        ]
        browser.close()
    assert grave == []
