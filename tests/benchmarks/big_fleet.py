"""This module writes a large invented fleet as CSV files; it times nothing.

``python tests/benchmarks/big_fleet.py --meters 10000 --out DIR``
"""

import argparse
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SEED = 20261001
VISITS = 40
POINTS_PCT = np.array([0.0, 5.01, 10.03])
REPLICATES = 3
INTERVAL_DAYS = 91
FIRST_ON = date(2016, 10, 3)
AS_OF = date(2026, 10, 1)
TOLERANCE_PCT = 0.1
RESOLUTION_PCT = 0.05
NOISE_PCT = 0.02
WANDER_PCT = 0.006  # of the bias at 10 % per visit
DRIFTING_SHARE = 0.3
DRIFT_PCT_PER_YEAR = 0.04
SETTING_PCT = 0.01
CHAMBER_PCT = 5.0  # of the bowl: a wrong mark shows in proportion to air content plus this


@dataclass(frozen=True, slots=True)
class Round:
    """One visit of every meter: days since the first, readings in steps of the dial, what was done.

    Readings have shape (meters, points, replicates); `as_left` holds the adjusted meters only.
    """

    days: NDArray[np.int64]
    as_found: NDArray[np.int64]
    adjusted: NDArray[np.int64]
    as_left: NDArray[np.int64]


def write_fleet(folder: Path, *, meters: int, visits: int = VISITS) -> int:
    """Write readings, marks and meters of an invented fleet into `folder`.

    Each meter has a drift of its own (most have none), wanders, is read three times at three
    points on every visit, and is adjusted when the mean of a point is out of tolerance.

    Parameters
    ----------
    folder : Path
        Made where it does not exist.
    meters, visits : int
        Size of the fleet.

    Returns
    -------
    int
        Rows of readings: meters × visits × 9 as found, and 9 more as left for each adjustment.
    """
    folder.mkdir(parents=True, exist_ok=True)
    ids = pl.Series("meter_id", [f"M-{number:05d}" for number in range(1, meters + 1)])
    readings, marks = [], []
    for one in _rounds(meters, visits):
        everyone = np.arange(meters)
        readings.append(_readings(ids, everyone, one.days, one.as_found, stage="as_found"))
        readings.append(_readings(ids, one.adjusted, one.days, one.as_left, stage="as_left"))
        marks.append(_dated(ids, one.adjusted, one.days))
    table = pl.concat(readings)
    table.write_csv(folder / "readings.csv", float_precision=2)
    moved = pl.concat(marks).with_columns(mark=pl.lit("-0.20"), action=pl.lit("moved"))
    moved.write_csv(folder / "marks.csv")
    pl.DataFrame({"meter_id": ids}).with_columns(
        dial_resolution_pct=pl.lit(RESOLUTION_PCT),
        interval_days=pl.lit(INTERVAL_DAYS),
        status=pl.lit("active"),
    ).write_csv(folder / "meters.csv")
    return table.height


def _rounds(meters: int, visits: int) -> list[Round]:
    """Play the visits in order, all meters at once."""
    rng = np.random.default_rng(SEED)
    first = rng.integers(0, INTERVAL_DAYS, meters)
    drifts = rng.random(meters) < DRIFTING_SHARE
    drift = np.where(drifts, DRIFT_PCT_PER_YEAR * rng.standard_normal(meters), 0.0)
    level = SETTING_PCT * rng.standard_normal(meters)
    played = []
    for visit in range(visits):
        days = first + visit * INTERVAL_DAYS + rng.integers(-7, 8, meters)
        as_found = _steps(level, rng)
        bias = as_found.mean(axis=2) * RESOLUTION_PCT - POINTS_PCT
        adjusted = np.flatnonzero((np.abs(bias) > TOLERANCE_PCT).any(axis=1))
        level[adjusted] = SETTING_PCT * rng.standard_normal(adjusted.size)
        played.append(Round(days, as_found, adjusted, _steps(level[adjusted], rng)))
        level += drift * INTERVAL_DAYS / 365.25 + WANDER_PCT * rng.standard_normal(meters)
    return played


def _steps(level: Floats, rng: np.random.Generator) -> NDArray[np.int64]:
    """Read meters whose bias at 10 % is `level`; return steps of the dial."""
    shape = (POINTS_PCT + CHAMBER_PCT) / (10 + CHAMBER_PCT)
    true = POINTS_PCT + level[:, None] * shape
    noise = NOISE_PCT * rng.standard_normal((level.size, POINTS_PCT.size, REPLICATES))
    return np.rint((true[:, :, None] + noise) / RESOLUTION_PCT).astype(np.int64)


def _dated(ids: pl.Series, which: NDArray[np.int64], days: NDArray[np.int64]) -> pl.DataFrame:
    """Return one row a meter of `which` with its date."""
    start = pl.lit(FIRST_ON)
    return pl.DataFrame({"meter_id": ids.gather(which), "days": days[which]}).select(
        "meter_id", performed_on=start + pl.duration(days="days")
    )


def _readings(
    ids: pl.Series,
    which: NDArray[np.int64],
    days: NDArray[np.int64],
    steps: NDArray[np.int64],
    *,
    stage: str,
) -> pl.DataFrame:
    """Return the rows of one stage of one round."""
    each = POINTS_PCT.size * REPLICATES
    rows = _dated(ids, np.repeat(which, each), days)
    points = np.repeat(POINTS_PCT, REPLICATES)
    return rows.with_columns(
        stage=pl.lit(stage),
        correct_air_pct=pl.Series(np.tile(points, which.size)),
        reading_air_pct=pl.Series(steps.reshape(-1) * RESOLUTION_PCT),
        replicate=pl.Series(np.tile(np.arange(1, REPLICATES + 1), which.size * POINTS_PCT.size)),
        resolution_pct=pl.lit(RESOLUTION_PCT),
        vessel_id=pl.lit("CV-1"),
        operator=pl.lit("tech-1"),
    )


def main() -> None:
    """Write the fleet that the command line asks for."""
    parser = argparse.ArgumentParser(description="Write a large invented fleet as CSV files.")
    parser.add_argument("--meters", type=int, default=1000)
    parser.add_argument("--out", type=Path, required=True)
    asked = parser.parse_args()
    rows = write_fleet(asked.out, meters=asked.meters)
    print(f"wrote {rows:,} readings of {asked.meters:,} meters into {asked.out}")


if __name__ == "__main__":
    main()
