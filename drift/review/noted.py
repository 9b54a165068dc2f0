"""This module lists what the rows of a review say beside their readings."""

import dataclasses

import polars as pl

from drift.review.barred_uses import find_barred_uses
from drift.review.noted_rows import held_rows_noted, names_noted
from drift.review.results import Review


def with_records(review: Review) -> Review:
    """Add to a review what the rows themselves say: unread ones, ids alike, barred uses.

    Parameters
    ----------
    review : Review
        With sources, ledger and verdicts of conformity.
    """
    sources, meter_ids = review.sources, review.ledger["meter_id"].unique()
    # An id that only another table has may be a meter of the ledger written otherwise.
    tables = (sources.meters, sources.marks, sources.service, sources.field_tests)
    every_id = pl.concat([meter_ids, *(table["meter_id"] for table in tables)]).drop_nulls()
    held = held_rows_noted(sources.held_rows, meter_ids)
    return dataclasses.replace(
        review,
        held=held,
        alike=names_noted(every_id).filter(pl.col("meter_id").is_in(meter_ids.implode())),
        uses=find_barred_uses(
            sources.field_tests,
            ledger=review.ledger,
            verdicts=review.conformity.verdicts,
            meters=sources.meters,
            noted=held,
            interval_days=review.policy.interval_days,
        ),
    )
