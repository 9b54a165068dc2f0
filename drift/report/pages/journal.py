"""This module holds the page of a journal: who did what to the records, when and why."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from drift.frames import Row
from drift.version import __version__


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
    broken : str
        Where the chain breaks, as a sentence; empty where it is whole.
    """

    stamp: JournalStamp
    rows: tuple[JournalRow, ...]
    broken: str


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
        rows=tuple(map(_row, reversed(entries))),
        broken=broken,
    )


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
