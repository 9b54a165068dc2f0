"""This module lets commands read a laboratory's own records where they read a folder of tables."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path

from drift.errors import SourceError
from drift.intake.layouts.answers import Answers
from drift.intake.layouts.history import as_csv, history_tables
from drift.intake.layouts.layout_file import LAYOUT_FILE, Layout, read_layout
from drift.intake.layouts.proposal import propose
from drift.intake.layouts.records import read_records
from drift.intake.layouts.workbooks import WORKBOOK_SUFFIXES as WORKBOOKS


def is_own(source: Path) -> bool:
    """Say whether a source is a workbook, or a folder with a layout file."""
    if source.is_dir():
        return (source / LAYOUT_FILE).is_file()
    return source.is_file() and source.suffix.lower() in WORKBOOKS


@contextmanager
def as_folder(source: Path, *, layouts: tuple[Path, ...] = ()) -> Iterator[Path]:
    """Give a folder of tables made of a laboratory's own records; any other source as it is.

    Parameters
    ----------
    source : Path
        Any source of a command.
    layouts : tuple of Path
        Where else a layout file may lie than beside the records.

    Raises
    ------
    SourceError
        If the records leave something to ask, or hold no readings.
    """
    if not is_own(source):
        yield source
        return
    with tempfile.TemporaryDirectory(prefix="drift-") as made:
        folder = Path(made) / (source.resolve().name if source.is_dir() else source.stem)
        folder.mkdir()
        _convert(source, folder, layouts=layouts)
        yield folder


def _convert(source: Path, folder: Path, *, layouts: tuple[Path, ...]) -> None:
    """Write the tables that records make into a folder."""
    places = [source if source.is_dir() else source.parent, *layouts]
    beside = next(
        (place / LAYOUT_FILE for place in places if (place / LAYOUT_FILE).is_file()), None
    )
    known = read_layout(beside) if beside else Layout()
    answers = Answers(known.answers, known.tables, accepted=known.accepted)
    today = date.today()  # noqa: DTZ011 (the laboratory's own day)
    proposal = propose(read_records(source), answers=answers, today=today)
    hint = f"drift import {source} --into HISTORY shows every cell, and asks"
    if proposal.questions:
        first = proposal.questions[0]
        many = len(proposal.questions)
        raise SourceError(
            what=f"leaves {many} {'question' if many == 1 else 'questions'} open, "
            f"the first: {first.asks} ({first.place})",
            where=str(source),
            expected=f"{first.key} answered in {LAYOUT_FILE} beside it",
            hint=hint,
        )
    made = history_tables(proposal.rows)
    if not made.get("readings"):
        raise SourceError(
            what="holds no readings that are understood",
            where=str(source),
            expected="records of meters, days and readings",
            hint=hint,
        )
    for name, rows in made.items():
        (folder / f"{name}.csv").write_text(as_csv(name, rows), encoding="utf-8")
