"""This module asks whether a meter reads otherwise after a higher content than after a lower one.

A dial whose works stick shows less on the way up and more on the way down.  Which way a reading
was made is told by the order of the readings of a visit, and by nothing else.
"""

import numpy as np
import polars as pl
from scipy.special import stdtr, stdtrit

from drift.arrays import Floats
from drift.frames import Schema

SHOWN, NOT_SHOWN, UNTOLD = "shown", "not_shown", "cannot_say"
NO_ORDER, ONE_WAY = "no_order", "one_way_only"
_LEVEL = 0.05
# Degrees of freedom of a scatter that was pooled over a fleet.
_POOLED = 1000

# One row per meter: `data/hysteresis.csv`.  visits are those with a point read both ways, readings
# the readings of these points; difference_pct is what was read after a higher content less what was
# after a lower one, % air; p is the chance of as large a one where there is none.
HYSTERESIS: Schema = {
    "meter_id": pl.String,
    "visits": pl.Int64,
    "readings": pl.Int64,
    "difference_pct": pl.Float64,
    "difference_low": pl.Float64,
    "difference_high": pl.Float64,
    "p": pl.Float64,
    "finding": pl.String,
    "why": pl.String,
}


def hysteresis(
    sessions: pl.DataFrame, *, repeatability: pl.DataFrame, resolution_pct: float
) -> pl.DataFrame:
    """Compare readings made on the way up with those made on the way down, meter by meter.

    Parameters
    ----------
    sessions : pl.DataFrame
        Frame of `drift.store.tables.SESSIONS`; ``places`` tells the order.
    repeatability : pl.DataFrame
        ``meter_id repeatability_pct``.
    resolution_pct : float
        What dials are read to where no reading says it.

    Returns
    -------
    pl.DataFrame
        Frame of `HYSTERESIS`, by meter.

    Notes
    -----
    A reading is on the way up where the last other point of its visit and stage was lower.  Each
    visit and point read both ways gives the difference of its two means, with the variance
    σ²(1/n + 1/n'), σ being the repeatability or, if more, that of rounding, step/√12.  They are
    averaged by their inverse variances; where three or more differ by more than that, their own
    scatter counts (Birge ratio; Birge 1932, Phys. Rev. 40, 207–227).  A t test at 5 %.
    """
    pairs = _pairs(_on_the_way(sessions), repeatability, resolution_pct)
    found = {meter: _difference(part) for (meter,), part in pairs.group_by("meter_id")}
    ordered = set(sessions.drop_nulls("places")["meter_id"])
    rows = []
    for meter in sessions["meter_id"].unique().sort():
        told = found.get(meter) or {
            "visits": 0,
            "readings": 0,
            "finding": UNTOLD,
            "why": ONE_WAY if meter in ordered else NO_ORDER,
        }
        rows.append({name: told.get(name) for name in HYSTERESIS} | {"meter_id": meter})
    return pl.DataFrame(rows, schema=HYSTERESIS)


def _on_the_way(sessions: pl.DataFrame) -> pl.DataFrame:
    """Return the readings whose place is known with ``up``: whether the point before was lower."""
    key = ["meter_id", "visit_id", "stage"]
    readings = (
        sessions.drop_nulls("places")
        .select(*key, "point_pct", "resolution_pct", bias="biases_pct", place="places")
        .filter(pl.col("bias").list.len() == pl.col("place").list.len())
        .explode("bias", "place")
        .sort(*key, "place")
    )
    changed = pl.col("point_pct").diff().over(key)
    step = pl.when(changed != 0).then(changed)
    return readings.with_columns(up=step.forward_fill().over(key) > 0).drop_nulls("up")


def _pairs(
    readings: pl.DataFrame, repeatability: pl.DataFrame, resolution_pct: float
) -> pl.DataFrame:
    """Return a row for each visit, stage and point read both ways: difference and variance."""
    up, down = pl.col("up"), ~pl.col("up")
    both = readings.group_by("meter_id", "visit_id", "stage", "point_pct").agg(
        difference=pl.col("bias").filter(down).mean() - pl.col("bias").filter(up).mean(),
        shares=1 / up.sum() + 1 / down.sum(),
        readings=pl.len().cast(pl.Int64),
        step=pl.col("resolution_pct").max(),
    )
    rounding = pl.col("step").fill_null(resolution_pct) / 12**0.5
    return (
        both.drop_nulls("difference")
        .join(repeatability, on="meter_id", how="left")
        .with_columns(
            variance=pl.max_horizontal("repeatability_pct", rounding) ** 2 * pl.col("shares")
        )
        .sort("meter_id", "visit_id", "stage", "point_pct")
    )


def _difference(pairs: pl.DataFrame) -> dict[str, object]:
    """Return what the pairs of one meter say."""
    differences, weights = pairs["difference"].to_numpy(), 1 / pairs["variance"].to_numpy()
    value = float(weights @ differences / weights.sum())
    error, freedom = _error(differences - value, weights)
    half = float(stdtrit(freedom, 1 - _LEVEL / 2)) * error
    p = 2 * float(stdtr(freedom, -abs(value) / error))
    return {
        "visits": pairs["visit_id"].n_unique(),
        "readings": int(pairs["readings"].sum()),
        "difference_pct": value,
        "difference_low": value - half,
        "difference_high": value + half,
        "p": p,
        "finding": SHOWN if p <= _LEVEL else NOT_SHOWN,
    }


def _error(left: Floats, weights: Floats) -> tuple[float, int]:
    """Return the standard error of a weighted mean and its degrees of freedom."""
    of_model = float(1 / np.sqrt(weights.sum()))
    freedom = len(left) - 1
    birge = float(np.sqrt(weights @ left**2 / freedom)) if freedom >= 2 else 0.0
    return (of_model * birge, freedom) if birge > 1 else (of_model, _POOLED)
