"""This module takes what was filled in at the bench: saved visits and rounds' workbooks."""

from collections import Counter
from datetime import date
from pathlib import Path

from drift.errors import SourceError, written_into
from drift.intake.bench_file import VISIT_SUFFIX, unfinished_visits, visit_files, visit_tables
from drift.intake.round_book import is_round_book, read_round_book, round_books


def is_bench_file(path: Path) -> bool:
    """Say whether a file is a visit that the page of the bench saved, or a round's workbook."""
    return path.is_file() and (path.suffix.lower() == VISIT_SUFFIX or is_round_book(path))


def bench_files(folder: Path) -> list[Path]:
    """Return the files of a folder that were filled in at the bench, by name; of a file itself.

    Raises
    ------
    SourceError
        If the folder cannot be read.
    """
    if not folder.is_dir():
        return [folder] if is_bench_file(folder) else []
    try:
        return sorted([*visit_files(folder), *round_books(folder)])
    except OSError as error:
        raise SourceError(
            what=f"cannot be read ({error.strerror})",
            where=str(folder),
            expected="a readable folder",
        ) from error


def half_done_in(source: Path) -> tuple[str, ...]:
    """Say what of visits is half done, in sentences; nothing of any other source.

    Raises
    ------
    SourceError
        If a visit cannot be read.
    """
    told: list[str] = []
    for path in bench_files(source):
        if path.suffix.lower() == VISIT_SUFFIX:
            told += unfinished_visits(path)
        else:
            told += read_round_book(path, today=_today()).notes
    return tuple(told)


def lay_out_visits(
    visits: list[Path], folder: Path, *, date_format: str | None = None
) -> tuple[str, ...]:
    """Write the tables of visits into a folder.

    Tables that stand there with the same rows are left out.  One that has grown takes the place of
    what it has grown from; where anything of that has changed it stands beside it, and a later
    row amends an earlier one.  Returns the names of those that are written.

    Raises
    ------
    DriftError
        If a visit cannot be read, or the folder cannot be written.
    """
    written = []
    for path in visits:
        for name, text in _tables_of(path, date_format).items():
            place = _place_for(folder, name, text)
            if place is None:
                continue
            with written_into(folder):
                folder.mkdir(parents=True, exist_ok=True)
                place.write_bytes(text.encode("utf-8"))
            written.append(place.name)
    return tuple(written)


def _tables_of(path: Path, date_format: str | None) -> dict[str, str]:
    """Return the tables of one visit or workbook, by file name."""
    if path.suffix.lower() == VISIT_SUFFIX:
        return visit_tables(path, date_format=date_format)
    return read_round_book(path, today=_today(), date_format=date_format).tables


def _place_for(folder: Path, name: str, text: str) -> Path | None:
    """Return where a table goes in a folder; None where it stands there already."""
    place, number = folder / name, 1
    rows = _rows(text.encode("utf-8"))
    while place.is_file():
        there = _rows(place.read_bytes())
        if there == rows:
            return None
        if there <= rows:
            break
        number += 1
        # Read after the first by its name, so that its rows are the later ones.
        place = folder / f"{name.removesuffix('.csv')}_{number}.csv"
    return place


def _rows(content: bytes) -> Counter[bytes]:
    """Return how often each row stands in a file; where it stands says nothing."""
    return Counter(line for line in content.splitlines() if line)


def _today() -> date:
    """Return the laboratory's own day."""
    return date.today()  # noqa: DTZ011
