"""This module times the main job and a plain script on the same input, and prints what it found.

``python tests/benchmarks/review_speed.py [--meters 10000] [--peer-meters 1000]``

The last lines are a table of all of it, with what is aimed at; peak memory is the operating
system's, of the largest of the processes.

It asserts nothing: a timed test would fail on a busy machine, where CPU time is the better guide.
The ratio for the whole job counts what only drift does (checks of the input, charts, forecast,
files); that for the loop compares the statistics alone.
"""

import argparse
import json
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
# Run as a script, Python looks beside the script only.
sys.path.insert(0, str(ROOT))

from tests.benchmarks.big_fleet import AS_OF, write_fleet  # noqa: E402  # needs the path above
from tests.benchmarks.children import Measured, measure  # noqa: E402  # needs the path above

DRIFT = [sys.executable, "-m", "drift"]
SAMPLE_AS_OF = "2026-10-01"
SMALL_FLEET, LARGE_FLEET = 1_000, 10_000
# Aims on two idle cores, by meters of a fleet without pages: seconds, and MiB where one is set.
AIMS = {1_000: "3.5 s", 10_000: "18 s, 1,000 MiB", 100_000: "200 s, 2,000 MiB"}


@dataclass(frozen=True, slots=True)
class FleetRun:
    """One fleet's review without pages: its size, what it took and the seconds of each stage."""

    meters: int
    rows: int
    measured: Measured
    stages: dict[str, float]

    @property
    def milliseconds_per_meter(self) -> float:
        """Wall time over meters, start-up included, ms."""
        return 1000 * self.measured.seconds / self.meters


def say(name: str, measured: Measured, *, seconds: float, mib: float | None = None) -> None:
    """Print one measurement beside what is asked of it."""
    memory = f"{measured.peak_mib:,.0f} MiB" + (f" (aim: under {mib:,.0f})" if mib else "")
    times = f"{measured.seconds:.2f} s (aim: under {seconds:g}), CPU {measured.cpu_seconds:.2f} s"
    print(f"{name}: {times}, {memory}", flush=True)


def review_fleet(folder: Path, *, meters: int) -> FleetRun:
    """Write a fleet and review it without pages."""
    source = folder / f"fleet-{meters}"
    rows = write_fleet(source, meters=meters)
    out = folder / f"review-{meters}"
    measured = measure(
        [*DRIFT, "review", str(source), "--out", str(out), "--as-of", str(AS_OF), "--data-only"]
    )
    record = json.loads((out / "data" / "run.json").read_text(encoding="utf-8"))
    run = FleetRun(meters, rows, measured, record["timings_s"])
    say(f"review --data-only, {meters:,} meters, {rows:,} readings", measured, seconds=60, mib=3000)
    stages = ", ".join(f"{name} {seconds:.2f} s" for name, seconds in run.stages.items())
    print(f"  {run.milliseconds_per_meter:.2f} ms a meter; {stages}", flush=True)
    return run


def row(work: str, measured: Measured, *, aim: str) -> str:
    """Return one row of the table."""
    took = f"{measured.seconds:.1f} s | {measured.cpu_seconds:.1f} s | {measured.peak_mib:,.0f} MiB"
    return f"| {work} | {took} | {aim} |"


def table(
    sample: dict[str, Measured], runs: dict[int, FleetRun], peers: dict[int, Measured]
) -> str:
    """Return the table of everything that was measured, both sides of each fleet in one place."""
    lines = ["| work | wall | CPU | peak | aim |", "|---|---|---|---|---|"]
    aims = {"sample, all pages": "3.5 s", "sample, `--data-only`": "2.0 s"}
    lines += [row(name, measured, aim=aims[name]) for name, measured in sample.items()]
    for meters, run in runs.items():
        name = f"{meters:,} meters, `--data-only`"
        lines.append(row(name, run.measured, aim=AIMS.get(meters, "")))
        if meters in peers:
            times = peers[meters].seconds / run.measured.seconds
            said = f"drift {times:.1f} times as fast (aim for 10,000: 4)"
            lines.append(row(f"{meters:,} meters, plain script", peers[meters], aim=said))
    return "\n".join(lines)


def compare(folder: Path, run: FleetRun) -> Measured:
    """Time the plain script on a fleet that was reviewed, and print the ratios."""
    script = Path(__file__).with_name("peer_script.py")
    source = folder / f"fleet-{run.meters}"
    peer = measure([sys.executable, str(script), str(source), str(folder / "peer.csv")])
    parts = peer.output.strip().splitlines()[-1]
    times = f"{peer.seconds:.2f} s, CPU {peer.cpu_seconds:.2f} s ({parts})"
    print(f"plain script, {run.meters:,} meters: {times}")
    wall, cpu = peer.seconds / run.measured.seconds, peer.cpu_seconds / run.measured.cpu_seconds
    print(f"  whole job {wall:.1f} times as long as drift's, CPU {cpu:.1f} times")
    loop = float(parts.rsplit("loop", 1)[1].split()[0])
    print(f"  its loop {loop / run.stages['analyse']:.1f} times as long as drift's analysis")
    return peer


def main() -> None:
    """Run the whole benchmark."""
    parser = argparse.ArgumentParser(description="Time the main job and a plain script.")
    parser.add_argument("--meters", type=int, default=LARGE_FLEET, help="the large fleet")
    parser.add_argument(
        "--peer-meters", type=int, default=SMALL_FLEET, help="fleet for the plain script; 0: none"
    )
    asked = parser.parse_args()
    help_run = measure([*DRIFT, "--help"], repeats=5)
    say("drift --help, best of 5", help_run, seconds=0.3)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sample = ["review", str(ROOT / "sample_history"), "--out", str(folder / "sample")]
        pages = measured = measure([*DRIFT, *sample, "--as-of", SAMPLE_AS_OF])
        bare = [*DRIFT, *sample[:3], str(folder / "bare"), "--as-of", SAMPLE_AS_OF, "--data-only"]
        say("review sample_history, all pages", measured, seconds=6, mib=600)
        sizes = sorted({SMALL_FLEET, asked.meters, asked.peer_meters} - {0})
        runs = {meters: review_fleet(folder, meters=meters) for meters in sizes}
        small, large = runs[min(runs)], runs[max(runs)]
        growth = large.milliseconds_per_meter / small.milliseconds_per_meter
        print(
            f"time a meter, {large.meters:,} against {small.meters:,} meters: "
            f"{growth:.2f} times (asked: at most 1.2)",
            flush=True,
        )
        wanted = [asked.peer_meters] if asked.peer_meters else []
        peers = {meters: compare(folder, runs[meters]) for meters in wanted}
        both = {"sample, all pages": pages, "sample, `--data-only`": measure(bare)}
        print(table(both, runs, peers))


if __name__ == "__main__":
    main()
