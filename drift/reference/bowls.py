"""This module says what the bowl of each meter holds, how surely, and how far bowls differ.

R = 100·w/W belongs to a vessel and a bowl: what the same vessel stands for on two bowls differs as
their volumes do.
"""

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from drift.frames import Row, Schema
from drift.reference.vessel import FILLING_SHARE, SCALE_SHARE, water_volume_ml

# One row per measurement of a bowl on record.  volume_ml is null, and the measurement must not be
# used, where usable is false; u_share is its standard uncertainty as a share of the volume;
# en_before the normalised error against the measurement before (null for the first).
BOWL_VALUES: Schema = {
    "meter_id": pl.String,
    "measured_on": pl.Date,
    "measured": pl.Int64,
    "volume_ml": pl.Float64,
    "u_share": pl.Float64,
    "en_before": pl.Float64,
    "usable": pl.Boolean,
    "problem": pl.String,
}
# What is asked of the table of equipment: the balances.
NO_EQUIPMENT: Schema = {
    "equipment_id": pl.String,
    "kind": pl.String,
    "calibrated_on": pl.Date,
    "u": pl.Float64,
    "u_unit": pl.String,
}
# Standard uncertainty of a temperature that was read, and of one that was not written down, °C.
# Common practice, no source.
READ_U_C, UNREAD_U_C = 0.5, 3.0
# Share by which a volume of water changes with 1 °C near 20 °C, from Tanaka et al. (2001).
EXPANSION = 2.1e-4
# Hotter water than this no laboratory fills a bowl with; 50 °F are 10 °C.
WARMEST_C = 40.0
NOT_CELSIUS = "water of more than 40 °C cannot be meant (is it °F?): 20 °C was taken"
# Scatter of repeated fillings counts from so many degrees of freedom on.
_FEWEST_FREEDOM = 5
# Bowls farther from the middle one than this are of another nominal size.
_ONE_SIZE = 0.03
# As few bowls tell how far bowls differ.
_FEWEST_BOWLS = 5
_SMALLEST_ML, _LARGEST_ML = 2000.0, 30000.0
_GRAMS = {"g": 1.0, "kg": 1000.0, "mg": 0.001}


@dataclass(frozen=True, slots=True)
class BowlSpread:
    """How far bowls of one nominal size differ.

    Attributes
    ----------
    half_share : float
        Half-width within which a bowl that was not measured lies, as a share of its volume.
    standard_share : float
        The same as a standard deviation.
    basis : str
        Where it comes from.
    """

    half_share: float
    standard_share: float
    basis: str


def bowl_values(bowls: pl.DataFrame, equipment: pl.DataFrame) -> pl.DataFrame:
    """Return what every measurement of every bowl says, with what is wrong with it.

    Parameters
    ----------
    bowls, equipment : pl.DataFrame
        Input tables of these names.

    Returns
    -------
    pl.DataFrame
        Frame of `BOWL_VALUES`, sorted by meter and date.

    Notes
    -----
    Uncertainty as stated; else that of the weighing (of the balance where its own is on record,
    else 0.1 % as a half-width), of the filling and of the temperature.  A bowl measured once tells
    nothing of its filling: the scatter of bowls measured again counts for all of them, else the
    usual one.
    """
    rows = [_value(row, equipment) for row in bowls.iter_rows(named=True)]
    frame = pl.DataFrame(rows, schema=BOWL_VALUES | {"stated": pl.Boolean})
    frame = frame.sort("meter_id", "measured_on")
    filling = _filling_share(frame)
    whole = (pl.col("u_share") ** 2 + filling**2).sqrt()
    return (
        frame.with_columns(u_share=pl.when("stated").then("u_share").otherwise(whole))
        .with_columns(_u_ml=pl.col("volume_ml") * pl.col("u_share"))
        .with_columns(
            measured=pl.len().over("meter_id").cast(pl.Int64),
            en_before=pl.col("volume_ml").diff().abs().over("meter_id")
            / (2 * (pl.col("_u_ml") ** 2 + pl.col("_u_ml").shift() ** 2).sqrt()).over("meter_id"),
        )
        .with_columns(
            problem=pl.when((pl.col("problem") == "") & (pl.col("en_before") > 1))
            .then(pl.lit("it differs from its measurement before by more than both allow"))
            .otherwise("problem")
        )
        .select(BOWL_VALUES.keys())
    )


def _value(row: Row, equipment: pl.DataFrame) -> Row:
    """Return what one measurement says; ``u_share`` without the filling unless it is stated."""
    mass, litres, u = row["bowl_water_mass_g"], row["bowl_volume_l"], row["u"]
    warm, problem = temperature_in_use(row["water_temp_c"])
    volume, given = None, mass or litres
    if mass:
        volume = float(water_volume_ml(mass, temperature_c=warm))
    elif litres:
        volume = 1000 * litres
    usable = volume is not None and _SMALLEST_ML <= volume <= _LARGEST_ML
    if not usable:
        problem = (
            "no bowl holds so much or so little: the mass or its unit is mistaken"
            if volume
            else "neither a mass of water nor a volume is on record"
        )
    elif mass and litres and abs(1000 * litres / volume - 1) > 2 * SCALE_SHARE:
        problem = "the volume stated does not follow from the mass, which was taken"
    share = u / given if u and given else None
    if share is None and usable:
        weighing = weighing_share(equipment, row["scale_id"], row["measured_on"], mass_g=mass)
        share = float(np.hypot(weighing, temperature_share(warm) if mass else 0.0))
    return {
        "meter_id": row["meter_id"],
        "measured_on": row["measured_on"],
        "volume_ml": volume if usable else None,
        "u_share": share if usable else None,
        "usable": usable,
        "problem": problem,
        "stated": bool(u),
    }


def temperature_in_use(recorded: float | None) -> tuple[float, str]:
    """Return the temperature to reckon with, NaN where there is none, and what is wrong with it."""
    if recorded is None:
        return float("nan"), ""
    if not 0 <= recorded <= WARMEST_C:
        return float("nan"), NOT_CELSIUS
    return float(recorded), ""


def temperature_share(warm: float) -> float:
    """Return the standard uncertainty of a volume by its temperature, a share; NaN: not read."""
    return EXPANSION * (UNREAD_U_C if np.isnan(warm) else READ_U_C)


def weighing_share(
    equipment: pl.DataFrame, scale_id: str | None, on: date, *, mass_g: float | None
) -> float:
    """Return the relative standard uncertainty of a weighing.

    Parameters
    ----------
    equipment : pl.DataFrame
        Input table `equipment`.
    scale_id : str or None
        The balance used.
    on : date
        Day of the weighing: the balance's last calibration up to it counts.
    mass_g : float or None
        What was weighed.

    Notes
    -----
    Where the balance's own is not on record in g or %: 0.1 % as a rectangular half-width (ASTM C231
    annex A1, from memory, to be checked against the current edition).
    """
    usual = SCALE_SHARE / float(np.sqrt(3))
    if scale_id is None or not mass_g:
        return usual
    known = equipment.filter(
        (pl.col("equipment_id") == scale_id)
        & (pl.col("kind") == "balance")
        & (pl.col("calibrated_on") <= on)
        & (pl.col("u") > 0)
    ).sort("calibrated_on")
    if known.is_empty():
        return usual
    u, unit = known["u"][-1], (known["u_unit"][-1] or "").strip().lower()
    if unit == "%":
        return float(u) / 100
    return float(u) * _GRAMS[unit] / mass_g if unit in _GRAMS else usual


def _filling_share(frame: pl.DataFrame) -> float:
    """Return the standard uncertainty of a filling, as a share: of repeats where they are enough.

    Notes
    -----
    Pooled standard deviation within bowls (JCGM 100:2008, H.3.6 and 4.2.4).
    """
    logs = frame.filter("usable").select(
        "meter_id", log=pl.col("volume_ml").log(), number=pl.len().over("meter_id")
    )
    again = logs.filter(pl.col("number") > 1)
    freedom = again.height - again["meter_id"].n_unique()
    if freedom < _FEWEST_FREEDOM:
        return FILLING_SHARE
    apart = again["log"] - again.select(pl.col("log").mean().over("meter_id"))["log"]
    return float(np.sqrt((apart.to_numpy() ** 2).sum() / freedom))


def bowl_spread(values: pl.DataFrame, *, usual_pct: float) -> BowlSpread:
    """Return how far a bowl that nobody measured may lie from the one a vessel was set against.

    Parameters
    ----------
    values : pl.DataFrame
        Frame of `BOWL_VALUES`.
    usual_pct : float
        Half-width where fewer than five bowls are measured, % of the volume.

    Notes
    -----
    Of measured bowls twice their standard deviation counts, from five of one nominal size on, and
    at least twice the standard uncertainty of a measurement: no bowl is known better for not being
    measured.  Else the half-width of the policy counts, as a rectangular distribution.
    """
    last = values.filter("usable").unique("meter_id", keep="last", maintain_order=True)
    volumes = last["volume_ml"].to_numpy()
    if len(volumes):
        middle = float(np.median(volumes))
        of_one_size = np.abs(volumes / middle - 1) <= _ONE_SIZE
        alike, u = volumes[of_one_size], last["u_share"].to_numpy()[of_one_size]
        if len(alike) >= _FEWEST_BOWLS:
            apart = float(alike.std(ddof=1) / alike.mean())
            share = max(apart, float(np.sqrt((u**2).mean())))
            return BowlSpread(2 * share, share, f"{len(alike)} measured bowls")
    half = usual_pct / 100
    return BowlSpread(half, half / float(np.sqrt(3)), "the policy's bowl_spread_pct")
