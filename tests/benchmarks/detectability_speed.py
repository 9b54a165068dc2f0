"""This module times rules and run lengths, and prints what each rule costs; it asserts nothing.

``python tests/benchmarks/detectability_speed.py``
"""

from time import perf_counter, process_time

import numpy as np
import polars as pl

from drift.limits.charts.shape import CHARTED
from drift.limits.rules import RULES as KNOWN
from drift.limits.rules import apply_rules
from drift.limits.runs.detectability import detectability
from drift.limits.runs.monitors import EWMA, RULE_MONITOR, Watch

NAMES = tuple(rule.name for rule in KNOWN)
BEYOND, TWO, FOUR, RUN, CLIMB, SWING = NAMES
SERIES, VISITS = 30_000, 40
SEED = 1


def watch(rules: tuple[str, ...]) -> Watch:
    """Return 24 meters at three points, seen quarterly, whose points scatter by 0.04 % air."""
    return Watch(
        sigma_pct=0.04,
        interval_days=91,
        tolerance_pct=0.1,
        meters=24,
        points_per_meter=3,
        baseline_visits=7,
        rules=rules,
        limit_sigmas=3.0,
        ewma_weight=0.2,
        ewma_limit_sigmas=3.0,
        cusum_reference_sigmas=0.5,
        cusum_decision_sigmas=5.0,
    )


def big_fleet() -> pl.DataFrame:
    """Return 1.2 million charted points of sound meters."""
    rows = SERIES * VISITS
    points = pl.DataFrame(
        {
            "series": np.repeat(np.arange(SERIES), VISITS),
            "visit": np.tile(np.arange(VISITS), SERIES),
            "value": np.random.default_rng(SEED).normal(size=rows),
        }
    ).with_columns(
        chart=pl.lit("individuals"),
        t_years=pl.col("visit") / 4,
        phase=pl.lit(1, dtype=pl.Int64),
        centre=pl.lit(0.0),
        lower=pl.lit(-3.0),
        upper=pl.lit(3.0),
        in_baseline=pl.col("visit") < 7,
    )
    return points.select(CHARTED.keys())


def timed(label: str, start: tuple[float, float]) -> None:
    """Print how long something took: on the wall, and on the processors."""
    wall, processor = (now - then for now, then in zip(clocks(), start, strict=True))
    print(f"{label:58s} {wall:6.2f} s wall {processor:6.2f} s processor")


def clocks() -> tuple[float, float]:
    """Return the wall clock and the processor time used so far, in seconds."""
    return perf_counter(), process_time()


def costs() -> None:
    """Print false alarms and time to notice for sets of rules, next to the EWMA chart."""
    print(
        "\n24 meters x 3 points, quarterly, sigma 0.04 %, limits 3 sigma, centre known (*: from 7)"
    )
    print(
        f"{'in force':36s} {'ARL':>6s} {'alarms/quarter':>14s} {'chance':>7s} {'chance*':>7s}"
        f" {'0.08 % shift':>13s} {'0.04 %/yr':>10s} {'0.08 %/yr':>10s}  (mean years to notice)"
    )
    sets: list[tuple[str, ...]] = [
        (BEYOND, TWO),
        (BEYOND, FOUR),
        (BEYOND, RUN),
        (BEYOND, CLIMB),
        (BEYOND, SWING),
        (BEYOND, TWO, RUN),
        (BEYOND, TWO, FOUR, RUN),
        NAMES,
    ]
    for at, rules in enumerate(sets):
        found = detectability(watch(rules))
        shown = [(" + ".join(name.split("_")[0] for name in rules), RULE_MONITOR)]
        if at == 0:
            shown = [("beyond", BEYOND), ("ewma 0.2, 3 sigma", EWMA), ("cusum", "cusum"), *shown]
        for label, monitor in shown:
            alarm = found.false_alarms.row(by_predicate=pl.col("monitor") == monitor, named=True)
            shift = found.shifts.filter(monitor=monitor, shift_pct=0.08)["mean_years"].item()
            drifts = found.drifts.filter(monitor=monitor)
            slow, fast = (
                drifts.filter(drift_pct_per_year=rate)["mean_years"].item() for rate in (0.04, 0.08)
            )
            print(
                f"{label:36s} {alarm['mean_visits']:6.1f} {alarm['false_alarms_a_quarter']:14.2f}"
                f" {alarm['chance_a_quarter']:7.2f} {alarm['chance_a_quarter_short_baseline']:7.2f}"
                f" {shift:13.2f} {slow:10.2f} {fast:10.2f}"
            )


def main() -> None:
    """Run all timings."""
    points = big_fleet()
    start = clocks()
    found = apply_rules(points, rules=NAMES)
    timed(f"{len(points):,} points, {len(NAMES)} rules, {len(found):,} findings", start)
    for label, rules in (
        ("detectability, default rules", (BEYOND,)),
        ("detectability, the four published rules", (BEYOND, TWO, FOUR, RUN)),
        ("detectability, all rules with the climb", NAMES),
    ):
        start = clocks()
        detectability(watch(rules))
        timed(label, start)
    costs()


if __name__ == "__main__":
    main()
