"""The bench commands from end to end: files in, files and exit codes out."""

import json
from datetime import date
from pathlib import Path

import pytest

from drift.api.bench import check
from drift.errors import DriftError
from drift.review.policy import Policy
from tests.cli.test_cli import HEADER, quarters, source
from tests.command_line import run_here as drift

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
    assert "OUT OF TOLERANCE, not confirmed; SURPRISING" in ran.stdout
    assert "repeat before adjusting" in ran.stdout
    assert "Not met: one reading only" in ran.stdout
    assert "held back new.csv:3: reading_air_pct" in ran.stdout


def asked(history: Path, folder: Path, *rows: str) -> tuple[int, list[str], str]:
    """Check fresh rows; return the exit code, what is asked for and the line that counts."""
    ran = drift("check", history, fresh(folder, *rows), "--as-of", "2022-03-01")
    lines = ran.stdout.replace("\u00a0", " ").splitlines()
    counted = next(at for at, line in enumerate(lines) if "sitting" in line)
    return ran.returncode, lines[:counted], lines[counted]


@pytest.mark.parametrize("meter", ["AM-1", "AM-7"], ids=["surprising", "no history"])
def test_what_two_readings_show_out_is_called_out(
    history: Path, tmp_path: Path, meter: str
) -> None:
    """10.25 twice at 10 % is out of tolerance, whatever the history lets expect."""
    row = f"{meter},2022-04-12,as_found,10.0,10.25"
    code, told, counted = asked(history, tmp_path, row, row + "0")
    assert code == 3
    words = (
        "OUT OF TOLERANCE at 10 % as found (+0.250 % air), confirmed by two readings: adjust, then "
        "read as left."
    )
    assert told == [f"{meter}, 12 Apr 2022: {words}"]
    assert counted == "1 sitting: 1 out of tolerance"


def test_a_believable_failure_is_out_all_the_same(tmp_path: Path) -> None:
    """A meter that reads 0.25 high at every visit is believable there, and out of tolerance."""
    biases = [0.24, 0.25, 0.26, 0.25, 0.24, 0.26, 0.25, 0.25, 0.24]
    folder = source(tmp_path / "in", *quarters("AM-1", biases))
    row = "AM-1,2022-04-12,as_found,5.0,5.25"
    code, told, _ = asked(folder, tmp_path, row, row)
    assert (code, len(told)) == (3, 1)
    assert "OUT OF TOLERANCE at 5 % as found (+0.250 % air), confirmed by two readings" in told[0]
    new = fresh(tmp_path, row, row)
    found = check(folder, new, as_of=TODAY, policy=Policy())
    assert found.rows["verdict"].to_list() == ["believable"]


@pytest.mark.parametrize(
    ("readings", "code", "words"),
    [
        (["5.25"], 3, "by one reading only: read again before adjusting"),
        (["5.02", "5.25"], 3, "but the last two readings disagree"),
        (["5.60", "5.00", "5.02"], 3, "as the mean of all its readings"),
        (["5.25", "5.02", "5.00"], 3, "SURPRISING at 5 % as found, though within tolerance"),
        (["5.02"], 0, "REPEAT at 5 % as found. Not met: one reading only."),
        (["5.02", "5.00"], 0, "passes at 5 % as found."),
    ],
)
def test_a_failure_is_confirmed_by_the_last_two_readings(
    history: Path, tmp_path: Path, readings: list[str], code: int, words: str
) -> None:
    """One reading, two that disagree, a mean spoilt by its first, and one that was put aside."""
    rows = [f"AM-1,2022-04-12,as_found,5.0,{reading}" for reading in readings]
    found, told, _ = asked(history, tmp_path, *rows)
    assert found == code
    assert words in told[0]


def test_what_was_read_as_left_is_told_beside_the_failure(history: Path, tmp_path: Path) -> None:
    """Put right at all points, left out at one, and one point not read as left: never acquitted."""
    out = ["AM-1,2022-04-12,as_found,5.0,5.25"] * 2
    good = ["AM-1,2022-04-12,as_left,5.0,5.01"] * 2
    bad = ["AM-1,2022-04-12,as_left,5.0,5.15"] * 2
    zero = ["AM-1,2022-04-12,as_found,0.0,0.00"] * 2
    assert "at every point: put right." in asked(history, tmp_path, *out, *good)[1][0]
    partial = asked(history, tmp_path, *out, *zero, *good)[1]
    assert partial[0].endswith("as left it was not read at 0 %.")
    left = asked(history, tmp_path, *out, *bad)[1]
    assert left[0].endswith("as left it does not hold at 5 %.")
    assert "as left (+0.150 % air), confirmed by two readings: not put right" in left[1]


def test_swapped_points_are_told_at_the_bench_and_at_intake(history: Path, tmp_path: Path) -> None:
    """Readings of 5 and 10 % exchanged, with a history or none; a steep failure is no swap."""
    rows = [
        f"{meter},2022-04-12,as_found,{point},{reading}"
        for meter in ("AM-1", "AM-7")
        for point, reading in (("5.0", "10.05"), ("10.0", "5.05"))
    ]
    sound = ["AM-8,2022-04-12,as_found,5.0,7.0", "AM-8,2022-04-12,as_found,10.0,12.0"]
    code, told, _ = asked(history, tmp_path, *rows, *sound)
    swapped = [line for line in told if "likely swapped with" in line]
    assert code == 3
    assert [line[:4] for line in swapped] == ["AM-1", "AM-1", "AM-7", "AM-7"]
    assert [line[:4] for line in told if "OUT OF TOLERANCE" in line] == ["AM-8", "AM-8"]
    folder = source(tmp_path / "late", *rows, *sound)
    loaded = drift("intake", folder, "--store", tmp_path / "store.duckdb")
    lines = loaded.stdout.replace("\u00a0", " ").splitlines()
    doubts = [line for line in lines if line.startswith("Look at the sheet: ")]
    assert len(doubts) == 4
    assert doubts[0].endswith(
        "AM-1, 12 Apr 2022 as found: 10.05 at 5 %: likely swapped with 10 % of the same visit."
    )


def test_verdicts_on_several_files_come_first(history: Path, tmp_path: Path) -> None:
    """As found and as left of one visit in two files of one name are one visit; JSON alike."""
    for stage, readings in (("as_found", ("5.25", "5.25")), ("as_left", ("5.00", "5.01"))):
        (tmp_path / stage).mkdir()
        rows = [f"AM-1,2022-04-12,{stage},5.0,{reading}" for reading in readings]
        if stage == "as_found":
            rows += ["AM-2,2022-04-12,as_found,5.0,5.00", "AM-2,2022-04-12,as_found,5.0,5.02"]
        fresh(tmp_path / stage, *rows, name="AM.csv")
    given = (tmp_path / "as_found" / "AM.csv", tmp_path / "as_left")
    ran = drift("check", history, *given, "--as-of", "2022-03-01")
    lines = ran.stdout.replace("\u00a0", " ").splitlines()
    assert ran.returncode == 3
    assert lines[0].endswith("and at every point: put right.")
    assert lines[1] == "AM-2, 12 Apr 2022: passes at 5 % as found."
    assert lines[2].startswith("3 sittings: 1 out of tolerance")
    told = json.loads(drift("check", history, *given, "--as-of", "2022-03-01", "--json").stdout)
    assert [row["verdict"] for row in told["verdicts"]] == ["out_of_tolerance", "passes"]
    assert told["half_done"] == []


def test_marks_alone_are_loaded_without_a_check(history: Path, tmp_path: Path) -> None:
    """A folder without readings goes into a store that has some."""
    store, folder = tmp_path / "store.duckdb", tmp_path / "marks"
    assert drift("intake", history, "--store", store).returncode == 0
    folder.mkdir()
    row = "AM-1,2022-04-12,-0.25,verified\n"
    (folder / "marks.csv").write_text(f"meter_id,performed_on,mark,action\n{row}")
    ran = drift("intake", folder, "--store", store)
    assert (ran.returncode, ran.stderr) == (0, "")
    assert "marks.csv (marks): 1 taken" in ran.stdout


def test_intake_asks_before_it_loads_a_likely_slip(history: Path, tmp_path: Path) -> None:
    """A wrong decimal of a new visit: nobody answers, nothing is loaded; --yes loads it."""
    store = tmp_path / "store.duckdb"
    assert drift("intake", history, "--store", store).returncode == 0
    row = "AM-1,2022-04-12,as_found,5.0,0.50"
    folder = source(tmp_path / "late", row, row, "AM-2,2022-04-12,as_found,5.0,5.01")
    before = store.read_bytes()
    ran = drift("intake", folder, "--store", store)
    assert ran.returncode == 2
    assert "LIKELY SLIP at 5\u00a0% as found" in ran.stdout
    assert "nothing was loaded: 1 likely slip" in ran.stderr
    assert store.read_bytes() == before
    ran = drift("intake", folder, "--store", store, "--yes", "--json")
    assert ran.returncode == 0
    told = json.loads(ran.stdout)
    assert [row["verdict"] for row in told["verdicts"]] == ["likely_slip", "repeat"]
    assert sum(file["taken"] for file in told["files"]) == 3
    again = drift("intake", folder, "--store", store)
    assert (again.returncode, "SLIP" in again.stdout) == (0, False)


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
