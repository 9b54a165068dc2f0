"""The benchmark's inputs and yardstick do what they say; nothing here is timed."""

import csv
import json
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest
from scipy.stats import linregress

from tests.benchmarks import big_fleet, peer_script
from tests.benchmarks.children import Measured, measure

ROOT = Path(__file__).resolve().parents[1]


def test_a_big_fleet_has_the_rows_it_promises(tmp_path: Path) -> None:
    """Nine readings a visit as found and nine more for each adjustment; seeded, in the past."""
    rows = big_fleet.write_fleet(tmp_path / "one", meters=60, visits=12)
    again = big_fleet.write_fleet(tmp_path / "two", meters=60, visits=12)
    readings = pl.read_csv(tmp_path / "one" / "readings.csv", try_parse_dates=True)
    moved = pl.read_csv(tmp_path / "one" / "marks.csv").height
    assert rows == again == readings.height == 60 * 12 * 9 + 9 * moved
    assert moved > 0
    same = [(tmp_path / name / "readings.csv").read_bytes() for name in ("one", "two")]
    assert same[0] == same[1]
    assert readings["meter_id"].n_unique() == 60
    assert (readings["performed_on"] < big_fleet.AS_OF).all()
    steps = readings["reading_air_pct"] / big_fleet.RESOLUTION_PCT
    assert ((steps - steps.round()).abs() < 1e-6).all()
    sizes = readings.group_by("meter_id", "performed_on", "stage", "correct_air_pct").len()["len"]
    assert set(sizes) == {3}


def test_adjustments_follow_from_what_was_found(tmp_path: Path) -> None:
    """Each as-left date is a mark's date, and every meter out as found was adjusted that day."""
    big_fleet.write_fleet(tmp_path, meters=60, visits=12)
    readings = pl.read_csv(tmp_path / "readings.csv")
    moved = set(pl.read_csv(tmp_path / "marks.csv").select("meter_id", "performed_on").rows())
    left = readings.filter(stage="as_left").select("meter_id", "performed_on").unique().rows()
    assert set(left) == moved
    bias = pl.col("reading_air_pct") - pl.col("correct_air_pct")
    found = (
        readings.filter(stage="as_found")
        .group_by("meter_id", "performed_on", "correct_air_pct")
        .agg(bias=bias.mean())
    )
    out = found.filter(pl.col("bias").abs() > 0.1 + 1e-9).select("meter_id", "performed_on")
    assert set(out.unique().rows()) == moved


def test_the_plain_script_fits_what_scipy_fits(tmp_path: Path) -> None:
    """Its least-squares slope of a meter never adjusted is scipy's of the as-found means."""
    big_fleet.write_fleet(tmp_path, meters=3, visits=12)
    out = tmp_path / "peer.csv"
    subprocess.run([sys.executable, peer_script.__file__, tmp_path, out], check=True)
    with out.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 9
    readings = pl.read_csv(tmp_path / "readings.csv", try_parse_dates=True)
    adjusted = set(pl.read_csv(tmp_path / "marks.csv")["meter_id"])
    steady = [row for row in rows if row["meter_id"] not in adjusted]
    assert steady
    for row in steady:
        of_meter = readings.filter(meter_id=row["meter_id"], stage="as_found").filter(
            pl.col("correct_air_pct").round() == float(row["point"])
        )
        bias = pl.col("reading_air_pct") - pl.col("correct_air_pct")
        means = of_meter.group_by("performed_on").agg(bias=bias.mean()).sort("performed_on")
        days = (means["performed_on"] - means["performed_on"][0]).dt.total_days()
        line = linregress(days.to_numpy() / 365.25, means["bias"].to_numpy())
        assert float(row["slope"]) == pytest.approx(line.slope, abs=1e-9)


def test_a_child_is_measured_and_its_failure_shown() -> None:
    """Wall time and memory are those of the child; a failing one raises with what it printed."""
    # From a small process, as the benchmark is one: a child starts at the size of its parent.
    block = "x = bytearray(120 * 2**20); x[::4096] = b'1' * len(x[::4096]); print('done')"
    program = (
        "import dataclasses, json, sys; from tests.benchmarks.children import measure; "
        f"print(json.dumps(dataclasses.asdict(measure([sys.executable, '-c', {block!r}]))))"
    )
    ran = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=ROOT
    )
    measured = Measured(**json.loads(ran.stdout))
    assert measured.output == "done\n"
    assert 120 < measured.peak_mib < 400
    assert 0 < measured.seconds < 60
    with pytest.raises(RuntimeError, match="ended with 3:\nsorry"):
        measure([sys.executable, "-c", "print('sorry'); raise SystemExit(3)"])
