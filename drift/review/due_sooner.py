"""This module puts what must be done about a meter before its recommended interval."""

from datetime import date

import polars as pl

from drift.format import day
from drift.review.obligations import DO_NOT_USE, OVERDUE, RESET, SEE_EARLY

# What an obligation asks for first, whatever the interval.
_BEFORE = {
    DO_NOT_USE: "Not to be used now. ",
    OVERDUE: "Overdue: not to be used until it is calibrated. ",
    SEE_EARLY: "See it now. ",
    RESET: "Re-set it at its next visit though it passes. ",
}


def with_obligations(
    intervals: pl.DataFrame, obligations: pl.DataFrame, *, as_of: date
) -> pl.DataFrame:
    """Put before each meter's recommendation what must be done before any interval counts.

    Parameters
    ----------
    intervals : pl.DataFrame
        Of `build_intervals`.
    obligations : pl.DataFrame
        Frame of `drift.review.obligations.OBLIGATIONS`.
    as_of : date
        The date the review speaks for.
    """
    now = pl.col("by_on") <= as_of
    first = (
        obligations.filter(pl.col("obligation").is_in(list(_BEFORE)))
        .unique("meter_id", keep="first", maintain_order=True)
        .with_columns(by=pl.col("by_on").map_elements(day, return_dtype=pl.String))
        .select(
            "meter_id",
            method=pl.lit("recommendation"),
            first=pl.when((pl.col("obligation") == SEE_EARLY) & ~now)
            .then(pl.format("See it by {}. ", "by"))
            .otherwise(pl.col("obligation").replace_strict(_BEFORE, return_dtype=pl.String)),
        )
    )
    told = intervals.join(first, on=["meter_id", "method"], how="left", maintain_order="left")
    return told.with_columns(basis=pl.concat_str("first", "basis", ignore_nulls=True)).drop("first")
