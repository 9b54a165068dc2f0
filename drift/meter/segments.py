"""This module cuts a meter's life: phases of its level, paths without adjustments, drift steps.

An adjustment, another vessel or a new value of the vessel begins a phase: what was learnt of the
level before need not hold after it.  Whether it does is for `drift.limits.phase_tests` to say.
"""

import polars as pl

_SAME = 1e-9

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


def with_phases(rows: pl.DataFrame, vessels: pl.DataFrame | None) -> pl.DataFrame:
    """Add `phase` and `phase_began` to rows of a ledger.

    Parameters
    ----------
    rows : pl.DataFrame
        Rows of the ledger by series and visit, with ``segment`` and ``touched`` (the work that
        was done since the visit before, in words).
    vessels : pl.DataFrame or None
        Rows in force of that input table; None where nobody recorded any.

    Notes
    -----
    No water is drawn off for the 0 % point, so that no vessel begins a phase there.  A new value
    that moves the correct air content by less than half a step of the dial cannot show and begins
    none either.
    """
    drawn = pl.col("vessel_id").is_not_null() & (pl.col("point_pct") > 0)
    known = rows.with_columns(vessel=pl.when(drawn).then("vessel_id"))
    first_use = (
        pl.col("vessel").is_not_null() & pl.struct("series", "vessel").is_first_distinct()
    ).fill_null(value=False)
    # The vessel that a record starts with is no change.
    seen_before = (
        pl.col("vessel").is_not_null().cast(pl.Int64).cum_sum().shift(1).over("series") > 0
    ).fill_null(value=False)
    known = _with_values(known, vessels).with_columns(new_vessel=first_use & seen_before)
    moved = (
        pl.col("vessel_value") / pl.col("vessel_value").shift(1).over("series", "vessel") - 1
    ).abs() * pl.col("correct_air_pct")
    known = known.with_columns(
        new_value=(moved >= pl.col("resolution_pct") / 2 - _SAME).fill_null(value=False)
    )
    vessel_changes = (pl.col("new_vessel") | pl.col("new_value")).cast(pl.Int64).cum_sum()
    known = known.with_columns(phase=pl.col("segment") + vessel_changes.over("series"))
    begins = (pl.col("phase") != pl.col("phase").shift(1).over("series")).fill_null(value=False)
    adjusted = pl.col("segment") != pl.col("segment").shift(1).over("series")
    reasons = pl.concat_str(
        pl.when(adjusted).then(pl.coalesce("touched", pl.lit("adjusted"))),
        pl.when("new_vessel").then(pl.format("first use of vessel {}", "vessel")),
        pl.when("new_value").then(pl.format("new value of vessel {}", "vessel")),
        separator="; ",
        ignore_nulls=True,
    )
    return known.with_columns(phase_began=pl.when(begins).then(reasons))


def _with_values(rows: pl.DataFrame, vessels: pl.DataFrame | None) -> pl.DataFrame:
    """Add ``vessel_value``: the air content in force of the row's vessel, null where unknown."""
    if vessels is None or vessels.is_empty():
        return rows.with_columns(vessel_value=pl.lit(None, dtype=pl.Float64))
    weighed = 100 * pl.col("water_mass_g") / pl.col("bowl_water_mass_g")
    values = (
        vessels.select(
            "calibrated_on", vessel="vessel_id", vessel_value=pl.coalesce("air_pct", weighed)
        )
        .drop_nulls()
        .sort("calibrated_on", "vessel")
    )
    return (
        rows.with_row_index("place")
        .sort("performed_on", "place")
        .join_asof(
            values,
            left_on="performed_on",
            right_on="calibrated_on",
            by="vessel",
            check_sortedness=False,
        )
        .sort("place")
        .drop("place", "calibrated_on")
    )


def unadjusted_paths(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return the unadjusted paths in the shape that `drift.trend.regression.fit_trends` takes.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.

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
        Frame of `drift.meter.ledger.LEDGER`.  A step that is null there (evidence lost) is left
        out, and so is its time.

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
        # Lazily, so that columns which nothing asks for are not sorted along.
        ledger.lazy()
        .sort("series", "visit")
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
        .collect()
    )
