"""Time the whole chart family for a large fleet: `python -m tests.benchmarks.charts_speed`.

10,000 meters × 40 visits × 3 verification points, with one reading a visit, with three, and with
three where every meter is adjusted at one visit of five, so that its phases are compared and lend
each other spread.  The aim is 10 s on two cores and 2 GB.
"""

import argparse
import resource
import sys
import time

import numpy as np
import polars as pl

from drift.limits.charting import draw_family
from drift.limits.choices import ChartSettings

VISITS, POINTS = 40, 3
STEP = 0.1


def fleet(series: int, *, replicates: int, seed: int) -> pl.DataFrame:
    """Return points of an invented fleet whose readings lie in steps of a dial.

    Every meter has a bias of its own and has been checked against one of three vessels, so that
    the grid of its biases shifts from visit to visit.
    """
    random = np.random.default_rng(seed)
    centre = random.normal(0, 0.04, (series, 1, 1))
    visit = random.normal(0, 0.02, (series, VISITS, 1))
    within = random.normal(0, 0.025, (series, VISITS, replicates))
    vessels = np.round(5 + random.uniform(-0.05, 0.05, 3), 3)
    correct = vessels[random.integers(0, 3, (series, VISITS))][:, :, None]
    biases = np.round((centre + visit + within + correct) / STEP) * STEP - correct
    flat = biases.reshape(-1, replicates)
    return pl.DataFrame(
        {
            "series": np.repeat(np.arange(series), VISITS),
            "visit": np.tile(np.arange(1, VISITS + 1), series),
            "phase": np.ones(series * VISITS, np.int64),
            "t_years": np.tile(np.arange(VISITS) / 4, series),
            "value": flat.mean(axis=1),
            "replicates": np.full(series * VISITS, replicates),
            "resolution": np.full(series * VISITS, STEP),
            "values": pl.Series(flat).arr.to_list(),
        }
    )


def adjusted(points: pl.DataFrame, *, seed: int) -> pl.DataFrame:
    """Return the points with a new phase after one visit of five."""
    random = np.random.default_rng(seed)
    ends = random.random(len(points)).reshape(-1, VISITS) < 0.2
    phase = 1 + np.cumsum(ends, axis=1) - ends
    return points.with_columns(phase=pl.Series(phase.reshape(-1), dtype=pl.Int64), gauge=1)


def main() -> None:
    """Print one line per case."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--meters", type=int, default=10_000)
    meters = parser.parse_args().meters
    for replicates, restarts in ((1, False), (3, False), (3, True)):
        for count in (meters // 4, meters):
            points = fleet(count * POINTS, replicates=replicates, seed=1)
            if restarts:
                points = adjusted(points, seed=2)
            wall, processor = time.perf_counter(), time.process_time()
            family = draw_family(points, settings=ChartSettings())
            wall, processor = time.perf_counter() - wall, time.process_time() - processor
            kind = f"{replicates} readings{', adjusted' if restarts else ''}"
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
            print(
                f"{count:6d} meters x {POINTS} points x {VISITS} visits x {kind}: "
                f"{wall:5.1f} s ({processor:5.1f} s of processor), {len(family.points):,} points "
                f"of {family.points['chart'].n_unique()} charts, peak {peak:.2f} GiB"
            )
            sys.stdout.flush()


if __name__ == "__main__":
    main()
