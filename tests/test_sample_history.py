"""The sample history: reproducible, of the size it says, and with exactly the slips it lists."""

import hashlib
import re
from datetime import date
from itertools import pairwise
from pathlib import Path
from statistics import median

import pytest

from drift.intake.columns import TABLES
from drift.store.folder_journal import read_kept
from sample_history import make, scenario
from sample_history.dial import Condition, error_after, mark_after, reading_pct
from tests.sample_files import FOLDER, README, bad_cells, good_readings, rows, sittings


def test_the_generator_writes_the_same_bytes(tmp_path: Path) -> None:
    """What is checked in is what the seed makes, file by file."""
    make.write_tables(tmp_path)
    for name in (*make.HEADERS, "journal", "amendments"):
        assert (tmp_path / f"{name}.csv").read_bytes() == (FOLDER / f"{name}.csv").read_bytes()


def test_the_journal_is_a_chain_as_the_program_makes_it() -> None:
    """Its entries, their lines and the readings that they withdraw belong together."""
    kept = read_kept(FOLDER)
    assert kept.broken == ""
    assert [row["kind"] for row in kept.entries] == ["withdrawal", "response", "decision"]
    strays = [row for row in rows("readings") if row["meter_id"] == "AM-42"]
    assert [line.action for line in kept.lines] == ["withdrawn"] * len(strays)
    assert kept.entries[1]["what"][:12] in {row["signal_id"] for row in rows("responses")}
    assert kept.entries[2]["what"][:6] in {row["decision_id"] for row in rows("decisions")}


@pytest.mark.parametrize("table", list(make.HEADERS))
def test_headers_are_those_of_the_input_tables(table: str) -> None:
    """Each file has the required columns of its table and no column of its own."""
    declared = TABLES[table]
    header = make.HEADERS[table].split(",")
    assert set(header) <= {column.name for column in declared}
    assert set(header) >= {column.name for column in declared if column.required}


def test_size_of_the_laboratory() -> None:
    """24 meters over six years of roughly quarterly visits, 3 points, 2 or 3 replicates."""
    assert [row["meter_id"] for row in rows("meters")] == [f"AM-{n:02d}" for n in range(1, 25)]
    every = [(meter.meter_id, sittings(meter.meter_id)) for meter in scenario.METERS]
    dates = {meter_id: sorted({on for on, _, _ in found}) for meter_id, found in every}
    assert min(on for ons in dates.values() for on in ons) >= date(2020, 10, 1)
    assert max(on for ons in dates.values() for on in ons) < scenario.AS_OF
    gaps = [(b - a).days for ons in dates.values() for a, b in pairwise(ons)]
    assert median(gaps) == pytest.approx(91, abs=2)
    assert {at for _, found in every for _, _, at in found} == {0, 5, 10}
    for meter in scenario.METERS:
        assert len(dates[meter.meter_id]) == meter.visits
    replicates = [len(biases) for _, found in every for biases in found.values()]
    assert {n for n in replicates if replicates.count(n) > 5} == {2, 3}


def test_the_readme_lists_every_case() -> None:
    """Every meter has its row, and so has each case that goes across meters."""
    for meter in scenario.METERS:
        assert f"\n| `{meter.meter_id}` | " in README
    for case in (
        "CV-A",
        "CV-B",
        "tech-3",
        "responses",
        "people",
        "equipment",
        "bowls",
        "decisions",
        "journal",
        "field tests",
    ):
        assert re.search(rf"\n\| `?{case}`? \| ", README)


def test_rows_to_be_held_back_are_exactly_those_listed() -> None:
    """The README's table, the scenario and the files agree on every unusable row."""
    found = [cell for table in make.HEADERS for cell in bad_cells(table)]
    listed = [
        [cell.strip(" `") for cell in line.split("|")[1:5]]
        for line in README.splitlines()
        if re.match(r"\| `\w+\.csv` \| \d+ \|", line)
    ]
    words = {"whole row": "", "empty": ""}
    named = [
        (file, int(line), words.get(column, column), words.get(cell, cell))
        for file, line, column, cell in listed
    ]
    assert found == named
    assert sorted((f[:-4], c, v) for f, _, c, v in found) == sorted(
        (slip.table, slip.column, slip.value) for slip in scenario.SLIPS
    )


def test_a_wrong_mark_gives_its_pattern_of_errors() -> None:
    """A mark 1 % high, chamber 0.36 over bowl 7.07: check values derived apart from Boyle's law."""
    chamber = 100 * 0.36 / 7.07
    errors = [
        reading_pct(air, chamber_pct=chamber, condition=Condition(mark_error=0.01)) - air
        for air in (0.0, 5.0, 10.0)
    ]
    assert errors == pytest.approx([-0.050415, -0.099920, -0.149425], abs=5e-7)


@pytest.mark.parametrize(
    ("condition", "ratio"),
    [
        (Condition(mark_error=1e-6), 1.5),
        (Condition(hand_shift=1e-6), 3.0),
        (Condition(chamber_water=1e-6), 2.0),
    ],
)
def test_each_fault_has_its_ratio_of_bias_at_10_to_bias_at_5(
    condition: Condition, ratio: float
) -> None:
    """For k = 5 a mark gives 1.5, a hand 3, water 2: the limit of small faults, derived."""
    at = {air: reading_pct(air, chamber_pct=5.0, condition=condition) - air for air in (5.0, 10.0)}
    assert at[10.0] / at[5.0] == pytest.approx(ratio, abs=1e-4)


def test_a_moved_mark_takes_its_error_away() -> None:
    """Moving a mark to where it belongs leaves no error, and back again leaves the old one."""
    new = mark_after(mark_pct=-0.2, error=-0.008, chamber_pct=5.0)
    assert new < -0.2
    gone = error_after(error=-0.008, old_mark_pct=-0.2, new_mark_pct=new, chamber_pct=5.0)
    assert gone == pytest.approx(0.0, abs=1e-12)
    back = error_after(error=gone, old_mark_pct=new, new_mark_pct=-0.2, chamber_pct=5.0)
    assert back == pytest.approx(-0.008, abs=1e-12)


def test_resolutions_are_those_of_the_dials() -> None:
    """AM-17 is read in steps of 0.1, every other meter in steps of 0.05."""
    for meter in scenario.METERS:
        step = 0.1 if meter.meter_id == "AM-17" else 0.05
        for row in good_readings(meter.meter_id):
            value = float(row["reading_air_pct"])
            assert value / step == pytest.approx(round(value / step), abs=1e-6)
            assert float(row["resolution_pct"]) == step
            assert row["reading_air_pct"] not in {"-0.00", "-0.0"}


def test_vessels_hold_the_air_content_their_masses_say() -> None:
    """correct_air_pct is 100 w/W of the vessel in force, once or twice, to 0.01."""
    weighed = rows("vessels")
    for row in rows("readings"):
        if not row["vessel_id"] or row["performed_on"] == "2023-02-30":
            continue
        last = max(
            (
                v
                for v in weighed
                if v["vessel_id"] == row["vessel_id"] and v["calibrated_on"] <= row["performed_on"]
            ),
            key=lambda v: v["calibrated_on"],
        )
        air = 100 * float(last["water_mass_g"]) / float(last["bowl_water_mass_g"])
        correct = float(row["correct_air_pct"])
        assert min(abs(correct - air), abs(correct - 2 * air)) < 0.00501


def test_responses_answer_signals_by_id() -> None:
    """The id is made of meter, point, chart, rule and visit; one response answers nothing."""
    text = "AM-08|10|individuals|beyond_limits|2024-03-06"
    ids = [row["signal_id"] for row in rows("responses")]
    assert ids[0] == "S-" + hashlib.sha256(text.encode()).hexdigest()[:10]
    assert ids[-1] == "S-0000000000"
    assert len(ids) == 4
