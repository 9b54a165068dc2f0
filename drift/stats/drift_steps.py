"""This module takes paths and drift steps out of a ledger; it fits nothing."""

import polars as pl

# Slack when readings are compared with the dial's step, % air.
_SLACK_PCT = 1e-9

# One row per series and drift step, in time order.  t_years is the visit that ends the step, years
# the time since the visit that starts it.  shares_start: the reading that starts the step also
# ended the one before, so that its error enters both with opposite sign.  below and above: how far
# the lowest and the highest reading of the sitting that ends the step lie from its mean (0 where
# only the mean is known).
STEPS: dict[str, type[pl.DataType]] = {
    "series": pl.Int64,
    "t_years": pl.Float64,
    "years": pl.Float64,
    "step": pl.Float64,
    "shares_start": pl.Boolean,
    "resolution": pl.Float64,
    "below": pl.Float64,
    "above": pl.Float64,
}


def unadjusted_paths(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return the unadjusted paths in the shape that `drift.stats.trend.fit_trends` takes.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.frames.LEDGER`.

    Returns
    -------
    pl.DataFrame
        ``series``, ``t_years``, ``value``, ``resolution``, and ``lowest`` and ``highest``: the
        extreme readings of the sitting where they would lie on the path.
    """
    readings = pl.col("as_found_biases_pct")
    off = pl.col("unadjusted_path_pct") - pl.col("as_found_bias_pct")
    value = pl.col("unadjusted_path_pct")
    return ledger.select(
        "series",
        "t_years",
        value=value,
        resolution="resolution_pct",
        lowest=pl.coalesce(off + readings.list.min(), value),
        highest=pl.coalesce(off + readings.list.max(), value),
    )


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
    Where nothing was adjusted and as found and as left agree within less than one step of the
    dial, both read the same state: their mean, weighted by replicates, ends one step and starts
    the next.  So it does where the bias was carried over.  Otherwise the bias left was read anew
    and brings a reading error of its own into the path; so it is where as left and as found
    differ by a whole step of the dial, for somebody may have adjusted without a record.
    """
    found, left = pl.col("as_found_bias_pct"), pl.col("as_left_bias_pct")
    counts = [pl.col("as_found_replicates"), pl.col("as_left_replicates")]
    readings = [pl.col("as_found_biases_pct"), pl.col("as_left_biases_pct")]
    same = (
        ~pl.col("adjusted")
        & (left - found).abs().lt(pl.col("resolution_pct") - _SLACK_PCT)
        & left.is_not_null()
    ).fill_null(value=False)
    pooled = (found * counts[0] + left * counts[1]) / (counts[0] + counts[1])
    lowest, highest = [one.list.min() for one in readings], [one.list.max() for one in readings]
    carried = left.is_null() & found.is_not_null() & pl.col("left_bias_pct").is_not_null()
    ended = pl.col("drift_step_pct").is_not_null()

    def of_last_visit(value: pl.Expr) -> pl.Expr:
        return value.shift(1).over("series")

    return (
        ledger.sort("series", "visit")
        .with_columns(
            came_with=pl.when(same).then(pooled).otherwise(found),
            went_with=pl.when(same).then(pooled).otherwise("left_bias_pct"),
            one_reading=same | carried,
            lowest=pl.when(same).then(pl.min_horizontal(lowest)).otherwise(lowest[0]),
            highest=pl.when(same).then(pl.max_horizontal(highest)).otherwise(highest[0]),
        )
        .with_columns(
            years=pl.col("t_years") - of_last_visit(pl.col("t_years")),
            step=pl.col("came_with") - of_last_visit(pl.col("went_with")),
            shares_start=of_last_visit(pl.col("one_reading") & ended).fill_null(value=False),
        )
        .filter(ended)
        .select(
            "series",
            "t_years",
            "years",
            "step",
            "shares_start",
            resolution="resolution_pct",
            below=(pl.col("lowest") - pl.col("came_with")).fill_null(0.0),
            above=(pl.col("highest") - pl.col("came_with")).fill_null(0.0),
        )
        .cast(STEPS)  # type: ignore[arg-type]  # names to types
    )
