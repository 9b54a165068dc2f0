"""The command on studies, from written files to page, CSV and JSON."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from drift.cli import commands
from tests.csv_folders import readings, write


@pytest.fixture
def source(tmp_path: Path) -> Path:
    """Two operators, four meters, two readings each: the second reads 0.1 % air high."""
    chance = np.random.default_rng(1)
    rows = [
        (
            "study_id,operator,meter_id,performed_on,correct_air_pct,reading_air_pct,replicate,"
            "resolution_pct"
        )
    ]
    for who in range(2):
        for meter in range(4):
            for replicate in (1, 2):
                value = 5 + 0.1 * who + chance.normal(0, 0.02)
                read = round(round(value / 0.01) * 0.01, 2)
                rows.append(f"REP-1,<b>{who}</b>,AM-{meter},2026-01-05,5.0,{read},{replicate},0.01")
    return write(
        tmp_path / "in",
        studies="\n".join([*rows, ""]),
        readings=readings("AM-0,2026-01-02,as_found,5.0,5.02"),
    )


def test_a_study_is_told_and_written(source: Path, tmp_path: Path) -> None:
    """Words, page, CSV and JSON agree; names are shown as text."""
    out = tmp_path / "out"
    call = ["study", str(source), "REP-1", "--as-of", "2026-02-01", "--out", str(out)]
    told = CliRunner().invoke(commands, call, standalone_mode=False)
    assert told.exception is None
    assert "Study REP-1: 16 readings, 2 operators, 4 meters, 1 day." in told.output
    as_json = CliRunner().invoke(commands, [*call, "--json"], standalone_mode=False)
    record = json.loads(as_json.output)
    assert set(record) >= {
        *("components", "u_pct", "df", "stands_out", "resolution_limited", "plan"),
    }
    assert set(record["components"][0]) >= {"name", "sd", "low", "high", "df", "share"}
    assert {row["name"] for row in record["stands_out"] if row["kind"] == "operator"} == {
        "<b>0</b>",
        "<b>1</b>",
    }
    page = (out / "REP-1.html").read_text(encoding="utf-8")
    assert "<b>0</b>" not in page
    assert "&lt;b&gt;1" in page
    assert {path.name for path in out.iterdir()} == {
        *("REP-1.html", "REP-1.json", "REP-1_study_components.csv", "REP-1_study_effects.csv"),
        *("record.json", "assets"),
    }


def test_one_who_reads_between_two_others_is_said_to(tmp_path: Path) -> None:
    """Three operators 0.1 % air from one to the next: the middle one is not higher or lower."""
    chance = np.random.default_rng(1)
    rows = ["study_id,operator,meter_id,performed_on,correct_air_pct,reading_air_pct,replicate"]
    rows += [
        f"REP-1,O{who},AM-{meter},2026-01-05,5.0,{5 + 0.1 * who + chance.normal(0, 0.01):.3f},{one}"
        for who in range(3)
        for meter in range(4)
        for one in (1, 2)
    ]
    folder = write(
        tmp_path / "in",
        studies="\n".join([*rows, ""]),
        readings=readings("AM-0,2026-01-02,as_found,5.0,5.02"),
    )
    call = ["study", str(folder), "REP-1", "--as-of", "2026-02-01", "--out", str(tmp_path / "out")]
    said = " ".join(CliRunner().invoke(commands, call, standalone_mode=False).output.split())
    assert "operator O1 reads between the others, yet unlike each of them" in said
    assert "air lower than the others" in said
    assert "O1 reads 0" not in said


def test_a_review_leads_to_the_page_of_each_study(source: Path, tmp_path: Path) -> None:
    """The page of the reference links to it, and it has the way back."""
    out = tmp_path / "out"
    call = ["review", str(source), "--as-of", "2026-02-01", "--out", str(out)]
    assert CliRunner().invoke(commands, call, standalone_mode=False).exception is None
    reference = (out / "reference.html").read_text(encoding="utf-8")
    assert '<a href="studies/REP-1.html">' in reference
    page = (out / "studies" / "REP-1.html").read_text(encoding="utf-8")
    assert 'href="../reference.html"' in page
    assert "../assets/figures.js" in page


def test_an_unknown_study_is_named_with_the_nearest(source: Path) -> None:
    """A slip of the pen is met by what there is."""
    told = CliRunner().invoke(commands, ["study", str(source), "REP-2"], standalone_mode=False)
    assert "is not a study on record" in str(told.exception)
    assert "REP-1" in str(told.exception)
