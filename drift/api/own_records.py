"""This module lets commands read own records and saved visits as they read a folder of tables."""

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path

from drift.api.bench_visits import bench_files, is_bench_file, lay_out_visits
from drift.errors import SourceError, written_into
from drift.intake.files import source_paths
from drift.intake.layouts.answers import Answers
from drift.intake.layouts.history import as_csv, history_tables
from drift.intake.layouts.layout_file import LAYOUT_FILE, Layout, read_layout
from drift.intake.layouts.proposal import propose
from drift.intake.layouts.records import read_records
from drift.intake.layouts.workbooks import WORKBOOK_SUFFIXES as WORKBOOKS
from drift.intake.mapping import MAPPING_FILE, read_mapping


def is_own(source: Path) -> bool:
    """Say whether a source is a workbook or of the bench, or a folder with such or a layout."""
    if source.is_dir():
        return (source / LAYOUT_FILE).is_file() or bool(bench_files(source))
    return source.is_file() and (source.suffix.lower() in WORKBOOKS or is_bench_file(source))


@contextmanager
def as_folder(source: Path, *, layouts: tuple[Path, ...] = ()) -> Iterator[Path]:
    """Give a folder of tables made of own records or saved visits; any other source as it is.

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
        visits = bench_files(source) if source.is_dir() else []
        if source.is_dir():
            lay_out_visits(visits, folder, date_format=read_mapping(source).date_format)
        if is_bench_file(source):
            visits = [source]
            lay_out_visits(visits, folder)
        elif source.is_dir() and not (source / LAYOUT_FILE).is_file():
            _copy_tables(source, folder)
        else:
            names = frozenset(path.name for path in visits)
            _convert(source, folder, layouts=layouts, without=names)
        if visits and not any(folder.iterdir()):
            raise SourceError(
                what="holds no reading yet",
                where=str(source),
                expected="a visit in which something was read",
            )
        yield folder


def _copy_tables(source: Path, folder: Path) -> None:
    """Copy a folder's own tables and its mapping."""
    tables = [path for path in source.iterdir() if path.suffix.lower() == ".csv"]
    mapping = source / MAPPING_FILE
    with written_into(folder):
        for path in source_paths(source) if tables else []:
            shutil.copyfile(path, folder / path.name)
        if mapping.is_file():
            shutil.copyfile(mapping, folder / MAPPING_FILE)


def _convert(
    source: Path, folder: Path, *, layouts: tuple[Path, ...], without: frozenset[str]
) -> None:
    """Write the tables that records make into a folder."""
    places = [source if source.is_dir() else source.parent, *layouts]
    beside = next(
        (place / LAYOUT_FILE for place in places if (place / LAYOUT_FILE).is_file()), None
    )
    known = read_layout(beside) if beside else Layout()
    answers = Answers(known.answers, known.tables, accepted=known.accepted)
    today = date.today()  # noqa: DTZ011 (the laboratory's own day)
    proposal = propose(read_records(source, without=without), answers=answers, today=today)
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
        (folder / f"{name}.csv").write_text(as_csv(name, rows), encoding="utf-8", newline="\n")
