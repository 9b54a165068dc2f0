"""This module times the pages of the sample and of a large fleet, and prints what it found.

``python -m tests.benchmarks.pages_speed [--meters 800]``

It asserts nothing: a timed test would fail on a busy machine, where CPU time is the better guide.
"""

import argparse
import json
import os
import sys
import tempfile
from pathlib import Path

from tests.benchmarks.big_fleet import AS_OF, write_fleet
from tests.benchmarks.children import Measured, measure

ROOT = Path(__file__).resolve().parents[2]
MIB = 1024**2


def _review(source: Path, out: Path, as_of: str, *more: str) -> Measured:
    """Review a source into a folder, in a process of its own."""
    command = [sys.executable, "-m", "drift", "review", str(source)]
    return measure([*command, "--out", str(out), "--as-of", as_of, *more])


def say(name: str, source: Path, folder: Path, as_of: str) -> None:
    """Review a source with and without pages; print what the pages took and how large they are."""
    out = folder / "review"
    with_pages = _review(source, out, as_of)
    record = json.loads((out / "data" / "run.json").read_text(encoding="utf-8"))
    without = _review(source, folder / "data-only", as_of, "--data-only")
    dossiers = sorted((out / "meters").glob("*.html"))
    cpu = with_pages.cpu_seconds - without.cpu_seconds
    largest = max(file.stat().st_size for file in dossiers)
    print(
        f"{name}: {len(dossiers)} dossiers, {os.cpu_count()} cores\n"
        f"  whole review {with_pages.seconds:.1f} s, CPU {with_pages.cpu_seconds:.1f} s; "
        f"writing pages {record['timings_s']['write_pages']:.1f} s\n"
        f"  pages and workbook CPU {cpu:.1f} s, {1000 * cpu / len(dossiers):.0f} ms a dossier\n"
        f"  fleet page {(out / 'index.html').stat().st_size / MIB:.2f} MiB, "
        f"largest dossier {largest / MIB:.2f} MiB",
        flush=True,
    )


def main() -> None:
    """Run the whole benchmark."""
    parser = argparse.ArgumentParser(description="Time the pages of a review.")
    parser.add_argument("--meters", type=int, default=800, help="the large fleet; 0: none")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        say("the sample", ROOT / "sample_history", folder / "sample", "2026-10-01")
        if asked.meters:
            write_fleet(folder / "fleet", meters=asked.meters)
            say("a large fleet", folder / "fleet", folder / "large", str(AS_OF))


if __name__ == "__main__":
    main()
