"""The guide beside a review holds every topic and every table that can be looked up."""

import re
from itertools import pairwise
from pathlib import Path

from drift.guide.texts import topics
from drift.intake.columns import TABLES
from drift.report.pages.guide import guide_page
from drift.report.pages.lookup import reference_parts
from drift.report.render import html_guide
from tests.fabricated_review import fabricate


def test_the_page_holds_every_topic_and_part_with_a_link() -> None:
    """Each heading is where its link leads; nothing of the texts is left out."""
    html = html_guide(guide_page(fabricate()))
    for topic in topics():
        assert f'href="#{topic.name}"' in html
        assert f'<h2 id="{topic.name}">' in html
    for part in reference_parts():
        assert f'<h2 id="{part}">' in html
    assert all(f"<h3>{table}</h3>" in html for table in TABLES)
    words = re.sub(r"<[^>]+>", "", html)
    assert "Let the pressure out before you open anything" in words
    assert html.count("<table>") == html.count('aria-label="Table"') > 10


def test_headings_step_down_one_by_one() -> None:
    """A screen reader can walk through them."""
    html = html_guide(guide_page(fabricate()))
    levels = [int(level) for level in re.findall(r"<h(\d)", html)]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_texts_hold_no_markup_of_their_own() -> None:
    """Markdown alone, so that the page can admit no script."""
    folder = Path(__file__).resolve().parents[2] / "drift" / "guide"
    for path in folder.glob("*.md"):
        assert not re.search(r"</?[a-zA-Z]+[^>\n]*>", path.read_text(encoding="utf-8")), path.name
