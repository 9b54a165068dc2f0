"""The retirement memo in a real browser: quiet, harmless, legible on a telephone and on paper."""

import dataclasses
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

from drift.api.memos import retirement_memo
from drift.report.memos import write_retirement
from tests.csv_folders import readings, write
from tests.report.test_pages_browser import ARGUMENTS, CHROMIUM
from tests.report.test_render import SCRIPTS
from tests.report.test_retirement_memo import AS_OF, PRICED, visits

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")

HARM = "<script>window.harmed = 1</script><img src=x onerror=window.harmed=1>"


def test_the_memo_is_quiet_harmless_and_legible(tmp_path: Path) -> None:
    """No message, no request, no harm; nothing serious by axe; no sideways scroll at 390 px."""
    saw = [0.0, 0.05, 0.12] * 5
    source = write(tmp_path / "in", readings=readings(*visits("A", saw), *visits(HARM, saw)))
    often = dataclasses.replace(PRICED.retirement, same_direction_moves=2)
    policy = dataclasses.replace(PRICED, retirement=often)
    memo = retirement_memo(source, meters=(), as_of=AS_OF, policy=policy)
    ids = memo.weighed.advice["meter_id"].to_list()
    memo = retirement_memo(source, meters=ids, as_of=AS_OF, policy=policy)
    page_file = write_retirement(memo, tmp_path / "out")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        page = browser.new_context(offline=True).new_page()
        said: list[str] = []
        asked: list[str] = []
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda request: asked.append(request.url))
        for width in (1440, 390):
            page.set_viewport_size({"width": width, "height": 900})
            page.goto(page_file.as_uri())
            assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.evaluate("window.harmed === undefined")
        beside = {(page_file.parent / name).as_uri() for name in ("assets/page.css", *SCRIPTS)}
        assert set(asked) == {page_file.as_uri(), *beside}
        assert said == []
        page.emulate_media(media="print")
        signed = page.locator(".signed .line dd")
        # Reason, name and date of each meter.
        assert [place.is_visible() for place in signed.all()] == [True] * 3 * len(ids)
        browser.close()


def test_the_memo_breaks_no_serious_rule_of_accessibility(tmp_path: Path) -> None:
    """The rules of axe-core find nothing serious or critical."""
    source = write(tmp_path / "in", readings=readings(*visits("A", [0.0, 0.05, 0.12] * 5)))
    memo = retirement_memo(source, meters=("A",), as_of=AS_OF, policy=PRICED)
    page_file = write_retirement(memo, tmp_path / "out")
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
