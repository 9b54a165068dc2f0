"""This module puts what `drift.intake.columns` asks of each column into a frame for queries."""

import polars as pl

from drift.format import typed
from drift.intake.column import Column
from drift.intake.columns import KNOWN_FROM, TABLES

# Stands for "no bound"; the largest whole number that a cell of the store can hold.
UNBOUNDED = 999_999_999.0


def rules() -> pl.DataFrame:
    """Return what `drift.intake.columns` says of each column, in the form that queries join."""
    return pl.DataFrame(
        [
            {
                "table_name": table,
                "column_name": column.name,
                "kind": column.kind,
                "required": column.required,
                "words": list(column.choices),
                "low": -UNBOUNDED if column.low is None else column.low,
                "high": UNBOUNDED if column.high is None else column.high,
                "refusals": [{"word": word, "reason": reason} for word, reason in column.refusals],
                "out_of_bounds": _out_of_bounds(column),
                "known_from": KNOWN_FROM.get(table) == column.name,
            }
            for table, columns in TABLES.items()
            for column in columns
        ],
        schema_overrides={
            "words": pl.List(pl.String),
            "low": pl.Float64,
            "high": pl.Float64,
            "refusals": pl.List(pl.Struct({"word": pl.String, "reason": pl.String})),
        },
    )


def _out_of_bounds(column: Column) -> str:
    """Return how a value outside the bounds of a column is spoken of, after the value."""
    unit = f" {column.unit}" if column.unit else ""
    low = typed(column.low) if column.low is not None else ""
    high = typed(column.high) if column.high is not None else ""
    if low and high:
        return f" is outside {low} to {high}{unit}"
    if low:
        return f" is below {low}{unit}"
    return f" is above {high}{unit}" if high else " is larger than any value that can be meant"
