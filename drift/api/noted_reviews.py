"""This module notes reviews in the journal of what was reviewed."""

import hashlib
from collections import Counter
from pathlib import Path

from drift.errors import DriftError
from drift.review.results import Review
from drift.store.connection import all_or_nothing
from drift.store.folder_journal import append_kept, read_kept
from drift.store.journal import Draft, Signed, save_entry
from drift.store.opening import is_of_this_version, open_store


def note_review(source: Path, review: Review, out: Path, *, signed: Signed) -> str:
    """Add a review to the journal of its source; return why that could not be, else nothing.

    A store of an older version is not brought up by a review, and one that cannot be written is
    no reason to fail: the review has been written then.
    """
    counts = Counter(review.meters["standing"])
    told = ", ".join(f"{number} {name}" for name, number in sorted(counts.items()))
    data = out / "data" / "meters.csv"
    draft = Draft(
        signed=signed,
        kind="review",
        what=f"reviewed {review.meters.height} meters as of {review.as_of}: {told}",
        file=data.name,
        file_sha256=hashlib.sha256(data.read_bytes()).hexdigest(),
    )
    try:
        if source.is_dir():
            append_kept(source, (draft, []), seen=len(read_kept(source).entries))
            return ""
        if not is_of_this_version(source):
            return "the store is of an older version, which a review leaves as it is"
        with open_store(source) as con, all_or_nothing(con):
            save_entry(con, draft)
    except DriftError as error:
        return error.what
    return ""
