"""This module gathers the data of the page of an import: every cell and what became of it."""

from collections import Counter, defaultdict
from dataclasses import dataclass
from datetime import date

from drift.intake.layouts.answers import Question
from drift.intake.layouts.cells import Fate, Marks, Sheet, cell_name, shown
from drift.intake.layouts.history import HistoryTables, history_columns
from drift.intake.layouts.proposal import Proposal
from drift.version import __version__

_SAMPLE_ROWS = 12
_MOST_PLACES = 5
_LONGEST_CELL = 200
_FATES: dict[Fate, str] = {"read": "read", "passed": "passed over", "unread": "not understood"}


@dataclass(frozen=True, slots=True)
class RecordsStamp:
    """What the page speaks for: program version, source and day."""

    version: str
    source_name: str
    as_of: date


@dataclass(frozen=True, slots=True)
class CellShown:
    """One cell: its text, the letter of its fate and what became of it."""

    text: str
    fate: str
    why: str


@dataclass(frozen=True, slots=True)
class SheetShown:
    """One sheet: its title, what is said of it, its rows with their numbers, its columns' names."""

    title: str
    note: str
    counts: str
    columns: tuple[str, ...]
    rows: tuple[tuple[int, tuple[CellShown, ...]], ...]


@dataclass(frozen=True, slots=True)
class RecordsPage:
    """The page of an import.

    Attributes
    ----------
    counts : tuple of (str, str, int)
        Letter, words and number of cells of each fate.
    reasons : tuple of (str, str, int, str)
        Letter of the fate, reason, number of cells and the first of them, the most frequent first.
    questions : tuple of Question
        What is still asked.
    notes : tuple of (str, int)
        What was taken for granted, and how often.
    samples : tuple of (str, int, tuple, tuple)
        Of each table its name, number of rows, columns and first rows.
    sheets : tuple of SheetShown
        Every sheet.
    """

    stamp: RecordsStamp
    counts: tuple[tuple[str, str, int], ...]
    reasons: tuple[tuple[str, str, int, str], ...]
    questions: tuple[Question, ...]
    notes: tuple[tuple[str, int], ...]
    samples: tuple[tuple[str, int, tuple[str, ...], tuple[tuple[str, ...], ...]], ...]
    sheets: tuple[SheetShown, ...]


def records_page(
    proposal: Proposal, *, tables: HistoryTables, source_name: str, today: date
) -> RecordsPage:
    """Return the page of a proposal.

    Parameters
    ----------
    proposal : Proposal
        What records say.
    tables : dict of str to list of dict
        The rows that they make.
    source_name : str
        What was imported.
    today : date
        The day of the import.
    """
    counts = proposal.counts
    return RecordsPage(
        stamp=RecordsStamp(version=__version__, source_name=source_name, as_of=today),
        counts=tuple((fate[0], words, counts[fate]) for fate, words in _FATES.items()),
        reasons=_reasons(proposal),
        questions=proposal.questions,
        notes=tuple(proposal.rows.notes.most_common()),
        samples=tuple(_sample(name, rows) for name, rows in tables.items()),
        sheets=tuple(
            _sheet(sheet, marks, proposal.passed.get(number, ""))
            for number, (sheet, marks) in enumerate(
                zip(proposal.sheets, proposal.marks, strict=True)
            )
        ),
    )


def _reasons(proposal: Proposal) -> tuple[tuple[str, str, int, str], ...]:
    """Return why cells were passed over or not understood, those not understood first."""
    places: dict[tuple[str, str], list[str]] = defaultdict(list)
    counts: Counter[tuple[str, str]] = Counter()
    for sheet, marks in zip(proposal.sheets, proposal.marks, strict=True):
        for (row, column), (fate, why) in marks.fates.items():
            if fate == "read":
                continue
            counts[fate, why] += 1
            if len(places[fate, why]) < _MOST_PLACES:
                places[fate, why].append(f"{sheet.name or sheet.file} {cell_name(row, column)}")
    ordered = sorted(counts.items(), key=lambda one: (one[0][0] != "unread", -one[1], one[0][1]))
    return tuple(
        (fate[0], why, count, ", ".join(places[fate, why]) + (" …" if count > _MOST_PLACES else ""))
        for (fate, why), count in ordered
    )


def _sample(
    name: str, rows: list[dict[str, str]]
) -> tuple[str, int, tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Return the first rows of a table, with the columns that have something in them."""
    columns = tuple(
        column for column in history_columns(name) if any(row.get(column) for row in rows)
    )
    first = tuple(tuple(row.get(column, "") for column in columns) for row in rows[:_SAMPLE_ROWS])
    return name, len(rows), columns, first


def _sheet(sheet: Sheet, marks: Marks, passed: str) -> SheetShown:
    """Return a sheet with the fate of each cell."""
    width = max((len(row) for row in sheet.rows), default=0)
    found = Counter(fate for fate, _ in marks.fates.values())
    rows = []
    for number, values in enumerate(sheet.rows):
        if not any(value is not None for value in values) and not _unvalued(sheet, number):
            continue
        cells = []
        for column in range(width):
            fate, why = marks.fates.get((number, column), ("", ""))
            text = shown(sheet.at(number, column))
            cells.append(CellShown(text[:_LONGEST_CELL], fate[:1], why))
        rows.append((number + 1, tuple(cells)))
    notes = [f"passed over: {passed}"] if passed else []
    notes += ["hidden in the workbook"] if sheet.hidden else []
    return SheetShown(
        title=sheet.title,
        note="; ".join(notes),
        counts=", ".join(f"{found[fate]} {words}" for fate, words in _FATES.items() if found[fate]),
        columns=tuple(cell_name(0, column)[:-1] for column in range(width)),
        rows=tuple(rows),
    )


def _unvalued(sheet: Sheet, row: int) -> bool:
    """Say whether a row holds a formula without a stored value."""
    return any(place[0] == row for place in sheet.unvalued)
