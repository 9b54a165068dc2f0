"""This module asks of each check meter and artefact whether it holds, before it may judge.

A drift of its own is told here beside the jumps that `unrecorded` finds.
"""

import numpy as np
import polars as pl
from scipy.special import stdtr, stdtrit

from drift.frames import Schema
from drift.reference.check_meters.fitting import Estimate, OwnMotion, estimate
from drift.reference.check_meters.placing import CHECK_METER, OF_FLEET, OF_ITSELF, Witnesses
from drift.reference.check_meters.shifts import FLEET_DRIFT, Shift, columns_beside
from drift.reference.check_meters.unrecorded import Jump, day_values, trusted_again

STEADY, DRIFTS = "steady", "drifts"
TOO_FEW, NEVER_READ = "too_few_sessions", "no_usable_reading"
# Sessions that let a drift of its own be tested, its level taken as free.
FEWEST = 5
# Level of the test (common practice, no source).
_DRIFT_LEVEL = 0.05

# One row per check meter and artefact: `data/check_meters.csv`.  sessions are those that its
# series hold; adjusted counts days of adjustments after its first session, adjusted_on the last of
# them.  jumped_pct is its own largest jump, between jumped_from and jumped_to, that no record
# explains; jumped_own the probability that it alone moved there (null: the fleet cannot tell).  No
# verdict rests on it from silent_from on, the day after its first jump, until the day before
# silent_until, its next adjustment on record.  sigma_pct is the scatter of a session, % air at 5 %
# air; drift its own, a year there.
CHECK_METERS: Schema = {
    "witness": pl.String,
    "kind": pl.String,
    "sessions": pl.Int64,
    "first_on": pl.Date,
    "last_on": pl.Date,
    "adjusted": pl.Int64,
    "adjusted_on": pl.Date,
    "jumped_pct": pl.Float64,
    "jumped_from": pl.Date,
    "jumped_to": pl.Date,
    "jumped_own": pl.Float64,
    "silent_from": pl.Date,
    "silent_until": pl.Date,
    "sigma_pct": pl.Float64,
    "drift": pl.Float64,
    "drift_low": pl.Float64,
    "drift_high": pl.Float64,
    "drift_p": pl.Float64,
    "finding": pl.String,
    "sentence": pl.String,
}


def steadiness(
    rows: pl.DataFrame,
    witnesses: Witnesses,
    *,
    jumps: list[Jump],
    shifts: list[Shift],
    motion: OwnMotion,
) -> pl.DataFrame:
    """Say of each check meter and artefact whether it holds; frame of `CHECK_METERS`.

    Parameters
    ----------
    rows : pl.DataFrame
        From `drift.reference.check_meters.unrecorded.without_jumps`.
    witnesses : Witnesses
    jumps : list of Jump
    shifts : list of Shift
        Found in the fleet.
    motion : OwnMotion

    Notes
    -----
    The test of a drift is a t test beside the fleet's shifts, at 5 % over the series kinds of a
    witness together.  Where the fleet drifts together, a check meter that goes with it shows the
    vessel and no drift of its own: then it drifts only where it does neither.  What several meters
    read of an artefact drifts with them too: the spread of their rates counts as scatter there.
    """
    told = [
        _held(part, jumps, witnesses.adjusted, shifts=shifts, motion=motion)
        for part in rows.partition_by("witness", maintain_order=True)
    ]
    read = {row["witness"] for row in told}
    told += [
        {"witness": name, "kind": CHECK_METER, "sessions": 0, "finding": NEVER_READ}
        for name in witnesses.names
        if name not in read
    ]
    frame = pl.DataFrame(
        [{name: row.get(name) for name in CHECK_METERS} for row in told], schema=CHECK_METERS
    )
    days = witnesses.adjusted.group_by(witness="meter_id").agg(
        many=pl.len().cast(pl.Int64), last=pl.col("on").max()
    )
    return (
        frame.join(days, on="witness", how="left")
        .with_columns(adjusted=pl.col("many").fill_null(0), adjusted_on="last")
        .drop("many", "last")
        .sort("kind", "witness", descending=[True, False])
    )


def _held(
    part: pl.DataFrame,
    jumps: list[Jump],
    adjusted: pl.DataFrame,
    *,
    shifts: list[Shift],
    motion: OwnMotion,
) -> dict[str, object]:
    """Return what is found of one witness."""
    name = part["witness"][0]
    mine = sorted((jump for jump in jumps if jump.witness == name), key=lambda one: -abs(one.size))
    row: dict[str, object] = {
        "witness": name,
        "kind": part["kind"][0],
        "sessions": part["performed_on"].n_unique(),
        "first_on": part["performed_on"].min(),
        "last_on": part["performed_on"].max(),
        "finding": TOO_FEW,
    }
    for jump in mine[:1]:
        row |= {
            "jumped_pct": jump.size,
            "jumped_from": jump.from_on,
            "jumped_to": jump.to_on,
            "jumped_own": jump.own,
        }
    if mine:
        first = min(mine, key=lambda one: one.to_on)
        row |= {"silent_from": first.to_on, "silent_until": trusted_again(first, adjusted)}
    kinds = part.partition_by("follows", maintain_order=True)
    for rows in kinds:
        found = _own_drift(rows, shifts, motion)
        if found is None or rows["performed_on"].n_unique() < FEWEST:
            continue
        p = _drift_p(found, rows["follows"][0], shifts)
        half = float(stdtrit(found.freedom, 0.975)) * found.error
        if row["finding"] == TOO_FEW or p < row["drift_p"]:  # type: ignore[operator]  # a number
            row |= {
                "sigma_pct": found.scatter,
                "drift": found.value,
                "drift_low": found.value - half,
                "drift_high": found.value + half,
                "drift_p": p,
                "finding": DRIFTS
                if p < _DRIFT_LEVEL / len(kinds) or row["finding"] == DRIFTS
                else STEADY,
            }
    return row


def _own_drift(rows: pl.DataFrame, shifts: list[Shift], motion: OwnMotion) -> Estimate | None:
    """Return the drift of a witness beside the fleet's shifts, its level wandering."""
    read = day_values(rows)
    t_years = read["t_years"].to_numpy()
    of_meters = motion.drift if rows["follows"][0] == OF_FLEET else 0.0
    own = OwnMotion(motion.wander, of_meters)
    return estimate(read, t_years - t_years.mean(), beside=columns_beside(read, shifts), motion=own)


def _drift_p(found: Estimate, follows: str, shifts: list[Shift]) -> float:
    """Return the chance of a drift as large where it has none, or has the fleet's."""

    def chance(value: float, error: float) -> float:
        if error <= 0:
            return 1.0 if value == 0 else 0.0
        return 2 * float(stdtr(found.freedom, -abs(value) / error))

    own = chance(found.value, found.error)
    shared = [
        chance(found.value - one.effect, float(np.hypot(found.error, one.error)))
        for one in shifts
        if one.kind == FLEET_DRIFT and follows != OF_ITSELF
    ]
    return max([own, *shared])
