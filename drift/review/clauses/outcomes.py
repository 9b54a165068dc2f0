"""This module says how each visit came out and what became of what failed."""

from dataclasses import dataclass
from datetime import date
from itertools import groupby
from operator import itemgetter

import polars as pl

from drift.conformity.decision_rules import ACCEPTED
from drift.frames import IN_USE
from drift.meter.calibrations import looks_back, looks_forward
from drift.review.results import Review

# One row per meter and visit, by meter and time.  found_failed and left_failed say whether any bias
# of that stage failed by the decision rule; lost, that an adjustment was made and nothing read
# before it; complete, that the visit is a calibration that looks back or forward.  shown_right: it
# looks forward, and no bias failed that was not read again as left and passed.
VisitOutcome = dict[str, object]


@dataclass(frozen=True, slots=True)
class FailedVisit:
    """One visit that found or left a meter outside, and what became of it.

    Attributes
    ----------
    meter_id, on : str, date
        Meter and day.
    righted_on : date or None
        Day on which it was shown right again: adjusted or repaired, read at all its points and
        passed, or passed with a reason for the failure on record (a response to a signal of that
        visit, or a remark on its readings).  A later check that passes is not enough.
    by_repeat : bool
        Whether a check that passed followed without work and without a reason.
    kept_on : date or None
        Day of the next visit to the meter as it was left, None where it went out of service.
    tests : int
        Field tests made with it before it was righted, the day of the visit not counted.
    answered : bool
        Whether a response to a signal of that visit is on record.
    decided : bool
        Whether a decision about that visit is.
    """

    meter_id: str
    on: date
    righted_on: date | None
    by_repeat: bool
    kept_on: date | None
    tests: int
    answered: bool
    decided: bool


def visit_outcomes(review: Review) -> pl.DataFrame:
    """Return one row a meter and visit, as said above."""
    visit = ["meter_id", "visit_id"]
    failed = pl.col("verdict").is_not_null() & ~pl.col("verdict").is_in(list(ACCEPTED))
    found, left = pl.col("stage") == "as_found", pl.col("stage") == "as_left"
    judged = (
        review.conformity.verdicts.group_by(*visit, "point_pct")
        .agg(
            found_failed=(found & failed).any(),
            left_failed=(left & failed).any(),
            left_read=left.any(),
        )
        .group_by(visit)
        .agg(
            pl.col("found_failed", "left_failed").any(),
            unread=(pl.col("found_failed") & ~pl.col("left_read")).any(),
        )
    )
    return (
        review.ledger.group_by(visit)
        .agg(
            on=pl.col("performed_on").min(),
            adjusted=pl.col("adjusted").fill_null(value=False).any(),
            lost=pl.col("evidence_lost").fill_null(value=False).any(),
            calibration=pl.col("calibration").first(),
        )
        .join(judged, on=visit, how="left")
        .with_columns(pl.col("found_failed", "left_failed", "unread").fill_null(value=False))
        .with_columns(
            shown_right=looks_forward() & ~pl.col("left_failed") & ~pl.col("unread"),
            complete=looks_forward() | looks_back(),
        )
        .sort("meter_id", "on", "visit_id")
    )


def in_use(review: Review) -> list[str]:
    """Return the meters read or listed that are in use, by their names."""
    told = review.sources.meters.select("meter_id", "status", "in_service_on")
    known = pl.concat([review.ledger.select("meter_id"), told.select("meter_id")]).unique()
    status = known.join(told.unique("meter_id", keep="last"), on="meter_id", how="left")
    return (
        status.filter(
            pl.col("status").fill_null("active").is_in(IN_USE),
            pl.col("in_service_on").fill_null(review.as_of) <= review.as_of,
        )["meter_id"]
        .sort()
        .to_list()
    )


def failures(review: Review, visits: pl.DataFrame) -> list[FailedVisit]:
    """Return every visit that failed, in order of meter and time.

    Parameters
    ----------
    review : Review
        What was found.
    visits : pl.DataFrame
        Of `visit_outcomes`.
    """
    bad = visits.filter(pl.col("found_failed") | pl.col("left_failed"))
    theirs = visits.join(
        bad.select("meter_id").unique(), on="meter_id", how="semi", maintain_order="left"
    )
    days = _Days(review)
    found = []
    for meter_id, each in groupby(theirs.iter_rows(named=True), key=itemgetter("meter_id")):
        rows = list(each)
        found += [
            _failure(meter_id, rows, place, days)
            for place, row in enumerate(rows)
            if row["found_failed"] or row["left_failed"]
        ]
    return found


class _Days:
    """Days of work, responses, remarks on readings and field tests, meter by meter."""

    def __init__(self, review: Review) -> None:
        sources = review.sources
        self.work = _by_meter(sources.service.filter(pl.col("action") != "dropped"), "performed_on")
        self.tests = _by_meter(sources.field_tests, "tested_on")
        sound = review.responses.filter(pl.col("problem") == "")
        self.answered = _by_meter(sound, "visit_on")
        self.decided = _by_meter(sources.decisions, "about")
        self.remarks = _by_meter(sources.sessions.drop_nulls("remarks"), "performed_on")
        self.in_use = set(in_use(review))


def _by_meter(frame: pl.DataFrame, column: str) -> dict[str, list[date]]:
    """Return the days of a column by meter."""
    days = frame.drop_nulls(column).group_by("meter_id").agg(pl.col(column).sort())
    return dict(days.iter_rows())


def _failure(meter_id: str, rows: list[VisitOutcome], place: int, days: _Days) -> FailedVisit:
    """Say what became of the failure of one visit among its meter's visits."""
    on: date = rows[place]["on"]  # type: ignore[assignment]  # a date by schema
    answered = on in days.answered.get(meter_id, [])
    righted, by_repeat = None, False
    reason = answered or on in days.remarks.get(meter_id, [])
    for at in range(place, len(rows)):
        row = rows[at]
        passes = row["shown_right"] and (at > place or not row["left_failed"])
        if not passes or (at > place and row["found_failed"] and not row["adjusted"]):
            continue
        day: date = row["on"]  # type: ignore[assignment]
        work = any(on <= one <= day for one in days.work.get(meter_id, []))
        if work or reason or any(rows[k]["adjusted"] for k in range(place, at + 1)):
            righted = day
            break
        by_repeat = True
    following = rows[place + 1]["on"] if place + 1 < len(rows) else None
    if following is None and meter_id in days.in_use:
        following = on
    tests = [
        one
        for one in days.tests.get(meter_id, [])
        if one > on and (righted is None or one < righted)
    ]
    return FailedVisit(
        meter_id=meter_id,
        on=on,
        righted_on=righted,
        by_repeat=by_repeat,
        kept_on=None if righted == on else following,  # type: ignore[arg-type]
        tests=len(tests),
        answered=answered,
        decided=on in days.decided.get(meter_id, []),
    )
