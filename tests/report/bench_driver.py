"""A technician at the page of the bench, by touch or by keyboard."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, BrowserContext, Page

NOON = "2022-04-14T12:00:00-05:00"
SIZES = {"touch": (390, 844), "keyboard": (1024, 768)}
_MOST_TABS = 200
# All that a page keeps, in one text; null where it can keep nothing.
_KEPT = """(() => {
  try { return JSON.stringify(Object.entries(localStorage).sort()); } catch { return null; }
})()"""


@dataclass
class Bench:
    """One browser with the page open.

    Attributes
    ----------
    context : BrowserContext
        Offline, with a storage of its own.
    page : Page
        The page.
    file : Path
        Where the page is.
    way : str
        ``touch`` or ``keyboard``.
    said, asked : list of str
        What the console said, and what was requested.
    """

    context: BrowserContext
    page: Page
    file: Path
    way: str
    said: list[str]
    asked: list[str]

    def reopen(self) -> None:
        """Close the page and open it again, while another page of the folder stays open.

        It waits until that one sees what is kept, and holds it: where the last page of an
        origin is closed and one is opened within milliseconds, on a busy machine, the browser now
        and then forgets what it had not yet put away.
        """
        kept = self.page.evaluate(_KEPT)
        beside = self.file.with_name("beside.html")
        beside.write_text("<!doctype html><title>beside</title>", encoding="utf-8")
        other = self.context.new_page()
        other.goto(beside.as_uri())
        other.wait_for_function(f"kept => [kept, null].includes({_KEPT})", arg=kept, polling=50)
        self.page.close()
        self.page = self.context.new_page()
        _listen(self)
        self.page.goto(self.file.as_uri())
        other.close()

    def headline(self) -> str:
        """Return the finding."""
        return plain(self.page.locator("h1").inner_text())

    def text(self) -> str:
        """Return all that can be read."""
        return plain(self.page.locator("main").inner_text())

    def press(self, key: str) -> None:
        """Press a button by its name in the page."""
        button = self.page.locator(f'[data-key="{key}"]').first
        if self.way == "touch":
            button.tap()
            return
        self.tab_to(key)
        self.page.keyboard.press("Enter")

    def tab_to(self, key: str) -> None:
        """Go to a control by the tabulator key alone."""
        for _ in range(_MOST_TABS):
            at = self.page.evaluate("document.activeElement.dataset.key ?? ''")
            if at == key:
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"{key} is not reached by keyboard")

    def say(self, key: str, words: str) -> None:
        """Type an answer and send it."""
        field = f"ask-{key}"
        if self.way == "touch":
            self.page.locator(f'[data-key="{field}"]').tap()
        else:
            self.tab_to(field)
        self.page.keyboard.type(words)
        self.press(f"go-{key}")

    def read(self, *readings: str) -> None:
        """Key in readings one after the other."""
        for reading in readings:
            if self.way == "keyboard":
                self.page.keyboard.type(reading)
                self.page.keyboard.press("Enter")
                continue
            for sign in reading:
                self.press("key±" if sign == "-" else f"key{sign}")
            self.press("enter")

    def open(self, meter: str, *, who: str = "tech-2", mark: bool = True) -> None:
        """Say who is there and begin a meter of the list."""
        if self.page.locator("#ask-who").count():
            self.say("who", who)
        self.press(f"meter-{meter}")
        if mark:
            self.press("mark-known")
        self.press("begin")

    def save(self, key: str, folder: Path) -> Path:
        """Press what saves, and return the file."""
        with self.page.expect_download() as waiting:
            self.press(key)
        path = folder / waiting.value.suggested_filename
        waiting.value.save_as(path)
        return path


def plain(text: str) -> str:
    """Return text with plain spaces and hyphens."""
    return text.replace("\u00a0", " ").replace("\u2212", "-")


def _listen(bench: Bench) -> None:
    """Note what the page says and asks for."""
    bench.page.on("console", lambda message: bench.said.append(message.text))
    bench.page.on("pageerror", lambda error: bench.said.append(str(error)))
    bench.page.on("request", lambda request: bench.asked.append(request.url))


def sit_down(browser: Browser, file: Path, way: str, **options: Any) -> Bench:
    """Open the page in a browser of its own, without a network, at noon of a day of 2022."""
    width, height = SIZES[way]
    context = browser.new_context(
        offline=True,
        viewport={"width": width, "height": height},
        has_touch=way == "touch",
        timezone_id="America/Chicago",
        accept_downloads=True,
        **options,
    )
    context.clock.install(time=NOON)
    bench = Bench(context, context.new_page(), file, way, [], [])
    _listen(bench)
    bench.page.goto(file.as_uri())
    return bench


def saved_rows(path: Path, table: str) -> list[dict[str, str]]:
    """Return the rows of a saved file."""
    rows: list[dict[str, str]] = json.loads(path.read_text(encoding="utf-8"))["rows"][table]
    return rows
