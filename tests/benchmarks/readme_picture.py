"""Makes the README picture anew: the first screen of the sample review, seen in a browser."""

import shutil
import tempfile
from datetime import date
from pathlib import Path

from playwright.sync_api import ViewportSize, sync_playwright

from drift.api.reviews import find
from drift.report.page_files import write_pages
from drift.review.policy import Policy

ROOT = Path(__file__).resolve().parents[2]
PICTURE = ROOT / ".readme" / "review.png"
AS_OF = date(2026, 10, 1)
SIZE = ViewportSize(width=1440, height=900)


def draw(folder: Path, picture: Path) -> None:
    """Photograph the first screen of the review whose pages are in a folder."""
    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport=SIZE)
        page.goto((folder / "index.html").as_uri())
        page.wait_for_function(
            "[...document.querySelectorAll('[data-figure]')].filter(place => place.clientWidth"
            " && place.getBoundingClientRect().top < innerHeight)"
            ".every(place => place.dataset.drawn)"
        )
        page.screenshot(path=picture)
        browser.close()


if __name__ == "__main__":
    review = find(ROOT / "sample_history", as_of=AS_OF, policy=Policy())
    with tempfile.TemporaryDirectory() as made:
        write_pages(review, Path(made), beside=(), progress=lambda _done, _of: None)
        draw(Path(made), PICTURE)
