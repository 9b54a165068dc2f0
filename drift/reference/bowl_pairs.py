"""This module says what a vessel stands for on the bowl of one meter: R belongs to the pair."""

from datetime import date

import polars as pl

from drift.frames import Schema
from drift.reference.vessel import why_not_a_vessel

# One row per vessel and meter of whose bowl something is known: air_pct is what one fill stands
# for, by the volumes of both as last measured, else as the vessel's calibration states it for that
# meter (measured_on is null then).
BOWL_PAIRS: Schema = {
    "vessel_id": pl.String,
    "meter_id": pl.String,
    "calibrated_on": pl.Date,
    "measured_on": pl.Date,
    "air_pct": pl.Float64,
}


def bowl_pairs(values: pl.DataFrame, bowls: pl.DataFrame, *, as_of: date) -> pl.DataFrame:
    """Return what each vessel stands for on each bowl that is known.

    Parameters
    ----------
    values : pl.DataFrame
        Frame of `drift.reference.vessel_record.VESSEL_VALUES`.
    bowls : pl.DataFrame
        Frame of `drift.reference.bowls.BOWL_VALUES`.
    as_of : date
        Later calibrations and measurements are not seen.

    Returns
    -------
    pl.DataFrame
        Frame of `BOWL_PAIRS`, sorted by vessel and meter; what no vessel can be is left out.

    References
    ----------
    R = 100·w/W, ASTM C231 A1.4 (Type B), from memory, to be checked against the current edition.
    """
    usable = values.filter("usable", pl.col("calibrated_on") <= as_of)
    newest = in_force(usable).filter(pl.col("volume_ml") > 0)
    measured = (
        bowls.filter("usable", pl.col("measured_on") <= as_of)
        .sort("measured_on", maintain_order=True)
        .unique("meter_id", keep="last", maintain_order=True)
        .select("meter_id", "measured_on", bowl_ml="volume_ml")
    )
    by_volume = (
        newest.select("vessel_id", "calibrated_on", "volume_ml")
        .join(measured, how="cross")
        .with_columns(air_pct=100 * pl.col("volume_ml") / pl.col("bowl_ml"))
    )
    stated = (
        usable.filter(pl.col("meter_id").is_not_null())
        .sort("calibrated_on", maintain_order=True)
        .unique(["vessel_id", "meter_id"], keep="last", maintain_order=True)
        .with_columns(measured_on=pl.lit(None, dtype=pl.Date))
    )
    names = list(BOWL_PAIRS)
    pairs = pl.concat([by_volume.select(names), stated.select(names)]).unique(
        ["vessel_id", "meter_id"], keep="first", maintain_order=True
    )
    sound = [not why_not_a_vessel(air) for air in pairs["air_pct"]]
    return pairs.filter(pl.Series(sound, dtype=pl.Boolean)).sort("vessel_id", "meter_id")


def in_force(usable: pl.DataFrame) -> pl.DataFrame:
    """Return the newest calibration of each vessel, of several of one day that of no meter first.

    Parameters
    ----------
    usable : pl.DataFrame
        Rows of a frame of `VESSEL_VALUES` that may be used.
    """
    return (
        usable.sort("vessel_id", "calibrated_on", "meter_id", nulls_last=False)
        .unique(["vessel_id", "calibrated_on"], keep="first", maintain_order=True)
        .unique("vessel_id", keep="last", maintain_order=True)
    )
