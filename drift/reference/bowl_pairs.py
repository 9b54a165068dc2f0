"""This module says what a vessel stands for on the bowl of one meter: R = 100·w/W of that pair."""

from datetime import date

import polars as pl

from drift.frames import Schema
from drift.reference.bowls import NO_EQUIPMENT, bowl_values
from drift.reference.vessel import HIGHEST_PCT, LOWEST_PCT
from drift.reference.vessel_record import vessel_values, with_own_volumes

# One row per vessel and meter whose bowl was measured; calibrated_on and measured_on are the
# newest days on which the vessel and the bowl were, air_pct is what one fill stands for.
BOWL_PAIRS: Schema = {
    "vessel_id": pl.String,
    "meter_id": pl.String,
    "calibrated_on": pl.Date,
    "measured_on": pl.Date,
    "air_pct": pl.Float64,
}


def bowl_pairs(vessels: pl.DataFrame, bowls: pl.DataFrame, *, as_of: date) -> pl.DataFrame:
    """Return what each vessel stands for on each bowl that was measured by itself.

    Parameters
    ----------
    vessels, bowls : pl.DataFrame
        Input tables; a vessel without the mass of its water has no pairs.
    as_of : date
        Later calibrations and measurements are not seen.

    Returns
    -------
    pl.DataFrame
        Frame of `BOWL_PAIRS`, sorted by vessel and meter; pairs that no vessel can be are left out.

    References
    ----------
    R = 100·w/W, ASTM C231 A1.4 (Type B), from memory, to be checked against the current edition;
    masses become volumes as in `drift.reference.vessel.water_volume_ml`.
    """
    held = bowl_values(
        bowls.filter(pl.col("measured_on") <= as_of), pl.DataFrame(schema=NO_EQUIPMENT)
    )
    known = with_own_volumes(
        vessel_values(vessels.filter(pl.col("calibrated_on") <= as_of)), held
    ).filter("usable")
    newest = (
        known.drop_nulls("volume_ml")
        .unique(["vessel_id", "calibrated_on"], keep="first", maintain_order=True)
        .unique("vessel_id", keep="last", maintain_order=True)
    )
    measured = held.filter("usable").unique("meter_id", keep="last", maintain_order=True)
    pairs = newest.select("vessel_id", "calibrated_on", "volume_ml").join(
        measured.select("meter_id", "measured_on", bowl_ml="volume_ml"), how="cross"
    )
    air = pl.col("volume_ml") / pl.col("bowl_ml") * 100
    return (
        pairs.with_columns(air_pct=air)
        .filter(pl.col("air_pct").is_between(LOWEST_PCT, HIGHEST_PCT))
        .sort("vessel_id", "meter_id")
        .select(BOWL_PAIRS.keys())
    )
