"""This module reads the file that the page of the bench saves, and lays its rows out as tables.

The rows stand in the file one a line.  They go into CSV files in which each keeps the number of its
line, so that what is said of ``visit-….json.readings.csv:41`` is found in line 41 of the saved
file; from there on they are read, checked and kept like any other.  A row without its reading or
mark was not done, and is left out rather than held back.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from drift.errors import SourceError
from drift.intake.columns import TABLES
from drift.intake.lined_csv import lined_csv

MADE_BY = "drift bench page"
VISIT_SUFFIX = ".json"
_FORMATS = (1,)
# Tables that a visit may fill, each with the cell without which a row was not done.
_DONE_BY = {"readings": "reading_air_pct", "marks": "mark", "service": "action"}
# What a reading of a visit goes by.
_NAMED_BY = ("meter_id", "performed_on", "stage", "replicate", "visit_id")
_EXPECTED = "a file saved by the page of the bench"
_LARGEST_FILE = 64 * 2**20


def visit_files(folder: Path) -> list[Path]:
    """Return the files of a folder that the page of the bench saved, by name."""
    paths = sorted(path for path in folder.glob(f"*{VISIT_SUFFIX}") if path.is_file())
    return [path for path in paths if _is_ours(path)]


@dataclass(frozen=True, slots=True)
class TakenBack:
    """A reading that is no row of its visit any more: which, its value, and by whom and why."""

    cells: Mapping[str, str]
    point: str
    reading: str
    by: str
    why: str


def taken_back(path: Path) -> list[TakenBack]:
    """Return the readings of a saved file that were struck, or read before a later adjustment.

    Raises
    ------
    SourceError
        As of `visit_tables`.
    """
    rows = _held(path).get("taken_back", [])
    if not isinstance(rows, list) or not all(map(_is_taken_back, rows)):
        raise _refused(path, "holds no list of readings that were taken back")
    return [
        TakenBack(
            cells={name: row[name] for name in _NAMED_BY},
            point=str(row["pct"]),
            reading=row["reading_air_pct"],
            by=" ".join(row["by"].split()) or "not named",
            why=" ".join(row["why"].split()) or "no reason given",
        )
        for row in rows
    ]


def _is_taken_back(row: object) -> bool:
    """Say whether a row has all that a reading which was taken back has."""
    texts = (*_NAMED_BY, "reading_air_pct", "by", "why")
    return (
        isinstance(row, dict)
        and isinstance(row.get("pct"), int | float)
        and all(isinstance(row.get(name), str) for name in texts)
    )


def unfinished_visits(path: Path) -> list[str]:
    """Say which visits of a saved file are unfinished, or finished and not signed.

    Raises
    ------
    SourceError
        As of `visit_tables`.
    """
    visits = _held(path).get("visits")
    told = []
    for visit in visits if isinstance(visits, list) else []:
        if not isinstance(visit, dict) or not isinstance(visit.get("meter"), str):
            continue
        where = f"{visit['meter']}, begun {str(visit.get('started', ''))[:16].replace('T', ' ')}"
        if visit.get("outcome") == "unfinished":
            told.append(f"{where}: unfinished.")
        elif not visit.get("signed") and visit.get("outcome") != "elsewhere":
            told.append(f"{where}: not signed.")
    return told


def visit_tables(path: Path, *, date_format: str | None = None) -> dict[str, str]:
    """Return the tables of a saved visit as texts of CSV files, by file name.

    Parameters
    ----------
    path : Path
        The saved file.
    date_format : str or None
        How the folder that they go into writes dates; None for ISO 8601.

    Raises
    ------
    SourceError
        If it cannot be read, was not saved by the page, or holds a row of an unknown kind.
    """
    held = _held(path)
    rows = held.get("rows")
    if not isinstance(rows, dict) or not set(rows) <= set(_DONE_BY):
        raise _refused(path, "holds rows of no known table")
    lines = _lines_of(_text(path))
    made = {}
    for table, items in rows.items():
        done = [row for row in _checked(path, table, items) if str(row[_DONE_BY[table]] or "")]
        if done:
            made[f"{path.name}.{table}.csv"] = lined_csv(
                table, _placed(done, lines), date_format=date_format
            )
    return made


def _is_ours(path: Path) -> bool:
    """Say whether a file begins as the page of the bench begins what it saves."""
    try:
        with path.open("rb") as file:
            return f'"made_by": "{MADE_BY}"'.encode() in file.read(200)
    except OSError:
        return False


def _held(path: Path) -> dict[str, Any]:
    """Return what a saved file holds."""
    try:
        held = json.loads(_text(path))
    except (ValueError, RecursionError) as error:
        raise _refused(path, f"is not JSON ({error})") from error
    if not isinstance(held, dict) or held.get("made_by") != MADE_BY:
        raise _refused(path, "was not saved by the page of the bench")
    if held.get("format") not in _FORMATS:
        raise _refused(path, f"is of format {held.get('format')!r}, which is unknown here")
    return held


def _text(path: Path) -> str:
    """Return the text of a file."""
    try:
        if path.stat().st_size > _LARGEST_FILE:
            raise _refused(path, "is too long for a round of visits")
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise _refused(path, "is not in UTF-8") from error
    except OSError as error:
        raise _refused(path, f"cannot be read ({error.strerror})") from error


def _checked(path: Path, table: str, items: object) -> list[dict[str, Any]]:
    """Return rows whose cells are texts or numbers of known columns, or raise."""
    known = {column.name: "" for column in TABLES[table]}
    if not isinstance(items, list):
        raise _refused(path, f"holds no list of {table}")
    for row in items:
        if not isinstance(row, dict) or not set(row) <= set(known):
            raise _refused(path, f"holds a row of {table} with cells of no known column")
        if not all(value is None or type(value) in {str, int, float} for value in row.values()):
            raise _refused(path, f"holds a row of {table} with a cell that is no text or number")
    return [known | row for row in items]


def _lines_of(text: str) -> dict[str, list[int]]:
    """Return the lines on which rows stand, by what they hold; rows alike are in order."""
    found: dict[str, list[int]] = {}
    for number, line in enumerate(text.split("\n"), start=1):
        cells = line.strip().rstrip(",")
        if cells.startswith("{") and cells.endswith("}"):
            try:
                row = json.loads(cells)
            except (ValueError, RecursionError):
                continue
            found.setdefault(_key(row), []).append(number)
    return found


def _key(row: dict[str, Any]) -> str:
    """Return what two rows have in common that are the same, empty cells apart."""
    return json.dumps({name: value for name, value in row.items() if value}, sort_keys=True)


def _placed(
    rows: list[dict[str, Any]], lines: dict[str, list[int]]
) -> list[tuple[int, dict[str, Any]]]:
    """Return each row with the line that it has in the saved file, if it has one."""
    placed: list[tuple[int, dict[str, Any]]] = []
    for row in rows:
        places = lines.get(_key(row), [])
        after = placed[-1][0] + 1 if placed else 2
        placed.append((places.pop(0) if places else after, row))
    return placed


def _refused(path: Path, what: str) -> SourceError:
    """Return the error of a file that cannot be taken for a saved visit."""
    return SourceError(what=what, where=str(path), expected=_EXPECTED)
