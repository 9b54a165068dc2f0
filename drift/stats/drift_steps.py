"""This module takes the drift steps out of a ledger or a path; it fits nothing."""

import polars as pl

# Readings nearer than this are the same reading carried over.
_SAME_PCT = 1e-9

# One row per series and drift step, in time order.  t_years is the visit that ends the step, years
# the time since the visit that starts it.  shares_start: the reading that starts the step also
# ended the one before, so that its error enters both with opposite sign.
STEPS: dict[str, type[pl.DataType]] = {
    "series": pl.Int64,
    "t_years": pl.Float64,
    "years": pl.Float64,
    "step": pl.Float64,
    "shares_start": pl.Boolean,
    "resolution": pl.Float64,
}


def drift_steps(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return the drift steps of a fleet and which of them share a reading.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.frames.LEDGER`.  A step that is null there (evidence lost) is left out, and
        so is its time.

    Returns
    -------
    pl.DataFrame
        Columns of `STEPS`, sorted by series and time.

    Notes
    -----
    An as-left bias that equals the as-found bias counts as carried over: either it was, or both
    readings had the same error.  One that differs was read anew, whether or not something was
    adjusted, and brings an error of its own into the path.
    """
    carried = (pl.col("left_bias_pct") - pl.col("as_found_bias_pct")).abs() <= _SAME_PCT
    ended = pl.col("drift_step_pct").is_not_null()
    before = [
        pl.col("t_years").shift(1).over("series").alias("from_t_years"),
        (carried & ended).shift(1).over("series").fill_null(value=False).alias("shares_start"),
    ]
    return (
        ledger.sort("series", "visit")
        .with_columns(before)
        .filter(ended)
        .select(
            "series",
            "t_years",
            years=pl.col("t_years") - pl.col("from_t_years"),
            step="drift_step_pct",
            shares_start="shares_start",
            resolution="resolution_pct",
        )
        .cast(STEPS)  # type: ignore[arg-type]  # names to types
    )


def steps_of_paths(paths: pl.DataFrame) -> pl.DataFrame:
    """Return the steps of paths whose every value is a reading of its own.

    Parameters
    ----------
    paths : pl.DataFrame
        ``series``, ``t_years``, ``value``, ``resolution``; rows with a null in the first three
        are left out.

    Returns
    -------
    pl.DataFrame
        Columns of `STEPS`: one row fewer for each series than it has values.
    """

    def since_last(name: str) -> pl.Expr:
        return pl.col(name) - pl.col(name).shift(1).over("series")

    return (
        paths.drop_nulls(["series", "t_years", "value"])
        .sort("series", "t_years")
        .with_columns(
            years=since_last("t_years"),
            step=since_last("value"),
            row=pl.int_range(pl.len()).over("series"),
        )
        .filter(pl.col("row") > 0)
        .with_columns(shares_start=pl.col("row") > 1)
        .select(pl.col(name).cast(kind) for name, kind in STEPS.items())
    )
