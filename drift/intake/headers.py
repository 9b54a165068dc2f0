"""This module finds out which table a header belongs to."""

import difflib
import re
from collections import Counter
from collections.abc import Mapping as Map
from dataclasses import dataclass

from drift.intake.columns import COMMON_WORDS, MARKS_OF, TABLES, WRITTEN_BY_US
from drift.intake.mapping import folded

DELIMITERS = (",", ";", "\t")
# So many columns of its own make a table of a header, whatever else it holds.
_MARKS_ENOUGH = 3


@dataclass(frozen=True, slots=True)
class Header:
    """What a header line says.

    Attributes
    ----------
    table : str
        The table it comes closest to; empty where it is none.
    names : tuple of (str or None)
        Column of that table for each cell of the header; None for an unknown one.
    unknown : tuple of str
        Headers that the table does not have, as written; empty cells left out.
    lacking : tuple of str
        Required columns that it does not have.
    repeated : tuple of str
        Columns that it has more than once.
    stranger : str
        Why it is of no table though it has columns of one; empty where there is nothing to say.
    """

    table: str
    names: tuple[str | None, ...]
    unknown: tuple[str, ...]
    lacking: tuple[str, ...]
    repeated: tuple[str, ...]
    stranger: str = ""


def recognise(cells: list[str], *, declared: Map[str, str]) -> Header:
    """Return the table whose columns a header matches best.

    A table that lacks required columns is still the closest one where it matches more columns
    than any complete one: its header says what it was meant to be.  A list with a column in common
    is none of ours: a table that needs but one or two columns is known by one of its own besides,
    and by more of them where most of the header is something else.

    Parameters
    ----------
    cells : list of str
        The header line, split.
    declared : mapping of str to str
        Folded header to column name, from the mapping file.
    """
    named = [declared.get(folded(cell), folded(cell)) for cell in cells]
    table = max(TABLES, key=lambda name: _closeness(name, named=named))
    columns = {column.name: column for column in TABLES[table]}
    counts = Counter(name for name in named if name in columns)
    stranger = _stranger(table, named=named)
    telling = counts.keys() - COMMON_WORDS
    if stranger or (len(telling) < 2 and not _complete(table, named=named)):
        table, columns, counts = "", {}, Counter()
    return Header(
        table=table,
        names=tuple(name if name in columns else None for name in named),
        unknown=tuple(
            cell.strip()
            for cell, name in zip(cells, named, strict=True)
            if name not in columns and cell.strip()
        ),
        lacking=tuple(
            column.name
            for column in columns.values()
            if column.required and column.name not in counts
        ),
        repeated=tuple(name for name, count in counts.items() if count > 1),
        stranger=stranger,
    )


def delimiter_of(line: str, *, declared: Map[str, str]) -> str:
    """Return the delimiter that makes most known columns of a header line, else most cells."""
    known = {column.name for table in TABLES.values() for column in table} | set(declared)

    def worth(delimiter: str) -> tuple[int, int]:
        cells = [folded(cell.strip('"')) for cell in line.split(delimiter)]
        return sum(cell in known for cell in cells), len(cells)

    return max(DELIMITERS, key=worth)


def nearest_column(header: str, *, table: str) -> str:
    """Return the column of `table` that `header` may stand for; empty where none is near."""
    spelled = "_".join(folded(header).replace("%", " pct ").replace("-", " ").split())
    near = difflib.get_close_matches(spelled, [column.name for column in TABLES[table]], n=1)
    return near[0] if near else ""


def _closeness(table: str, *, named: list[str]) -> tuple[int, bool, int, int]:
    """Return how well a header fits a table, the larger the better."""
    columns = [column.name for column in TABLES[table]]
    matched = [name for name in columns if name in set(named)]
    telling = sum(name not in COMMON_WORDS for name in matched)
    # Of two that match alike, the complete one, then the one with the fewer columns unmatched.
    complete = _complete(table, named=named)
    return telling, complete, len(matched), len(matched) - len(columns)


def _stranger(table: str, *, named: list[str]) -> str:
    """Return why a header is of no table, though one needs no more columns than it has."""
    present = {name for name in named if name}
    if any(marks <= present for marks in WRITTEN_BY_US):
        return "it is what this program writes, not a record"
    if table == "readings" and (study := _study_told(named)):
        return (
            f"its column {study!r} tells of a study; in a table of studies that is study_id, and "
            "no study is taken for readings of visits"
        )
    if table not in MARKS_OF:
        return ""
    own = [name for name in MARKS_OF[table] if name in present]
    shared = [column.name for column in TABLES[table] if column.name in present]
    if own and (len(own) >= _MARKS_ENOUGH or 2 * len(shared) >= len(present)):
        return ""
    if not shared:
        return ""
    return f"of the columns of {table} it has only {', '.join(shared)}"


def _study_told(named: list[str]) -> str:
    """Return the header that tells of a study under another name; empty where there is none."""
    return next((name for name in named if re.match(r"study\b|study_", name)), "")


def _complete(table: str, *, named: list[str]) -> bool:
    """Return whether a header has all required columns of a table."""
    return all(column.name in named for column in TABLES[table] if column.required)
