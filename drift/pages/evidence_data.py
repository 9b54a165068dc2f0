"""This module names what the evidence pack holds, ready for a template; it computes nothing."""

from dataclasses import dataclass

from drift.analysis.clauses.clause import Clause
from drift.pages.data import Stamp
from drift.validation import Validation


@dataclass(frozen=True, slots=True)
class Part:
    """Requirements of one document on one subject.

    Attributes
    ----------
    anchor, title : str
        Name in the page and heading.
    clauses : tuple of Clause
        What the records show of each.
    dossiers : tuple of tuple of (str, str)
        For each clause, link and name of the meters that it rests on.
    """

    anchor: str
    title: str
    clauses: tuple[Clause, ...]
    dossiers: tuple[tuple[tuple[str, str], ...], ...]


@dataclass(frozen=True, slots=True)
class Study:
    """A picture of a study of the method; svg is a whole drawing, trusted markup."""

    name: str
    title: str
    svg: str
    label: str
    shows: str
    conclude: str


@dataclass(frozen=True, slots=True)
class Amendment:
    """One amended value, with the file and line of both."""

    table_name: str
    row_key: str
    column: str
    old_value: str
    old_place: str
    new_value: str
    new_place: str


@dataclass(frozen=True, slots=True)
class EvidencePage:
    """The evidence pack; counts has the number of clauses in each state, headline the finding."""

    stamp: Stamp
    headline: str
    counts: tuple[tuple[str, int], ...]
    parts: tuple[Part, ...]
    studies: tuple[Study, ...]
    notes: tuple[str, ...]
    amendments: tuple[Amendment, ...]
    amendments_total: int
    validations: tuple[Validation, ...]
