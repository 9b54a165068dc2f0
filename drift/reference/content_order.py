"""This module puts meters in an order that their names do not decide.

A choice among meters, or the last digits of a sum over them, must not change when they are renamed.
"""

import polars as pl

# What is equal to so many places is equal: below it lies binary rounding.
_PLACES = 9
_KEYS = ("first", "count", "total", "moment", "times", "squares", "signed", "later")


def meters_by_content(rows: pl.DataFrame, *, value: str, time: str = "t_years") -> pl.DataFrame:
    """Return the meters of `rows` in an order fixed by what was read of them.

    Parameters
    ----------
    rows : pl.DataFrame
        ``meter_id``, `time` and `value`; nulls allowed.
    value : str
        What was read, % air.
    time : str
        When, in years.

    Returns
    -------
    pl.DataFrame
        ``meter_id`` and ``meter_place`` from 0: by the first time, counted from the first of all,
        number of rows, then how far off values are and when, when all were, and to which side.
        Meters that tie in all of that are as good as the same and go by name.
    """
    when = (pl.col(time) - pl.col(time).min()).round(_PLACES)
    keys = rows.select("meter_id", when=when, value=pl.col(value).round(_PLACES)).with_columns(
        off=pl.col("value").abs()
    )
    return (
        keys.sort("meter_id", "when", "off", "value")
        .group_by("meter_id", maintain_order=True)
        .agg(
            pl.col("when").min().alias("first"),
            pl.len().alias("count"),
            pl.col("when").sum().round(_PLACES - 2).alias("times"),
            (pl.col("when") ** 2).sum().round(_PLACES - 2).alias("squares"),
            pl.col("off").sum().round(_PLACES).alias("total"),
            (pl.col("off") * pl.col("when")).sum().round(_PLACES - 2).alias("moment"),
            pl.col("value").sum().round(_PLACES).alias("signed"),
            (pl.col("value") * pl.col("when")).sum().round(_PLACES - 2).alias("later"),
        )
        .sort(*_KEYS, "meter_id")
        .select("meter_id")
        .with_row_index("meter_place")
        .select("meter_id", pl.col("meter_place").cast(pl.Int64))
    )
