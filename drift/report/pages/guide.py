"""This module holds the page that explains: the guide by topic, and the reference."""

from dataclasses import dataclass
from functools import cache

from markdown_it import MarkdownIt

from drift.guide.texts import topics
from drift.report.pages import rows
from drift.report.pages.lookup import reference_parts
from drift.report.pages.parts import Stamp
from drift.review.results import Review

_REFERENCE = {
    "tables": "Input tables",
    "data-files": "Data files",
    "policy": "Policy",
    "commands": "Commands",
}


@dataclass(frozen=True, slots=True)
class GuideSection:
    """One topic: where a link finds it, its title and its text as HTML."""

    anchor: str
    title: str
    html: str


@dataclass(frozen=True, slots=True)
class GuidePage:
    """The guide, then what can be looked up."""

    stamp: Stamp
    guide: tuple[GuideSection, ...]
    reference: tuple[GuideSection, ...]


def guide_page(review: Review) -> GuidePage:
    """Return the guide as it stands beside a review."""
    guide, reference = _sections()
    return GuidePage(stamp=rows.stamp(review), guide=guide, reference=reference)


@cache
def _sections() -> tuple[tuple[GuideSection, ...], tuple[GuideSection, ...]]:
    """Return the sections of the guide and of the reference, the same beside every review."""
    parts = reference_parts()
    return (
        tuple(GuideSection(one.name, one.title, _html(one.text)) for one in topics()),
        tuple(GuideSection(name, title, _html(parts[name])) for name, title in _REFERENCE.items()),
    )


def _html(text: str) -> str:
    """Return Markdown as HTML, headings one step down; HTML within the text is shown, not run."""
    maker = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = maker.parse(text)
    for token in tokens:
        if token.type in {"heading_open", "heading_close"}:
            token.tag = f"h{int(token.tag[1]) + 1}"
    return str(maker.renderer.render(tokens, maker.options, {}))
