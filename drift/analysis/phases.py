"""This module says when the as-found bias of a meter begins to be made of something else.

An adjustment, another vessel or a new value of the vessel begins a phase: what was learnt of the
level before need not hold after it.  Whether it does is for `drift.stats.phase_comparison` to say.
"""

import polars as pl

_SAME = 1e-9


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
