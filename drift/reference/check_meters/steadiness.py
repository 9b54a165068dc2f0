"""This module asks of each check meter and artefact whether it holds, before it may judge.

A drift of its own, or a jump that the fleet did not take, is told; a meter adjusted by mistake
looks like such a jump where nobody recorded it.
"""

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from scipy.special import stdtr, stdtrit

from drift.arrays import Floats, Integers
from drift.frames import Schema
from drift.reference.check_meters.fitting import Estimate, OwnMotion, estimate
from drift.reference.check_meters.placing import CHECK_METER, OF_ITSELF, Witnesses
from drift.reference.check_meters.shifts import FLEET_DRIFT, Shift

STEADY, DRIFTS = "steady", "drifts"
TOO_FEW, NEVER_READ = "too_few_sessions", "no_usable_reading"
# Sessions that let a drift of its own be tested, its level taken as free.
FEWEST = 5
# Levels of the tests (common practice, no source).
_DRIFT_LEVEL, _JUMP_LEVEL = 0.05, 0.01
# Sessions on each side of a jump that is looked for.
_EACH_SIDE = 2
_MOST_JUMPS = 3

# One row per check meter and artefact: `data/check_meters.csv`.  sessions are those that its
# series hold; adjusted counts days of adjustments after its first session, adjusted_on the last of
# them.  jumped_pct is its own largest jump, between jumped_from and jumped_to, that no record
# explains.  sigma_pct is the scatter of a session, % air at 5 % air; drift its own, a year there.
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
    "sigma_pct": pl.Float64,
    "drift": pl.Float64,
    "drift_low": pl.Float64,
    "drift_high": pl.Float64,
    "drift_p": pl.Float64,
    "finding": pl.String,
    "sentence": pl.String,
}


@dataclass(frozen=True, slots=True)
class Jump:
    """A jump of a check meter that the fleet did not take and no record explains."""

    witness: str
    size: float
    from_on: date
    to_on: date


def without_jumps(
    witnesses: Witnesses, shifts: list[Shift], motion: OwnMotion
) -> tuple[pl.DataFrame, list[Jump]]:
    """Begin the series of a check meter anew where it jumped by itself.

    Returns
    -------
    rows : pl.DataFrame
        Frame of `drift.reference.check_meters.placing.WITNESS_ROWS`.
    jumps : list of Jump

    Notes
    -----
    Every day is tried beside the shifts of the fleet, at 1 % by Bonferroni's bound over the days
    and series of the check meter.  A jump on the day of a shift cannot be told from the shift.
    """
    jumps: list[Jump] = []
    parts = []
    for part in witnesses.rows.partition_by("witness", "follows", maintain_order=True):
        rows = part
        if rows["kind"][0] == CHECK_METER:
            for _ in range(_MOST_JUMPS):
                found = _largest_jump(rows, shifts, motion)
                if found is None:
                    break
                rows, jump = found
                jumps.append(jump)
        parts.append(rows)
    return (pl.concat(parts) if parts else witnesses.rows), jumps


def _largest_jump(
    rows: pl.DataFrame, shifts: list[Shift], motion: OwnMotion
) -> tuple[pl.DataFrame, Jump] | None:
    """Return the rows with the series of their largest jump cut there, and the jump."""
    beside = _beside(rows, shifts)
    series = rows["series"].rle_id().cast(pl.Int64).to_numpy()
    begins = np.flatnonzero(np.diff(series, prepend=-1))
    trials = [(int(first), cut) for first in begins for cut in _cuts(series, int(first))]
    best: tuple[float, Estimate, int, int] | None = None
    for first, cut in trials:
        last = first + int((series == series[first]).sum())
        column = np.zeros(len(rows))
        column[cut:last] = 1.0
        found = estimate(rows, column, beside=beside, motion=motion)
        if found is None or found.error <= 0:
            continue
        p = 2 * float(stdtr(found.freedom, -abs(found.value / found.error)))
        if best is None or p < best[0]:
            best = p, found, cut, last
    if best is None or best[0] * len(trials) > _JUMP_LEVEL:
        return None
    _, found, cut, last = best
    days = rows["performed_on"]
    name = f"{rows['series'][cut]} and its jump of {days[cut]}"
    cut_rows = rows.with_columns(
        series=pl.when(pl.int_range(pl.len()).is_between(cut, last - 1))
        .then(pl.lit(name))
        .otherwise("series")
    )
    return cut_rows, Jump(rows["witness"][0], found.value, days[cut - 1], days[cut])


def _cuts(series: Integers, first: int) -> range:
    """Return the places at which a series that begins at `first` may have jumped."""
    size = int((series == series[first]).sum())
    return range(first + _EACH_SIDE, first + size - _EACH_SIDE + 1)


def _beside(rows: pl.DataFrame, shifts: list[Shift]) -> Floats:
    """Return the columns of the fleet's shifts on these rows, sessions in doubt as before them."""
    if rows["follows"][0] == OF_ITSELF:
        return np.empty((len(rows), 0))
    steps = [np.nan_to_num(one.column(rows)) for one in shifts if one.kind != FLEET_DRIFT]
    return np.column_stack(steps) if steps else np.empty((len(rows), 0))


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
        From `without_jumps`.
    witnesses : Witnesses
    jumps : list of Jump
    shifts : list of Shift
        Found in the fleet.
    motion : OwnMotion

    Notes
    -----
    The test of a drift is a t test beside the fleet's shifts, at 5 % over the series kinds of a
    witness together.  Where the fleet drifts together, a check meter that goes with it shows the
    vessel and no drift of its own: then it drifts only where it does neither.
    """
    told = [_held(name, part, jumps, shifts, motion) for (name,), part in _by_witness(rows)]
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


def _by_witness(rows: pl.DataFrame) -> list[tuple[tuple[str], pl.DataFrame]]:
    """Return the rows of each witness, by name."""
    return [
        ((part["witness"][0],), part) for part in rows.partition_by("witness", maintain_order=True)
    ]


def _held(
    name: str, part: pl.DataFrame, jumps: list[Jump], shifts: list[Shift], motion: OwnMotion
) -> dict[str, object]:
    """Return what is found of one witness."""
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
        }
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
    t_years = rows["t_years"].to_numpy()
    alone = OwnMotion(motion.wander, 0.0)
    return estimate(rows, t_years - t_years.mean(), beside=_beside(rows, shifts), motion=alone)


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
