"""This module lists what waits for somebody's word, one row a visit, as a sheet to fill in."""

from datetime import timedelta

import polars as pl

from drift import format as text
from drift.frames import Schema
from drift.review.found_outside import outside_visits, settled_visits, with_limits
from drift.review.results import Review

ASKS_RESPONSE, ASKS_DECISION = "response", "decision"

# One row per visit and what is asked about it: `data/open_points.csv`.  signal_id is the signal
# where one alone is open, null where a response answers all of the visit.  The columns after seen
# are null: they are filled in by hand and taken back by drift respond --from.
OPEN_POINTS: Schema = {
    "asks": pl.String,
    "meter_id": pl.String,
    "visit_on": pl.Date,
    "signal_id": pl.String,
    "signals": pl.Int64,
    "seen": pl.String,
    "finding": pl.String,
    "action": pl.String,
    "by": pl.String,
    "on": pl.Date,
    "customer_told_on": pl.Date,
    "authorised_by": pl.String,
}
_TO_SEE = list(OPEN_POINTS)[:6]


def open_points(review: Review) -> pl.DataFrame:
    """Return the visits that ask for a response to their signals, or for a decision.

    Parameters
    ----------
    review : Review
        Of the whole fleet.

    Returns
    -------
    pl.DataFrame
        Frame of `OPEN_POINTS`, in the order of the review's meters, the newest visit first; of
        one visit the decision before the response.
    """
    place = review.meters.select("meter_id").with_row_index("place")
    rows = pl.concat([_decisions(review), _responses(review)])
    return (
        rows.join(place, on="meter_id", how="left")
        .sort("place", "visit_on", "asks", descending=[False, True, False])
        .with_columns(
            pl.lit(None, dtype=kind).alias(name)
            for name, kind in OPEN_POINTS.items()
            if name not in _TO_SEE
        )
        .select(OPEN_POINTS.keys())
    )


def _responses(review: Review) -> pl.DataFrame:
    """Return the visits with signals that have no response."""
    several = pl.len() > 1
    return (
        review.signals.filter(pl.col("answered_on").is_null())
        .group_by("meter_id", "visit_on", maintain_order=True)
        .agg(
            signal_id=pl.when(~several).then(pl.col("signal_id").first()),
            signals=pl.len().cast(pl.Int64),
            seen=pl.col("sentence").str.join(" "),
        )
        .with_columns(asks=pl.lit(ASKS_RESPONSE))
        .select(_TO_SEE)
    )


def _decisions(review: Review) -> pl.DataFrame:
    """Return the visits that found a meter outside and about which nothing is decided."""
    failures = outside_visits(
        with_limits(review.ledger, review.conformity.verdicts),
        settled_visits(review.responses, review.sources.decisions),
        since=review.as_of - timedelta(days=review.policy.signal_days),
    )
    rows = [
        {
            "asks": ASKS_DECISION,
            "meter_id": meter_id,
            "visit_on": one.on,
            "signal_id": None,
            "signals": 0,
            "seen": f"found {text.bias_with_unit(one.found)} off at {text.point(one.point)}: "
            + (
                f"results since {text.day(one.good_on)} are in doubt"
                if one.good_on
                else "results before it are in doubt"
            ),
        }
        for meter_id, found in failures.items()
        for one in found
        if not one.answered
    ]
    schema = {name: OPEN_POINTS[name] for name in _TO_SEE}
    return pl.DataFrame(rows, schema=schema)
