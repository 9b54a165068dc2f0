"""This module names what the evidence pack holds, ready for a template; it computes nothing."""

from dataclasses import dataclass

from drift.pages.data import Stamp
from drift.validation import Validation

SHOWN, PARTLY, MISSING, OUTSIDE = "shown", "partly shown", "missing", "outside these records"


@dataclass(frozen=True, slots=True)
class Entry:
    """One requirement and what the data answer.

    Attributes
    ----------
    clause : str
        Its number in the document of its part.
    checked : bool
        Whether the clause was read; if not it is from memory.
    asks : str
        What an assessor asks, in our words.
    state : str
        ``SHOWN``, ``PARTLY``, ``MISSING`` or ``OUTSIDE``.
    answer : tuple of str
        Sentences computed from the data, what is missing among them.
    proof : tuple of (str, str)
        Where to look: link and words.
    """

    clause: str
    checked: bool
    asks: str
    state: str
    answer: tuple[str, ...]
    proof: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Part:
    """Requirements of one document on one subject."""

    anchor: str
    title: str
    entries: tuple[Entry, ...]


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
    """The evidence pack; counts has the number of entries in each state."""

    stamp: Stamp
    counts: tuple[tuple[str, int], ...]
    parts: tuple[Part, ...]
    studies: tuple[Study, ...]
    notes: tuple[str, ...]
    amendments: tuple[Amendment, ...]
    amendments_total: int
    validations: tuple[Validation, ...]
