"""This module writes the pages of the register: what is due, labels, sites, and the journal."""

from pathlib import Path

from drift.report import render
from drift.report.pages.bar import PageBar
from drift.report.pages.journal import review_journal_page
from drift.report.pages.parts import file_name
from drift.report.pages.register import labels_page, register_page, site_pages
from drift.review.results import Review

REGISTER_PAGES = ("register.html", "labels.html", "journal.html")


def write_register(review: Review, folder: Path, bar: PageBar) -> list[str]:
    """Write the pages of the register, and one for each site; return their names below a folder.

    Raises
    ------
    OSError
        If a page cannot be written.
    """
    written = (
        render.html_register(register_page(review), bar),
        render.html_labels(labels_page(review), bar),
        render.html_journal(review_journal_page(review), bar),
    )
    pages = dict(zip(REGISTER_PAGES, written, strict=True))
    for page in site_pages(review):
        (folder / "sites").mkdir(exist_ok=True)
        pages[f"sites/{file_name(page.name)}"] = render.html_site(page, bar)
    for name, html in pages.items():
        (folder / name).write_text(html, encoding="utf-8", newline="\n")
    return list(pages)
