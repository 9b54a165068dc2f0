"""This module says what every calibration of a vessel on record stands for."""

import numpy as np
import polars as pl

from drift.frames import Row, Schema
from drift.reference.bowls import (
    NO_EQUIPMENT,
    temperature_in_use,
    temperature_share,
    weighing_share,
)
from drift.reference.vessel import (
    FILLING_SHARE,
    USUAL_RELATIVE_U,
    vessel_air_pct,
    vessel_budget,
    water_volume_ml,
    why_not_a_vessel,
)

# One row per vessel calibration on record; meter_id is the meter whose bowl its value belongs to,
# null where none is named.  air_pct is 100·w/W where masses are given, else as stated; u_air_pct as
# stated where above 0, else by a budget of the masses, else the usual share.  Both are null, and
# the calibration must not be used, where problem is not empty and usable false.  volume_ml is what
# the vessel itself holds, null where it was not weighed, and u_volume_share its standard
# uncertainty as a share.
VESSEL_VALUES: Schema = {
    "vessel_id": pl.String,
    "calibrated_on": pl.Date,
    "meter_id": pl.String,
    "air_pct": pl.Float64,
    "u_air_pct": pl.Float64,
    "volume_ml": pl.Float64,
    "u_volume_share": pl.Float64,
    "usable": pl.Boolean,
    "problem": pl.String,
}


def vessel_values(vessels: pl.DataFrame, equipment: pl.DataFrame | None = None) -> pl.DataFrame:
    """Return what every calibration of every vessel stands for, with what is wrong with it.

    Parameters
    ----------
    vessels : pl.DataFrame
        Input table `vessels`.
    equipment : pl.DataFrame or None
        Input table `equipment`, for the balances.

    Returns
    -------
    pl.DataFrame
        Frame of `VESSEL_VALUES`, sorted by vessel, date and meter, those of no meter first.
    """
    balances = pl.DataFrame(schema=NO_EQUIPMENT) if equipment is None else equipment
    rows = [_value_row(row, balances) for row in vessels.iter_rows(named=True)]
    order = ["vessel_id", "calibrated_on", "meter_id"]
    return pl.DataFrame(rows, schema=VESSEL_VALUES).sort(order, nulls_last=False)


def _value_row(row: Row, equipment: pl.DataFrame) -> Row:
    """Return what one calibration stands for."""
    stated, w, bowl = row["air_pct"], row["water_mass_g"], row["bowl_water_mass_g"]
    by_mass = float(vessel_air_pct(w, bowl_mass=bowl)) if w and bowl else None
    air = by_mass if by_mass is not None else stated
    problem = why_not_a_vessel(air)
    usable = not problem
    if usable and stated is not None and by_mass is not None:
        problem = why_not_a_vessel(stated, type_a_air_pct=by_mass)
    warm, told = temperature_in_use(row["water_temp_c"])
    problem = problem or told
    u = row["u_air_pct"]
    if u == 0 and not problem:
        problem = "a standard uncertainty of 0 cannot be meant; the usual one is used instead"
    volume, share = _volume(row, equipment, warm) if w and usable else (None, None)
    if usable and u and air:
        # What is stated of R is what is known of the vessel.
        share = u / air
    if usable and not u and air is not None:
        u = USUAL_RELATIVE_U * air
        if w and bowl:
            scale = weighing_share(equipment, row["scale_id"], row["calibrated_on"], mass_g=w)
            u = vessel_budget(vessel_mass=w, bowl_mass=bowl, scale_u=scale).combined
    return {
        "vessel_id": row["vessel_id"],
        "calibrated_on": row["calibrated_on"],
        "meter_id": row["meter_id"],
        "air_pct": air if usable else None,
        "u_air_pct": u if usable else None,
        "volume_ml": volume,
        "u_volume_share": share,
        "usable": usable,
        "problem": problem,
    }


def _volume(row: Row, equipment: pl.DataFrame, warm: float) -> tuple[float, float]:
    """Return what a vessel holds, ml, and its standard uncertainty as a share."""
    w = row["water_mass_g"]
    scale = weighing_share(equipment, row["scale_id"], row["calibrated_on"], mass_g=w)
    share = float(np.sqrt(scale**2 + FILLING_SHARE**2 + temperature_share(warm) ** 2))
    return float(water_volume_ml(w, temperature_c=warm)), share


def with_own_volumes(values: pl.DataFrame, bowls: pl.DataFrame) -> pl.DataFrame:
    """Fill in what a vessel holds where it was set against the measured bowl of a named meter.

    Parameters
    ----------
    values : pl.DataFrame
        Frame of `VESSEL_VALUES`.
    bowls : pl.DataFrame
        Frame of `drift.reference.bowls.BOWL_VALUES`.
    """
    last = bowls.filter("usable").unique("meter_id", keep="last", maintain_order=True)
    bowl = last.select("meter_id", _bowl_ml="volume_ml", _bowl_u="u_share")
    by_bowl = pl.col("air_pct") / 100 * pl.col("_bowl_ml")
    stated = pl.col("u_air_pct") / pl.col("air_pct")
    share = (stated**2 + pl.col("_bowl_u") ** 2).sqrt()
    return (
        values.join(bowl, on="meter_id", how="left", maintain_order="left")
        .with_columns(
            u_volume_share=pl.when(pl.col("volume_ml").is_null() & by_bowl.is_not_null())
            .then(share)
            .otherwise("u_volume_share")
        )
        .with_columns(volume_ml=pl.coalesce("volume_ml", by_bowl))
        .select(VESSEL_VALUES.keys())
    )
