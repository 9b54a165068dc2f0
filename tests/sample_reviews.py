"""This module reviews the sample once a run of the tests, whichever worker asks first."""

import fcntl
import pickle
from collections.abc import Callable
from datetime import date
from functools import cache
from pathlib import Path

from drift.api.reviews import find
from drift.review.policy import Policy
from drift.review.results import Review

SAMPLE = Path(__file__).resolve().parents[1] / "sample_history"
SampleReviews = Callable[[date], Review]


def reviews_kept_in(shared: Path) -> SampleReviews:
    """Return what gives the review of the sample on a date, by the default policy.

    Parameters
    ----------
    shared : Path
        Folder of this run, which all its workers see: the first to ask works it out and keeps it
        there, the others wait and read it.
    """

    @cache
    def on(as_of: date) -> Review:
        kept = shared / f"sample_review_{as_of}.pickle"
        with (shared / f"{kept.stem}.lock").open("w", encoding="utf-8") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not kept.exists():
                found = find(SAMPLE, as_of=as_of, policy=Policy())
                kept.write_bytes(pickle.dumps(found))
                return found
            review: Review = pickle.loads(kept.read_bytes())  # noqa: S301  # written just above
            return review

    return on
