"""This module says what each vessel stood for on each bowl that it was used on."""

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
