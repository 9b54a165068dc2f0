"""This module says what each vessel stands for on each bowl: on the record, and for a visit."""

from datetime import date

import polars as pl

from drift.frames import Schema

# One row per vessel calibration and meter that it was used on: air_pct is what one fill stands for
# on that bowl, stated_pct the median of what readings state of one fill; off_pct, the mean of
# stated less expected of one fill; disagreeing, the sittings that disagree.
PAIRS: Schema = {
    "vessel_id": pl.String,
    "calibrated_on": pl.Date,
    "meter_id": pl.String,
    "bowl": pl.String,
    "measured_on": pl.Date,
    "air_pct": pl.Float64,
    "u_pct": pl.Float64,
    "bowl_u_pct": pl.Float64,
    "open_pct": pl.Float64,
    "stated_pct": pl.Float64,
    "off_pct": pl.Float64,
    "sittings": pl.Int64,
    "disagreeing": pl.Int64,
}


def values_on_bowl(
    values: pl.DataFrame, bowls: pl.DataFrame, *, meter_id: str, as_of: date
) -> pl.DataFrame:
    """Return what vessels stand for on the bowl of one meter.

    Parameters
    ----------
    values : pl.DataFrame
        Frame of `drift.reference.vessel_record.VESSEL_VALUES`.
    bowls : pl.DataFrame
        Frame of `drift.reference.bowls.BOWL_VALUES`.

    Returns
    -------
    pl.DataFrame
        ``vessel_id calibrated_on air_pct``, the newest calibration of each vessel last.
    """
    mine = bowls.filter("usable", pl.col("meter_id") == meter_id, pl.col("measured_on") <= as_of)
    bowl_ml = mine["volume_ml"][-1] if mine.height else None
    # Its own value comes after that of no meter, and both after that for another's bowl.
    nearest = (
        pl.when(pl.col("meter_id") == meter_id)
        .then(2)
        .when(pl.col("meter_id").is_null())
        .then(1)
        .otherwise(0)
    )
    return (
        values.filter("usable", pl.col("calibrated_on") <= as_of)
        .with_columns(nearest=nearest)
        .sort("vessel_id", "calibrated_on", "nearest", maintain_order=True)
        .select(
            "vessel_id",
            "calibrated_on",
            air_pct=pl.coalesce(
                100 * pl.col("volume_ml") / pl.lit(bowl_ml, dtype=pl.Float64), "air_pct"
            ),
        )
    )


def pairs_of(compared: pl.DataFrame) -> pl.DataFrame:
    """Return what each vessel stands for on each bowl that it was used on.

    Parameters
    ----------
    compared : pl.DataFrame
        Frame of `REFERENCE_CHECK`.

    Returns
    -------
    pl.DataFrame
        Frame of `PAIRS`, sorted by vessel, calibration and meter.
    """
    by = ["vessel_id", "calibrated_on", "meter_id"]
    per_fill = {
        name: pl.col(name) / pl.col("fills")
        for name in (
            "expected_pct",
            "u_pct",
            "bowl_u_pct",
            "open_pct",
            "correct_air_pct",
            "off_pct",
        )
    }
    last = ("bowl", "measured_on")
    return (
        compared.filter(pl.col("calibrated_on").is_not_null())
        .sort("performed_on", maintain_order=True)
        .group_by(by)
        .agg(
            *(pl.col(name).last() for name in last),
            air_pct=per_fill["expected_pct"].last(),
            u_pct=per_fill["u_pct"].last(),
            bowl_u_pct=per_fill["bowl_u_pct"].last(),
            open_pct=per_fill["open_pct"].last(),
            stated_pct=per_fill["correct_air_pct"].median(),
            off_pct=per_fill["off_pct"].mean(),
            sittings=pl.len().cast(pl.Int64),
            disagreeing=(pl.col("problem") != "").sum().cast(pl.Int64),
        )
        .select(PAIRS.keys())
        .sort(by)
    )
