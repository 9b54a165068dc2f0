"""Measure the forecaster on simulated fleets against an oracle and a straight line.

    python tests/benchmarks/forecast_quality.py --meters 300 --fleets 4

One block per noise and dial: forecasts of visits 19 to 25 and of visit 25 alone (after 24 visits).
Then one line per laboratory's habit, dial and noise, against the filter that knows the fleet and
which visits adjusted.  Fleets are read from written files without a service table.
"""

import argparse
from dataclasses import replace
from itertools import product
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.forecast.fleet_trials import Trial, band_errors, pool, put_to_trial, summary
from tests.forecast.simulator import Plan
from tests.forecast.unrecorded_fleets import HABITS, compare, put_to_test

COMBINATIONS = [(0.05, 0.02), (0.05, 0.04), (0.1, 0.02), (0.1, 0.04)]


def report(title: str, trial: Trial) -> None:
    """Print the numbers of one trial."""
    print(title)
    print("  " + ", ".join(f"{name} {value:.4g}" for name, value in summary(trial).items()))
    for name, chance, happened in (
        ("true", trial.p_out, trial.out),
        ("found", trial.p_found, trial.found_out),
    ):
        bands = " ".join(f"{error:+.3f}({cases})" for error, cases in band_errors(chance, happened))
        print(f"  bands of {name}: {bands}")


def report_habits(meters: int) -> None:
    """Print how far forecasts lie from the fleet filter's, by habit, dial and noise."""
    for (name, habits), resolution, noise_sd in product(
        HABITS.items(), (0.05, 0.1), (0.02, 0.03, 0.04)
    ):
        asked = replace(habits, meters=meters, resolution=resolution, noise_sd=noise_sd)
        with TemporaryDirectory() as folder:
            made = compare(*put_to_test(Path(folder), asked, seed=1))
        print(
            f"{name}, dial {resolution}, noise {noise_sd}: excess Brier {made.excess:.4f}, "
            f"band gap {made.gap:.4f}, expected AUC {made.ranked:.4f} of the filter's"
        )


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--meters", type=int, default=300)
    parser.add_argument("--fleets", type=int, default=4)
    parser.add_argument("--wander", type=float, default=0.02)
    parser.add_argument("--rough", type=float, default=0.0)
    asked = parser.parse_args()
    for resolution, noise_sd in COMBINATIONS:
        plan = Plan(
            meters=asked.meters,
            visits=25,
            resolution=resolution,
            noise_sd=noise_sd,
            wander=asked.wander,
            rough=asked.rough,
        )
        title = f"resolution {resolution}, noise {noise_sd}"
        for after in (18, 24):
            trials = [put_to_trial(plan, seed=seed, after=after) for seed in range(asked.fleets)]
            report(f"{title}, after {after} visits", pool(trials))
    calm = Plan(meters=asked.meters, visits=25, drifting=0.0, wander=0.01)
    trials = [put_to_trial(calm, seed=seed, after=18) for seed in range(asked.fleets)]
    report("no drift", pool(trials))
    report_habits(asked.meters)


if __name__ == "__main__":
    main()
