"""The bench commands from end to end: files in, files and exit codes out."""

import json
from datetime import date
from pathlib import Path

import pytest

from drift.errors import DriftError
from drift.notes.bench import check
from drift.policy import Policy
from tests.test_cli import HEADER, drift, quarters, source

STEADY = [0.0, 0.02, 0.01, 0.0, 0.02, 0.01, 0.0, 0.01, 0.02]
TODAY = date(2022, 3, 1)


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a folder of two meters that are never far from zero."""
    folder: Path = tmp_path_factory.mktemp("bench") / "in"
    return source(folder, *quarters("AM-1", STEADY), *quarters("AM-2", STEADY[::-1]))


def fresh(folder: Path, *rows: str, name: str = "new.csv") -> Path:
    path = folder / name
    path.write_text("\n".join([HEADER, *rows, ""]), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("rows", "code"),
    [
        (["AM-1,2022-04-12,as_found,5,5.01", "AM-1,2022-04-12,as_found,5,5.02"], 0),
        (["AM-1,2022-04-12,as_found,5,5.01", "AM-1,2022-04-12,as_found,5,"], 1),
        (["AM-1,2022-04-12,as_found,5,5.40"], 3),
        (["AM-1,2022-04-12,as_found,5,0.501"], 3),
    ],
    ids=["believable", "held back", "surprising", "slip"],
)
def test_check_exits_by_what_it_found(
    history: Path, tmp_path: Path, rows: list[str], code: int
) -> None:
    """0, 1 and 3 as the README says; the same as JSON, and nothing is loaded."""
    new = fresh(tmp_path, *rows)
    before = sorted(path.name for path in history.iterdir())
    ran = drift("check", history, new, "--as-of", "2022-03-01", "--json")
    assert (ran.returncode, ran.stderr) == (code, "")
    told = json.loads(ran.stdout)
    assert told["sittings"][0]["meter_id"] == "AM-1"
    assert len(told["held_back"]) == (1 if code == 1 else 0)
    assert sorted(path.name for path in history.iterdir()) == before


def test_check_reads_aloud_what_to_do(history: Path, tmp_path: Path) -> None:
    """The text names meter, verdict, the rule of two and the rows held back."""
    new = fresh(tmp_path, "AM-1,2022-04-12,as_found,5,5.40", "AM-2,2022-04-12,as_found,5,much")
    ran = drift("check", history, new, "--as-of", "2022-03-01")
    assert "SURPRISING" in ran.stdout
    assert "repeat before adjusting" in ran.stdout
    assert "Not met: one reading only" in ran.stdout
    assert "held back new.csv:3: reading_air_pct" in ran.stdout


def test_a_fresh_file_is_read_by_the_folders_mapping(history: Path, tmp_path: Path) -> None:
    """Semicolons, decimal commas and a mapping beside the file hold for it too."""
    (tmp_path / "mapping.toml").write_text('[columns]\n"Shown" = "reading_air_pct"\n')
    new = tmp_path / "new.csv"
    new.write_text(
        "meter_id;performed_on;stage;correct_air_pct;Shown\nAM-1;2022-04-12;as_found;5,0;5,02\n"
    )
    found = check(history, new, as_of=TODAY, policy=Policy())
    assert found.rows["readings_pct"].to_list() == [[5.02]]
    assert found.rows["verdict"].to_list() == ["believable"]


def test_what_cannot_be_checked_is_refused(history: Path, tmp_path: Path) -> None:
    """A missing file, one without readings, and one that lies in the source itself."""
    with pytest.raises(DriftError, match="does not exist"):
        check(history, tmp_path / "none.csv", as_of=TODAY, policy=Policy())
    with pytest.raises(DriftError, match="part of the source"):
        check(history, history / "readings.csv", as_of=TODAY, policy=Policy())
    other = tmp_path / "other.csv"
    other.write_text("a,b\n1,2\n")
    with pytest.raises(DriftError, match="no table of readings") as caught:
        check(history, other, as_of=TODAY, policy=Policy())
    assert caught.value.where == str(other)
    mapping = tmp_path / "mapping.toml"
    mapping.write_text("no mapping")
    with pytest.raises(DriftError, match="is not TOML") as caught:
        check(history, other, as_of=TODAY, policy=Policy())
    assert caught.value.where == str(mapping)
