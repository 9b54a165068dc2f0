"""This module says what an answer to a clause is made of."""

from dataclasses import dataclass

import polars as pl

from drift import format as text
from drift.frames import Schema

SHOWN, PARTLY, NOT_SHOWN = "shown", "partly shown", "not shown"
# Of fewer good cases than this share it is not said that the clause is partly shown.
FEWEST = 0.5
CLAUSE_CONTRADICTED, OUTSIDE = "contradicted", "outside these records"
STATES = (SHOWN, PARTLY, NOT_SHOWN, CLAUSE_CONTRADICTED, OUTSIDE)

ISO, R18 = "ISO/IEC 17025", "AASHTO R 18"
NO_RECORD = "Nothing."
# Meters that a sentence names.
MOST_NAMED = 5
LONGEST_NAME = 24
OF_AIR = f"{text.NO_BREAK}%{text.NO_BREAK}air"

# One row per clause: `data/evidence.csv`.  decided_by is the number that decides the state, answer
# the sentences worked out from the data, proof where to look and to_file what would close it.
CLAUSE_EVIDENCE: Schema = dict.fromkeys(
    ("standard", "clause", "asked", "state", "decided_by", "answer", "proof", "to_file"),
    pl.String,
)


@dataclass(frozen=True, slots=True)
class Clause:
    """One requirement and what the records show of it.

    Attributes
    ----------
    standard, clause : str
        Document and number in it.
    checked : bool
        Whether the clause was read; if not it is from memory.
    asked : str
        What an assessor asks, in our words.
    state : str
        One of `STATES`, worked out from the records.
    decided_by : str
        The number that decides the state.
    answer : tuple of str
        Sentences computed from the records, what is missing among them.
    proof : tuple of (str, str)
        Where to look: link below the review's folder and words, the first the best.
    to_file : str
        What to put on record so that the clause is shown, `NO_RECORD` where it is.
    meters : tuple of str
        Meters that the answer rests on, the worst first.
    """

    standard: str
    clause: str
    checked: bool
    asked: str
    state: str
    decided_by: str
    answer: tuple[str, ...]
    proof: tuple[tuple[str, str], ...]
    to_file: str
    meters: tuple[str, ...] = ()


def by_count(good: int, of: int, *, refuted: bool = False, complete: bool = True) -> str:
    """Return the state that counts give.

    Parameters
    ----------
    good, of : int
        Cases that meet the clause and all cases.
    refuted : bool
        Whether some case shows the contrary.
    complete : bool
        Whether the cases are all that the clause asks; if not it is partly shown at best.
    """
    if refuted:
        return CLAUSE_CONTRADICTED
    if of == 0:
        return OUTSIDE
    if good < FEWEST * of:
        return NOT_SHOWN
    return SHOWN if good == of and complete else PARTLY


def few(names: list[str]) -> str:
    """Return the first few names in a list, and how many more there are."""
    shown = [text.shortened(name, longest=LONGEST_NAME) for name in names[:MOST_NAMED]]
    more = len(names) - len(shown)
    return text.listed([*shown, *([f"{more} more"] if more else [])])


def of(good: int, total: int) -> str:
    """Return a count out of a total: "3 of 69"."""
    return f"{text.whole(good)} of {text.whole(total)}"
