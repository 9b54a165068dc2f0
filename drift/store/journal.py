"""This module keeps the journal: who did what to the records, when and why, each entry in a chain.

An entry carries the hash of the one before it, so that one that was changed, removed or put in
between by another program is found.  A chain does not show that its last entries were cut off;
whoever needs that keeps the last hash elsewhere, such as on a printed review.
"""

import getpass
import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from operator import itemgetter

import polars as pl

from drift.errors import DriftError
from drift.frames import Row, Schema
from drift.store.connection import Connection, frame, run
from drift.version import __version__

# One row per entry, the oldest first.  recorded_at is local time with its distance from UTC, zone
# the name of that time; meters a JSON list of ids, empty where an entry is about none or about
# many; undoes the entry that it undoes; file and file_sha256 what it was read from.
JOURNAL: Schema = {
    "entry_no": pl.Int64,
    "recorded_at": pl.String,
    "zone": pl.String,
    "kind": pl.String,
    "recorded_by": pl.String,
    "why": pl.String,
    "what": pl.String,
    "meters": pl.String,
    "undoes": pl.Int64,
    "file": pl.String,
    "file_sha256": pl.String,
    "drift_version": pl.String,
    "prior_sha256": pl.String,
    "sha256": pl.String,
}
# What of an entry is hashed, and how it is written for that.
_HASHED = itemgetter(*(name for name in JOURNAL if name != "sha256"))
_AS_JSON = json.JSONEncoder(ensure_ascii=False, separators=(",", ":")).encode
KINDS = ("load", "amendment", "withdrawal", "restoration", "response", "decision", "review")
# Files that the entry of a load names.
_MOST_FILES_TOLD = 8
# An entry about more meters than these names none: it is about the fleet.
MOST_METERS = 50


@dataclass(frozen=True, slots=True)
class Signed:
    """Who does something to the records, when and why.

    Attributes
    ----------
    by, why : str
        Name and reason, each one line; `why` may be empty where nothing is taken back.
    at : datetime
        When, with its time zone.
    """

    by: str
    why: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Draft:
    """An entry that is not in the journal yet.

    Attributes
    ----------
    signed : Signed
        Who, when and why.
    kind : str
        One of `KINDS`.
    what : str
        What was done, as a clause.
    meters : tuple of str
        Meters concerned.
    undoes : int or None
        The entry that it undoes.
    file, file_sha256 : str
        What it was read from.
    """

    signed: Signed
    kind: str
    what: str = ""
    meters: tuple[str, ...] = ()
    undoes: int | None = None
    file: str = ""
    file_sha256: str = ""


def signed_now(by: str | None, why: str) -> Signed:
    """Return a signature of now; without a name, that of the computer's account."""
    return Signed(by=by or f"account {_account()}", why=why, at=datetime.now(UTC).astimezone())


def _account() -> str:
    """Return the name of the account under which the program runs."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "unknown"


def chained(draft: Draft, *, entry_no: int, prior_sha256: str) -> Row:
    """Return a row of `JOURNAL` for a draft that follows an entry."""
    at = draft.signed.at
    few = sorted(set(draft.meters)) if len(set(draft.meters)) <= MOST_METERS else []
    row: Row = {
        "entry_no": entry_no,
        "recorded_at": at.isoformat(timespec="seconds"),
        "zone": at.tzname() or "",
        "kind": draft.kind,
        "recorded_by": draft.signed.by,
        "why": draft.signed.why,
        "what": draft.what,
        "meters": json.dumps(few, ensure_ascii=False),
        "undoes": draft.undoes,
        "file": draft.file,
        "file_sha256": draft.file_sha256,
        "drift_version": __version__,
        "prior_sha256": prior_sha256,
    }
    return row | {"sha256": entry_hash(row)}


def entry_hash(row: Row) -> str:
    """Return the SHA-256 of an entry: of its fields before the hash, as a JSON list in UTF-8."""
    text = _AS_JSON(_HASHED(row))
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def broken_at(entries: Iterable[Row]) -> str:
    """Return where a chain of entries breaks, as a sentence; empty where it is whole.

    Parameters
    ----------
    entries : iterable of dict
        Rows of `JOURNAL`, the oldest first.
    """
    prior, wanted = "", 1
    for row in entries:
        number = row["entry_no"]
        if number != wanted:
            return f"entry {wanted} is missing: entry {number} follows entry {wanted - 1}"
        if row["prior_sha256"] != prior:
            return f"entry {number} does not follow from entry {number - 1} as that is now"
        if entry_hash(row) != row["sha256"]:
            return f"entry {number} was changed after it was written"
        prior, wanted = row["sha256"], number + 1
    return ""


def load_draft(draft: Draft, rows: Sequence[Row], *, source_name: str) -> Draft:
    """Return the draft of a load with what was loaded, and the hash of what it was loaded from."""
    told = [
        f"{row['file']}: {row['taken']} taken"
        + "".join(
            f", {row[fate]} {words}"
            for fate, words in (("amended", "amended"), ("held_back", "held back"))
            if row[fate]
        )
        for row in rows
    ]
    more = f" and {len(told) - _MOST_FILES_TOLD} more files" if len(told) > _MOST_FILES_TOLD else ""
    digests = sorted(row["sha256"] for row in rows)
    together = hashlib.sha256("".join(digests).encode()).hexdigest()
    return replace(
        draft,
        what=draft.what or f"loaded {'; '.join(told[:_MOST_FILES_TOLD])}{more}",
        file=draft.file or source_name,
        file_sha256=draft.file_sha256 or (digests[0] if len(digests) == 1 else together),
    )


def next_entry(con: Connection) -> tuple[int, str]:
    """Return the number of the next entry of a store and the hash of the last one."""
    ((entry_no, sha256),) = run(con, "last_entry").fetchall()
    return entry_no + 1, sha256


def save_entry(con: Connection, draft: Draft) -> Row:
    """Add an entry to the journal of a store, within the transaction that is open."""
    entry_no, prior = next_entry(con)
    row = chained(draft, entry_no=entry_no, prior_sha256=prior)
    save_rows_of_journal(con, [row])
    return row


def save_rows_of_journal(con: Connection, rows: Sequence[Row]) -> None:
    """Add rows of `JOURNAL` as they are."""
    con.register("entries", pl.DataFrame(rows, schema=JOURNAL))
    run(con, "save_entries")
    con.unregister("entries")


def journal_of(con: Connection) -> pl.DataFrame:
    """Return the journal of a store as far as it is seen, a frame of `JOURNAL`."""
    return frame(con, "journal_entries", schema=JOURNAL)


def journal_broken_at(con: Connection) -> str:
    """Return where the journal of a store breaks, as far as it is seen; empty where it is whole.

    Of a store in memory that was made of a folder, where that of the folder does.
    """
    ((doubted,),) = run(con, "journal_doubted").fetchall()
    return str(doubted) or broken_at(entries_of(con))


def entries_of(con: Connection) -> list[Row]:
    """Return the journal of a store as far as it is seen, as rows of `JOURNAL`.

    They are read without a frame, which takes as long to load as 10,000 entries to list.
    """
    rows = run(con, "journal_entries").fetchall()
    return [dict(zip(JOURNAL, row, strict=True)) for row in rows]


def names_meter(entry: Row, meter_id: str) -> bool:
    """Say whether an entry names a meter."""
    return meter_id in json.loads(entry["meters"])


def not_undoable(entry_no: int, what: str) -> DriftError:
    """Return what to say of an entry that cannot be undone."""
    return DriftError(
        what=what, where=f"entry {entry_no}", expected="an entry whose rows are as it left them"
    )
