"""How tests wait for what a page comes to."""

import time

from playwright.sync_api import Page

# A machine that is busy with other work must not fail a test.
SECONDS = 60.0


def until(page: Page, condition: str) -> None:
    """Wait until an expression holds; the policy bars the evaluation by which the page would."""
    end = time.monotonic() + SECONDS
    while not page.evaluate(condition):
        assert time.monotonic() < end, condition
        page.wait_for_timeout(50)
