"""This module says what a vessel stands for on the bowl of one meter: R = 100·w/W of that pair."""

from datetime import date

import numpy as np
import polars as pl

from drift.frames import Schema
from drift.reference.vessel import vessel_air_pct, water_density, why_not_a_vessel
from drift.reference.vessel_record import vessel_values

# Water of unknown temperature is taken at this one, °C.  5 °C off change R by a thousandth of
# itself, and only where a bowl is known by its volume.
_USUAL_WATER_C = 20.0

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
    volumes become masses by the density of water of Tanaka et al. (2001).
    """
    usable = vessel_values(vessels).filter("usable").select("vessel_id", "calibrated_on")
    filled = (
        vessels.filter(pl.col("water_mass_g") > 0, pl.col("calibrated_on") <= as_of)
        .select("vessel_id", "calibrated_on", w="water_mass_g", w_c="water_temp_c")
        .join(usable.unique(), on=["vessel_id", "calibrated_on"])
        .sort("calibrated_on")
        .unique("vessel_id", keep="last")
    )
    measured = (
        bowls.filter(pl.col("measured_on") <= as_of)
        .select("meter_id", "measured_on", "bowl_water_mass_g", "bowl_volume_l", b_c="water_temp_c")
        .sort("measured_on")
        .unique("meter_id", keep="last")
    )
    pairs = filled.join(measured, how="cross")
    if pairs.is_empty():
        return pl.DataFrame(schema=BOWL_PAIRS)
    air = pl.Series("air_pct", _air_of(pairs), dtype=pl.Float64)
    return (
        pairs.with_columns(air)
        .filter(pl.Series([not why_not_a_vessel(each) for each in air], dtype=pl.Boolean))
        .sort("vessel_id", "meter_id")
        .select(BOWL_PAIRS.keys())
    )


def _air_of(pairs: pl.DataFrame) -> np.ndarray:
    """Return 100·w/W of each pair, NaN where a measure is missing."""
    names = ("w", "bowl_water_mass_g", "bowl_volume_l", "w_c", "b_c")
    w, mass, volume, w_c, b_c = (
        pairs[name].cast(pl.Float64).fill_null(np.nan).to_numpy() for name in names
    )
    # Both temperatures count or neither does; a volume stands for water as warm as the vessel's.
    w_c = np.where(np.isnan(w_c), np.where(np.isnan(mass), _USUAL_WATER_C, b_c), w_c)
    b_c = np.where(np.isnan(mass) | np.isnan(b_c), w_c, b_c)
    mass = np.where(np.isnan(mass), volume * water_density(b_c), mass)
    same = np.isnan(w_c)
    return np.where(
        same,
        vessel_air_pct(w, bowl_mass=mass),
        vessel_air_pct(w, bowl_mass=mass, vessel_water_c=w_c, bowl_water_c=b_c),
    )
