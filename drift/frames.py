"""This module holds what frames share: the epoch of times in years, and dates to and from it."""

import math
from datetime import date, timedelta
from typing import Any

import polars as pl

# A row of a frame, by the names of its columns.
Row = dict[str, Any]

EPOCH = date(2000, 1, 1)
DAYS_PER_YEAR = 365.25

Schema = dict[str, pl.DataType | type[pl.DataType]]

# Words of the meters' `status` for a meter that is used and due.
IN_USE = ("active", "on_loan")

# One row per row that could not be read and names a meter: meter_id and dated as written, dated_on
# null where that is no day; column and reason are the first of its problems.
HELD_ROWS: Schema = {
    "file": pl.String,
    "line": pl.Int64,
    "table_name": pl.String,
    "meter_id": pl.String,
    "dated": pl.String,
    "dated_on": pl.Date,
    "column": pl.String,
    "reason": pl.String,
}


def empty(schema: Schema) -> pl.DataFrame:
    """Return a frame of `schema` without rows."""
    return pl.DataFrame(schema=schema)


def years_since_epoch(column: str) -> pl.Expr:
    """Turn a date column into years since the epoch."""
    return (pl.col(column) - EPOCH).dt.total_days() / DAYS_PER_YEAR


def day_of(t_years: float | None) -> date | None:
    """Return the date of a time in years since the epoch, None where it is not known."""
    if t_years is None:
        return None
    return EPOCH + timedelta(days=math.floor(t_years * DAYS_PER_YEAR + 0.5))


def of_meter(frame: pl.DataFrame, meter_id: str) -> pl.DataFrame:
    """Return the rows of one meter: the frame itself, at once, where it has no others."""
    mine = frame["meter_id"] == meter_id
    return frame if mine.all(ignore_nulls=False) else frame.filter(mine)


def finite_or_none(value: float | None) -> float | None:
    """Return a finite number, None for all else."""
    return value if value is not None and math.isfinite(value) else None
