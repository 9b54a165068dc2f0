"""This module follows each vessel from calibration to calibration, and asks what it is worth.

A reference has a history of its own: what it held each time, whether that agrees with the times
before, what a new value did to the meters, and whether the uncertainties stated of it can be meant.
"""

from datetime import date

import numpy as np
import polars as pl
from scipy.special import chdtrc, ndtri

from drift.frames import Row, Schema
from drift.reference.normalised_error import AGREES, CONTRADICTED

# One row per calibration of a vessel that can be used.  value_pct is what one fill stands for on
# the bowl that the vessel was first set against, so that a change of bowl is none of the vessel's;
# null where the bowl is another and nothing was weighed.  low_limit and high_limit are where it
# was to be expected by the calibrations before (k = 2), en_before its E_n against the one before,
# en_all against the mean of all before.  said_pct is how much more meters were to read at 5 % air
# by the new value, did_pct how much more they did, with its 95 % interval; en_meters their E_n.
VESSEL_HISTORY: Schema = {
    "vessel_id": pl.String,
    "calibrated_on": pl.Date,
    "water_mass_g": pl.Float64,
    "volume_ml": pl.Float64,
    "value_pct": pl.Float64,
    "u_pct": pl.Float64,
    "low_limit": pl.Float64,
    "high_limit": pl.Float64,
    "en_before": pl.Float64,
    "en_all": pl.Float64,
    "said_pct": pl.Float64,
    "did_pct": pl.Float64,
    "did_low": pl.Float64,
    "did_high": pl.Float64,
    "en_meters": pl.Float64,
    "verdict": pl.String,
}

# One row per vessel, and a last one for all (vessel_id null) where several have a history.  chi2 of
# the values about their mean weighted by their uncertainties, freedom its degrees of freedom,
# birge_ratio √(chi2/freedom), p_larger and p_smaller the chance of so large and of so small a chi2
# where the uncertainties are true.  change_pct_per_year: weighted line through the values, with its
# 95 % interval by the stated uncertainties.
VESSEL_BELIEF: Schema = {
    "vessel_id": pl.String,
    "calibrations": pl.Int64,
    "last_on": pl.Date,
    "due_on": pl.Date,
    "chi2": pl.Float64,
    "freedom": pl.Int64,
    "birge_ratio": pl.Float64,
    "p_larger": pl.Float64,
    "p_smaller": pl.Float64,
    "belief": pl.String,
    "change_pct_per_year": pl.Float64,
    "change_low": pl.Float64,
    "change_high": pl.Float64,
}
BELIEVABLE, TOO_SMALL, TOO_LARGE, UNTOLD = "believable", "too_small", "too_large", "cannot_say"
_COVERAGE = 2.0
_LEVEL = 0.05
_TOLD_AT_PCT = 5.0
_DAYS_PER_YEAR = 365.25
_FEWEST_FOR_A_LINE = 3


def vessel_history(
    values: pl.DataFrame, vessels: pl.DataFrame, effects: pl.DataFrame
) -> pl.DataFrame:
    """Return every vessel's calibrations in order, each held against those before.

    Parameters
    ----------
    values : pl.DataFrame
        Frame of `drift.reference.vessel_record.VESSEL_VALUES`.
    vessels : pl.DataFrame
        Input table `vessels`.
    effects : pl.DataFrame
        Frame of `drift.reference.crossed_effects.REFERENCE`.

    Returns
    -------
    pl.DataFrame
        Frame of `VESSEL_HISTORY`, sorted by vessel and date.

    Notes
    -----
    E_n = |difference| / √(U₁² + U₂²) with U = 2u; above 1 the two uncertainties cannot both be
    true.  Two calibrations with one balance share part of their uncertainty, which then cancels:
    E_n is rather too small than too large.  A vessel that truly changed makes meters read as much
    more as its new value says; one whose value alone was corrected makes them read the same.

    References
    ----------
    ISO/IEC 17043 annex B and ISO 13528 (E_n; weighted mean), from memory, to be checked against
    the current editions.
    """
    days = values.filter("usable").unique(
        ["vessel_id", "calibrated_on"], keep="first", maintain_order=True
    )
    masses = vessels.unique(["vessel_id", "calibrated_on"], keep="first", maintain_order=True)
    days = days.join(
        masses.select("vessel_id", "calibrated_on", "water_mass_g"),
        on=["vessel_id", "calibrated_on"],
        how="left",
        maintain_order="left",
    )
    changes = {
        row["name"]: row
        for row in effects.filter(
            (pl.col("kind") == "vessel_change") & pl.col("low").is_not_null()
        ).iter_rows(named=True)
    }
    rows: list[Row] = []
    for _, mine in days.group_by("vessel_id", maintain_order=True):
        rows.extend(_of_vessel(mine.to_dicts(), changes))
    return pl.DataFrame(rows, schema=VESSEL_HISTORY)


def _of_vessel(days: list[Row], changes: dict[str, Row]) -> list[Row]:
    """Return the history of one vessel, whose calibrations are in order."""
    made: list[Row] = []
    for row in days:
        value, u = _on_first_bowl(row, days[0])
        before = [one for one in made if one["value_pct"] is not None]
        told: Row = {
            "vessel_id": row["vessel_id"],
            "calibrated_on": row["calibrated_on"],
            "water_mass_g": row["water_mass_g"],
            "volume_ml": row["volume_ml"],
            "value_pct": value,
            "u_pct": u,
            "verdict": "",
        }
        if value is not None and before:
            told |= _against(value, u, before)
            told |= _meters(told, before[-1], changes)
            worst = max(told["en_before"], told["en_all"], told.get("en_meters") or 0.0)
            told["verdict"] = CONTRADICTED if worst > 1 else AGREES
        made.append({name: told.get(name) for name in VESSEL_HISTORY})
    return made


def _on_first_bowl(row: Row, first: Row) -> tuple[float | None, float | None]:
    """Return a value on the bowl of the first calibration and its u; null where unknown."""
    if row["volume_ml"] and first["volume_ml"] and row["u_volume_share"]:
        value = first["air_pct"] * row["volume_ml"] / first["volume_ml"]
        return value, value * row["u_volume_share"]
    if row["meter_id"] != first["meter_id"]:
        return None, None
    return row["air_pct"], row["u_air_pct"]


def _against(value: float, u: float | None, before: list[Row]) -> Row:
    """Hold a value against those before: limits, and E_n against the last and the mean."""
    of_value = u or 0.0
    mean, of_mean = _mean([one["value_pct"] for one in before], [one["u_pct"] for one in before])
    last = before[-1]
    half = _COVERAGE * float(np.hypot(of_value, of_mean))
    return {
        "low_limit": mean - half,
        "high_limit": mean + half,
        "en_before": abs(value - last["value_pct"])
        / (_COVERAGE * float(np.hypot(of_value, last["u_pct"]))),
        "en_all": abs(value - mean) / half,
    }


def _mean(values: list[float], u: list[float]) -> tuple[float, float]:
    """Return the mean weighted by uncertainties, and its own uncertainty."""
    weights = 1 / np.array(u) ** 2
    return float(np.array(values) @ weights / weights.sum()), float(weights.sum() ** -0.5)


def _meters(now: Row, before: Row, changes: dict[str, Row]) -> Row:
    """Return what a new value said of the meters and what they did, as far as they were read."""
    scale = _TOLD_AT_PCT / before["value_pct"]
    said = (now["value_pct"] - before["value_pct"]) * scale
    vessel = now["vessel_id"]
    name = (
        f"{vessel} calibrated {before['calibrated_on']} to "
        f"{vessel} calibrated {now['calibrated_on']}"
    )
    found = changes.get(name)
    if found is None:
        return {"said_pct": said}
    half = (found["high"] - found["low"]) / 2
    stated = _COVERAGE * scale * float(np.hypot(now["u_pct"], before["u_pct"]))
    return {
        "said_pct": said,
        "did_pct": said + found["effect_pct"],
        "did_low": said + found["low"],
        "did_high": said + found["high"],
        "en_meters": abs(found["effect_pct"]) / float(np.hypot(stated, half)),
    }


def vessel_belief(
    history: pl.DataFrame, vessels: pl.DataFrame, equipment: pl.DataFrame
) -> pl.DataFrame:
    """Say of each vessel whether its stated uncertainties can be meant, and when it is due.

    Parameters
    ----------
    history : pl.DataFrame
        Frame of `VESSEL_HISTORY`.
    vessels, equipment : pl.DataFrame
        Input tables of these names: a due date stands with the last calibration in either.

    Returns
    -------
    pl.DataFrame
        Frame of `VESSEL_BELIEF`, sorted by vessel, the row for all of them last.

    Notes
    -----
    Too small where so large a chi² has a chance of under 5 % if the uncertainties are true (either
    they are not, or the vessel changed); too large where so small a one has.  One calibration tells
    nothing.

    References
    ----------
    Birge (1932), Physical Review 40, 207 (ratio); chi² test of consistency as in Cox (2002),
    Metrologia 39, 589, procedure A; both from memory.
    """
    rows = [
        _belief(str(name), mine, due=_due_on(str(name), vessels, equipment))
        for (name,), mine in history.group_by("vessel_id", maintain_order=True)
    ]
    with_history = [row for row in rows if row.get("freedom")]
    if len(with_history) > 1:
        whole = _consistency(
            sum(row["chi2"] for row in with_history), sum(row["freedom"] for row in with_history)
        )
        calibrations = sum(row["calibrations"] for row in with_history)
        rows.append({"vessel_id": None, "calibrations": calibrations} | whole)
    filled = [{name: row.get(name) for name in VESSEL_BELIEF} for row in rows]
    return pl.DataFrame(filled, schema=VESSEL_BELIEF)


def _belief(name: str, mine: pl.DataFrame, *, due: date | None) -> Row:
    """Return what the history of one vessel says of its uncertainties."""
    row: Row = {
        "vessel_id": name,
        "calibrations": mine.height,
        "last_on": mine["calibrated_on"].max(),
        "due_on": due,
    }
    known = mine.drop_nulls(["value_pct", "u_pct"])
    values, u = known["value_pct"].to_list(), known["u_pct"].to_list()
    if known.height < 2:
        return row | {"belief": UNTOLD}
    mean, _ = _mean(values, u)
    chi2 = float((((np.array(values) - mean) / np.array(u)) ** 2).sum())
    return row | _consistency(chi2, known.height - 1) | _line(known)


def _consistency(chi2: float, freedom: int) -> Row:
    """Return the Birge ratio, the chances of a chi² and what follows of the uncertainties."""
    larger = float(chdtrc(freedom, chi2))
    belief = TOO_SMALL if larger < _LEVEL else TOO_LARGE if 1 - larger < _LEVEL else BELIEVABLE
    return {
        "chi2": chi2,
        "freedom": freedom,
        "birge_ratio": float(np.sqrt(chi2 / freedom)),
        "p_larger": larger,
        "p_smaller": 1 - larger,
        "belief": belief,
    }


def _line(known: pl.DataFrame) -> Row:
    """Return the yearly change by a weighted line; nothing from fewer than three calibrations."""
    if known.height < _FEWEST_FOR_A_LINE:
        return {}
    days = [(on - known["calibrated_on"][0]).days for on in known["calibrated_on"]]
    t = np.array(days) / _DAYS_PER_YEAR
    weights = 1 / known["u_pct"].to_numpy() ** 2
    apart = t - t @ weights / weights.sum()
    spread = float(weights @ apart**2)
    slope = float((weights * apart) @ known["value_pct"].to_numpy()) / spread
    half = float(ndtri(0.975)) / spread**0.5
    return {
        "change_pct_per_year": slope,
        "change_low": slope - half,
        "change_high": slope + half,
    }


def _due_on(name: str, vessels: pl.DataFrame, equipment: pl.DataFrame) -> date | None:
    """Return when a vessel is due by its last calibration, null where no record says."""
    known = [
        vessels.filter(pl.col("vessel_id") == name).select("calibrated_on", "due_on"),
        equipment.filter((pl.col("equipment_id") == name) & (pl.col("kind") == "vessel")).select(
            "calibrated_on", "due_on"
        ),
    ]
    # What an earlier calibration promised went with it.
    rows = pl.concat(known)
    last = rows.filter(pl.col("calibrated_on") == pl.col("calibrated_on").max())
    due: date | None = last["due_on"].max()  # type: ignore[assignment]  # a date by schema
    return due
