"""Measure how long the forecaster takes for a small and for a large fleet, and its memory.

python tests/benchmarks/forecast_speed.py --meters 10000 --visits 40 --points 3
"""

import argparse
import resource
import time

import numpy as np
import polars as pl

from drift.forecast.forecasts import forecast
from drift.meter.ledger import LEDGER
from tests.forecast.simulator import Plan, paths, simulate


def large_ledger(meters: int, visits: int, points: int) -> pl.DataFrame:
    """Return a ledger of `meters` × `points` simulated series, without a loop over rows."""
    fleet = simulate(Plan(meters=meters * points, visits=visits), seed=1)
    shape = fleet.level.shape
    series = np.repeat(np.arange(shape[0]), visits)
    found, left = (each.reshape(-1, each.shape[2]) for each in (fleet.found, fleet.left))
    adjusted = ~np.isnan(left[:, 0])
    kept = np.where(adjusted[:, None], left, found)
    columns = {
        "series": series,
        "meter_id": np.char.add("M", (series // points).astype(str)),
        "point_pct": (series % points) * 5.0,
        "visit": np.tile(np.arange(1, visits + 1), shape[0]),
        "t_years": fleet.years.ravel(),
        "as_found_bias_pct": found.mean(axis=1),
        "left_bias_pct": kept.mean(axis=1),
        "unadjusted_path_pct": paths(fleet).ravel(),
        "resolution_pct": np.full(series.size, fleet.plan.resolution),
        "adjusted": adjusted,
        "evidence_lost": np.zeros(series.size, dtype=bool),
        "gauge": np.ones(series.size, dtype=np.int64),
    }
    lists = pl.DataFrame(
        {
            "as_found_biases_pct": pl.Series(found).arr.to_list(),
            "as_left_biases_pct": pl.Series(left).arr.to_list(),
            "adjusted": adjusted,
        }
    ).with_columns(as_left_biases_pct=pl.when("adjusted").then("as_left_biases_pct"))
    frame = pl.DataFrame(columns).with_columns(lists.drop("adjusted"))
    missing = [
        pl.lit(None, dtype=kind).alias(name)
        for name, kind in LEDGER.items()
        if name not in frame.columns
    ]
    return frame.with_columns(missing).select(LEDGER.keys())


def main() -> None:
    """Run the benchmark and print one line per number."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--meters", type=int, default=1000)
    parser.add_argument("--visits", type=int, default=40)
    parser.add_argument("--points", type=int, default=3)
    asked = parser.parse_args()
    ledger = large_ledger(asked.meters, asked.visits, asked.points)
    last = ledger.group_by("series").agg(pl.col("t_years").max()).sort("series")
    now = float(last["t_years"].max())  # type: ignore[arg-type]  # a number
    due = last.select("series", due_t_years=pl.lit(now + 0.25))
    wall, busy = time.perf_counter(), time.process_time()
    made = forecast(ledger, due=due, now=now)
    wall, busy = time.perf_counter() - wall, time.process_time() - busy
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    print(f"series {made.series.height}, visits {ledger.height}")
    each = 1e3 * busy / made.series.height
    print(f"wall {wall:.1f} s, processor {busy:.1f} s, {each:.2f} ms a series")
    print(f"peak memory {memory:.2f} GB")


if __name__ == "__main__":
    main()
