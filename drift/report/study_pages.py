"""This module writes the pages of studies of repeatability beside the pages of a review."""

from pathlib import Path

from drift.report import render
from drift.report.pages.bar import PageBar
from drift.report.pages.parts import file_name
from drift.report.pages.study import study_page
from drift.review.results import Review


def write_study_pages(review: Review, folder: Path, bar: PageBar, *, alone: bool) -> list[str]:
    """Write a page for each study on record; return their names below a folder.

    Raises
    ------
    OSError
        If a page cannot be written.
    """
    names = []
    for studied in review.studied():
        (folder / "studies").mkdir(exist_ok=True)
        names.append(f"studies/{file_name(studied.study.study_id)}")
        html = render.html_study(study_page(studied), bar, alone=alone)
        (folder / names[-1]).write_text(html, encoding="utf-8", newline="\n")
    return names
