"""This module writes the record of a review, and reads one to see which pages belong to it."""

import json
from collections.abc import Mapping
from datetime import date
from typing import Any

from drift.errors import DriftError
from drift.report.exchange import Place
from drift.report.own_files import record_at
from drift.review.policy import Policy, tables_of
from drift.review.results import Review
from drift.store.tables import Sources
from drift.version import __version__

_DATA = "data/"
# What a record says of the review that its pages show.
_SAME = ("version", "as_of", "policy", "files", "previous")


def review_record(
    review: Review,
    *,
    pages: list[str],
    timings: Mapping[str, float],
    written: Mapping[str, str],
) -> dict[str, object]:
    """Return what a review must say of itself.

    Parameters
    ----------
    review : Review
        What was found.
    pages : list of str
        Names below the folder of what stands beside the data files.
    timings : mapping of str to float
        Seconds by part of the work.
    written : mapping of str to str
        Digests by name of everything in the folder but the record.
    """
    sources = review.sources
    standings = review.meters["standing"].value_counts().sort("standing")
    return {
        **_identity(
            sources,
            as_of=review.as_of,
            policy=review.policy,
            previous=review.since.earlier_as_of if review.since else None,
        ),
        "source": review.source_name,
        "counts": {
            "meters": review.meters.height,
            "visits": review.ledger.select("meter_id", "visit_id").n_unique(),
            "readings": int(sources.sessions["replicates"].sum()),
            "signals": review.signals.height,
            "held_back": review.rows.held_back,
            "amendments": sources.amendments.height,
            "standings": dict(standings.iter_rows()),
        },
        "pages": pages,
        "timings_s": {name: round(seconds, 3) for name, seconds in timings.items()},
        "written": dict(written),
    }


def kept_pages(
    place: Place, sources: Sources, *, as_of: date, policy: Policy, previous: date | None
) -> dict[str, str]:
    """Return the digests of the pages that stay beside new data files, by name.

    Raises
    ------
    DriftError
        If they are of another review than the one that the data files are to be of.
    """
    pages = {name: value for name, value in place.written.items() if not name.startswith(_DATA)}
    if not pages:
        return {}
    record = record_at(place.folder / place.kind.record)
    now = _identity(sources, as_of=as_of, policy=policy, previous=previous)
    same = json.loads(json.dumps({name: now[name] for name in _SAME}))
    if any(record.get(name) != value for name, value in same.items()):
        raise DriftError(
            what=f"holds the pages of another review, as of {record.get('as_of')}",
            where=str(place.folder),
            expected="no pages, or those of the same input, date, policy and version, beside data",
            hint="choose another folder with --out, or write the pages too",
        )
    return pages


def _identity(
    sources: Sources, *, as_of: date, policy: Policy, previous: date | None
) -> dict[str, Any]:
    """Return what tells one review from another."""
    return {
        "program": "drift",
        "version": __version__,
        "as_of": as_of.isoformat(),
        "policy": tables_of(policy),
        "files": sources.files.to_dicts(),
        "previous": previous.isoformat() if previous else None,
    }
