"""This module holds the page of a journal: who did what to the records, when and why."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from drift.frames import Row
from drift.report.pages.parts import Stamp
from drift.report.pages.rows import stamp
from drift.review.results import Review
from drift.version import __version__

# Entries that the page of a review lists.
_LONGEST_LIST = 500


@dataclass(frozen=True, slots=True)
class JournalStamp:
    """Whose journal it is, and of which day the page speaks."""

    version: str
    source_name: str
    as_of: date


@dataclass(frozen=True, slots=True)
class JournalRow:
    """One entry: its number, when, kind, by whom, what, why, which meters and which file."""

    entry_no: int
    when: str
    kind: str
    by: str
    what: str
    why: str
    meters: tuple[str, ...]
    file: str
    sha256: str
    undoes: int | None


@dataclass(frozen=True, slots=True)
class JournalPage:
    """What the page of a journal shows.

    Attributes
    ----------
    stamp : JournalStamp
    rows : tuple of JournalRow
        The newest first.
    total : int
        How many there are in all.
    broken : str
        Where the chain breaks, as a sentence; empty where it is whole.
    of_review : bool
        Whether it is what a review rests on, its newest entries.
    """

    stamp: JournalStamp | Stamp
    rows: tuple[JournalRow, ...]
    total: int
    broken: str
    of_review: bool


def journal_page(
    entries: Sequence[Row], source_name: str, *, broken: str, today: date
) -> JournalPage:
    """Return what the page of a journal shows.

    Parameters
    ----------
    entries : sequence of dict
        Rows of `drift.store.journal.JOURNAL`, the oldest first.
    source_name : str
        Whose journal it is.
    broken : str
        Where its chain breaks; empty where it is whole.
    today : date
        Day of the page.
    """
    return JournalPage(
        stamp=JournalStamp(version=__version__, source_name=source_name, as_of=today),
        rows=journal_rows(entries),
        total=len(entries),
        broken=broken,
        of_review=False,
    )


def review_journal_page(review: Review) -> JournalPage:
    """Return the journal of what a review rests on, its newest entries."""
    entries = review.sources.journal.tail(_LONGEST_LIST).to_dicts()
    return JournalPage(
        stamp=stamp(review),
        rows=journal_rows(entries),
        total=review.sources.journal.height,
        broken=review.sources.journal_broken,
        of_review=True,
    )


def meter_entries(review: Review, meter_id: str) -> tuple[JournalRow, ...]:
    """Return the entries of the journal that name a meter."""
    entries = review.sources.journal.to_dicts()
    return journal_rows([row for row in entries if meter_id in json.loads(row["meters"])])


def journal_rows(entries: Sequence[Row]) -> tuple[JournalRow, ...]:
    """Return entries, the oldest first, as a page shows them: the newest first."""
    return tuple(map(_row, reversed(entries)))


def _row(entry: Row) -> JournalRow:
    """Return one entry as the page shows it."""
    when = str(entry["recorded_at"])
    return JournalRow(
        entry_no=entry["entry_no"],
        when=f"{when[:10]} {when[11:16]} {entry['zone']}",
        kind=entry["kind"],
        by=entry["recorded_by"],
        what=entry["what"],
        why=entry["why"],
        meters=tuple(json.loads(entry["meters"])),
        file=entry["file"],
        sha256=entry["sha256"],
        undoes=entry["undoes"],
    )
