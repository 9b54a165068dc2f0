"""This module holds what a person has declared of the records, and what is still asked."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from drift.intake.layouts.words import folded_words

# What can be declared of all records or of one sheet, and what each answer means.
ANSWER_KEYS: dict[str, str] = {
    "meter_id": "the meter, where no cell, sheet or file names it",
    "date": "the day, where none is written",
    "stage": "as_found or as_left, where nothing says which",
    "correct_air_pct": "the correct air content, % air, where none is written",
    "vessel_id": "the calibration vessel, where none is written",
    "resolution_pct": "smallest step the dials are read to, % air",
    "mark_unit": "dial_pct, kpa or psi, where no unit stands by the marks",
    "dates.order": "day_first, month_first or year_first, where dates can be read in several ways",
    "dates.month_only": (
        "the day of the month to take where only the month is written: 1 to 28, or last"
    ),
    "dates.year": "the year, where dates are written without one",
    "dates.month_figure": "year or day: what 26 means in Mar-26",
    "dates.typed": (
        "as_stored or swapped: how to take dates that the workbook may have turned about"
    ),
    "dates.quarter_only": (
        "first, middle or last: the day to take where only the quarter is written"
    ),
    "sheet_names": "meters or other: whether the names of sheets are those of meters",
    "cells.slash": "replicates or found_left: what 4.9/5.0 in one cell means",
    "cells.fraction": "yes or no: whether 0.05 means 5 % air",
    "blanks": "as_above or missing: what a blank date, meter or stage means",
    "same_meters": "one or apart: whether sheets of different files with one name are one meter",
    "layouts.new": "accept or refuse: tables of another layout than those accepted before",
    "amended_by": "who stands for values that have changed since the last import",
    "amended_why": "why they have changed",
}
# Answers to single columns, sheets and visits: a prefix and a name.
FAMILIES: dict[str, str] = {
    "columns": "what a column holds, by its title: a role in words, or ignored",
    "sheets": "skip or use; or, with a key behind the name, an answer for that sheet alone",
    "meters": "another name for a meter",
    "visits": "the sheet whose values count for a visit that stands on two",
}


@dataclass(frozen=True, slots=True)
class Question:
    """Something that only a person knows.

    Attributes
    ----------
    key : str
        What ``--set`` takes.
    asks : str
        In a sentence.
    choices : tuple of str
        Answers, each ``value: what it would mean``.
    place : str
        The first cell that it is about.
    cells : int
        How many cells wait for it.
    """

    key: str
    asks: str
    choices: tuple[str, ...]
    place: str
    cells: int = 1


@dataclass(slots=True)
class Answers:
    """What has been declared.

    Attributes
    ----------
    given : mapping of str to str
        By key; names in keys folded.
    tables : mapping
        What the columns of tables known hold, by folded title, by the titles of a table.
    accepted : bool
        Whether tables of other layouts are to be asked about.
    open : dict of str to Question
        What was asked for and not found, in the order of asking.
    used : set of str
        Keys that were needed.
    """

    given: Mapping[str, str] = field(default_factory=dict)
    tables: Mapping[tuple[str, ...], Mapping[str, str]] = field(default_factory=dict)
    accepted: bool = False
    open: dict[str, Question] = field(default_factory=dict)
    used: set[str] = field(default_factory=set)

    def get(self, key: str, *, sheet: str = "") -> str | None:
        """Return the answer to a key, that for a sheet first; None where there is none."""
        for name in (f"sheets.{folded_words(sheet)}.{key}" if sheet else "", key):
            if name and name in self.given:
                self.used.add(name)
                return self.given[name]
        return None

    def named(self, family: str, name: str) -> str | None:
        """Return the answer for a name of a family; None where there is none."""
        key = f"{family}.{folded_words(name)}"
        if key in self.given:
            self.used.add(key)
        return self.given.get(key)

    def family(self, family: str) -> dict[str, str]:
        """Return all answers of a family by folded name."""
        start = family + "."
        return {
            key[len(start) :]: value for key, value in self.given.items() if key.startswith(start)
        }

    def ask(self, key: str, asks: str, choices: tuple[str, ...], place: str) -> None:
        """Note that something must be asked, once for all cells that wait for it."""
        known = self.open.get(key)
        if known is None:
            self.open[key] = Question(key, asks, choices, place)
        else:
            self.open[key] = Question(key, known.asks, known.choices, known.place, known.cells + 1)


def normal_key(key: str) -> str:
    """Return a key as it is looked up: the name in a family folded, the rest as it is."""
    head, _, tail = key.partition(".")
    if head not in FAMILIES or not tail:
        return key.strip()
    if head == "sheets":
        for known in ANSWER_KEYS:
            if tail.endswith("." + known):
                return f"sheets.{folded_words(tail[: -len(known) - 1])}.{known}"
    return f"{head}.{folded_words(tail)}"


def is_key(key: str) -> bool:
    """Say whether a normal key means something."""
    head, _, tail = key.partition(".")
    return key in ANSWER_KEYS or (head in FAMILIES and bool(tail))


def flattened(given: Mapping[str, object], *, prefix: str = "") -> dict[str, str]:
    """Return nested entries of a file as keys with points between."""
    flat: dict[str, str] = {}
    for name, value in given.items():
        key = f"{prefix}{name}"
        if isinstance(value, Mapping):
            flat |= flattened(value, prefix=f"{key}.")
        else:
            flat[key] = str(value)
    return flat
