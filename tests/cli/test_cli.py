"""The command line: what it prints, writes and exits with."""

import json
import subprocess
import sys
from pathlib import Path
from statistics import NormalDist

import pytest

from drift.report.register_files import REGISTER_PAGES
from drift.report.render import FLEET_PAGES
from drift.report.styles import shared_files
from tests.command_line import run_here as drift
from tests.sample_reviews import worked_out_anew

HEADER = "meter_id,performed_on,stage,correct_air_pct,reading_air_pct"
DATA_FILES = (
    "meters.csv",
    "obligations.csv",
    "visits.csv",
    "forecast.csv",
    "intervals.csv",
    "signals.csv",
    "phases.csv",
    "responses.csv",
    "open_points.csv",
    "register.csv",
    "due.csv",
    "register_faults.csv",
    "reference.csv",
    "vessels.csv",
    "vessel_checks.csv",
    "vessel_bowls.csv",
    "vessel_history.csv",
    "comparison_scores.csv",
    "field_bench.csv",
    "check_meters.csv",
    "hysteresis.csv",
    "reference_verdicts.csv",
    "check_series.csv",
    "check_days.csv",
    "vessel_belief.csv",
    "bowls.csv",
    "conformity.csv",
    "uncertainty.csv",
    "risks.csv",
    "causes.csv",
    "zero_span.csv",
    "zero_span_drifts.csv",
    "own_standings.csv",
    "evidence.csv",
    "vessel_agreement.csv",
    "barred_uses.csv",
    "unread_rows.csv",
    "obligations.csv",
    "held_back.csv",
)
HEAVY = ("polars", "duckdb", "altair", "scipy", "statsmodels", "pyarrow", "numpy", "jinja2")


def source(folder: Path, *rows: str, header: str = HEADER) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "readings.csv").write_text("\n".join([header, *rows, ""]), encoding="utf-8")
    return folder


def quarters(meter: str, biases: list[float]) -> list[str]:
    months = [(2020 + i // 4, 1 + 3 * (i % 4)) for i in range(len(biases))]
    return [
        f"{meter},{year}-{month:02}-15,as_found,5.0,{5 + bias:.2f}"
        for (year, month), bias in zip(months, biases, strict=True)
    ]


def test_help_is_quick_to_load() -> None:
    """Asking for help loads none of the heavy libraries."""
    command = [sys.executable, "-X", "importtime", "-m", "drift", "--help"]
    ran = subprocess.run(command, capture_output=True, text=True, check=False)
    assert ran.returncode == 0
    loaded = {line.rsplit("|", 1)[-1].strip().split(".")[0] for line in ran.stderr.splitlines()}
    assert "click" in loaded
    assert loaded.isdisjoint(HEAVY)


def test_a_retired_meter_is_counted_apart_and_asks_for_nothing(tmp_path: Path) -> None:
    """Left outside at its last visit and retired since: neither out nor among those to act on."""
    folder = source(tmp_path / "in", *quarters("AM-1", [0.0] * 8), *quarters("AM-2", [0.2] * 8))
    (folder / "meters.csv").write_text("meter_id,status\nAM-2,retired\n", encoding="utf-8")
    ran = drift("review", folder, "--out", tmp_path / "out", "--as-of", "2022-01-10")
    assert ran.returncode == 0
    counted, action, *_ = ran.stdout.splitlines()[1:]
    assert counted.endswith(": 1 holding, 1 retired")
    assert action == "No meter is barred from use."


def test_a_review_writes_pages_and_data_and_says_where(tmp_path: Path) -> None:
    """The summary counts rows, names who needs action and ends with the place of the pages."""
    folder = source(
        tmp_path / "in",
        *quarters("AM-1", [0.0, 0.02, 0.0, 0.01, 0.0, 0.02, 0.01, 0.0]),
        *quarters("AM-2", [0.0, 0.02, 0.05, 0.07, 0.08, 0.11, 0.12, 0.15]),
        "AM-1,2020-13-45,as_found,5.0,5.0",
    )
    out = tmp_path / "out"
    ran = drift("review", folder, "--out", out, "--as-of", "2022-01-10")
    assert (ran.returncode, ran.stderr) == (0, "")
    lines = ran.stdout.splitlines()
    assert lines[0].startswith("16 rows taken, 1 held back")
    assert lines[1].startswith("First: 1 of 17 rows of readings")
    assert lines[2].startswith("2 meters on 2022-01-10: 1 out")
    assert lines[3].startswith("Do not use AM-2.")
    assert lines[5].strip().startswith("AM-2")
    assert lines[-1] == f"Pages: {out / 'index.html'}"
    written = {path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()}
    assert written == {
        *FLEET_PAGES,
        "assets/vega.js",
        "assets/figures.js",
        *(f"assets/{name}" for name in shared_files()),
        "evidence.html",
        "guide.html",
        *REGISTER_PAGES,
        "meters/AM-1.html",
        "meters/AM-2.html",
        "review.xlsx",
        *(f"data/{name}" for name in (*DATA_FILES, "run.json")),
    }


def test_data_only_writes_no_pages(tmp_path: Path) -> None:
    """Without pages and workbook the data files are the same."""
    folder = source(tmp_path / "in", *quarters("A", [0.0, 0.05]))
    drift("review", folder, "--out", tmp_path / "all", "--as-of", "2021-01-01")
    ran = drift(
        "review", folder, "--out", tmp_path / "some", "--as-of", "2021-01-01", "--data-only"
    )
    assert ran.returncode == 0
    assert [path.name for path in (tmp_path / "some").iterdir()] == ["data"]
    for name in DATA_FILES:
        some, every = (tmp_path / out / "data" / name for out in ("some", "all"))
        assert some.read_bytes() == every.read_bytes()


def test_the_same_input_gives_the_same_bytes(tmp_path: Path) -> None:
    """Two reviews differ in nothing but the timings of the record."""
    folder = source(
        tmp_path / "in",
        *quarters("A", [0.0, 0.05, 0.0, 0.1, 0.05, 0.0, 0.1, 0.1, 0.15]),
        *quarters("B", [0.0] * 9),
        "B,soon,as_found,5,5",
    )
    outs = [tmp_path / "one", tmp_path / "two"]
    with worked_out_anew():
        for out in outs:
            assert drift("review", folder, "--out", out, "--as-of", "2022-03-01").returncode == 0
    one, two = ({p.relative_to(out): p.read_bytes() for p in out.rglob("*.*")} for out in outs)
    records = [json.loads(files.pop(Path("data/run.json"))) for files in (one, two)]
    assert one == two
    assert all(record.pop("timings_s") for record in records)
    assert records[0] == records[1]


def test_as_of_sees_only_what_was_known(tmp_path: Path) -> None:
    """A review as of a date equals one of a file that ends there, held-back rows apart."""
    rows = quarters("A", [0.0, 0.05, 0.0, 0.1, 0.05, 0.0, 0.1, 0.1, 0.15])
    later = source(tmp_path / "later", *rows)
    then = source(tmp_path / "then", *rows[:7])
    for name, folder in (("a", later), ("b", then)):
        drift("review", folder, "--out", tmp_path / name, "--as-of", "2021-08-01", "--data-only")
    for name in set(DATA_FILES) - {"held_back.csv"}:
        a, b = (tmp_path / out / "data" / name for out in ("a", "b"))
        assert a.read_bytes() == b.read_bytes()
    assert (tmp_path / "a" / "data" / "held_back.csv").read_text().count("dated after") == 2


def test_a_store_reviews_like_the_folder_it_was_made_from(tmp_path: Path) -> None:
    """Folder and store give the same data files; a store alone has a journal (7.5, 7.11.3)."""
    folder = source(tmp_path / "in", *quarters("A", [0.0, 0.05, 0.0, 0.1]), "A,x,as_found,5,5")
    store = tmp_path / "store.duckdb"
    assert drift("intake", folder, "--store", store).returncode == 0
    for name, given in (("a", folder), ("b", store)):
        drift("review", given, "--out", tmp_path / name, "--as-of", "2021-08-01", "--data-only")
    for name in DATA_FILES:
        a, b = (tmp_path / out / "data" / name for out in ("a", "b"))
        rows = [
            [
                row
                for row in path.read_text("utf-8").splitlines()
                if ",7.5," not in row and ",7.11.3," not in row
            ]
            for path in (a, b)
        ]
        assert rows[0] == rows[1]


def test_intake_says_what_was_taken_held_back_and_known(tmp_path: Path) -> None:
    """Loading twice adds nothing and says so; a changed row is an amendment."""
    store = tmp_path / "store.duckdb"
    header = HEADER + ",replicate"
    rows = [row + ",1" for row in quarters("A", [0.0, 0.05])]
    folder = source(tmp_path / "in", *rows, "A,2020-01-15,as_found,5,much,2", header=header)
    first = drift("intake", folder, "--store", store)
    assert "2 taken" in first.stdout
    assert "1 held back" in first.stdout
    assert "reading_air_pct" in first.stdout
    again = drift("intake", folder, "--store", store)
    assert "0 taken" in again.stdout
    assert "2 already known" in again.stdout
    source(tmp_path / "in", rows[0], rows[1].replace("5.05", "5.10"), header=header)
    agreed = ("--by", "N. N.", "--why", "misread", "--yes")
    assert "1 amend" in drift("intake", folder, "--store", store, *agreed).stdout


def test_strict_exits_with_one_where_rows_were_held_back(tmp_path: Path) -> None:
    """Usable with rows held back is 0, and 1 when asked to be strict."""
    folder = source(tmp_path / "in", *quarters("A", [0.0]), "A,soon,as_found,5,5")
    arguments = ["review", folder, "--out", tmp_path / "out", "--data-only"]
    assert drift(*arguments).returncode == 0
    assert drift(*arguments, "--strict").returncode == 1


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["review", "nowhere"], "does not exist"),
        (["review"], "a records folder, made by drift start"),
        (["review", ".", "--as-of", "05/01/2026"], "05/01/2026"),
        (["review", ".", "--nonsense"], "No such option"),
        (["review", ".", "--policy", "nowhere.toml"], "does not exist"),
        (["rewiev", "."], "No such command"),
        (["intake", "."], "--store"),
    ],
)
def test_wrong_arguments_exit_with_two_and_one_sentence(arguments: list[str], says: str) -> None:
    """Nothing usable: code 2, a sentence on standard error, no traceback, nothing printed."""
    ran = drift(*arguments)
    assert ran.returncode == 2
    assert says in ran.stderr
    assert "Traceback" not in ran.stderr
    assert ran.stdout == ""


def test_a_folder_without_readings_names_what_it_saw(tmp_path: Path) -> None:
    """No readings table: code 2 and the files seen."""
    folder = source(tmp_path / "in", "A,1", header="meter,value")
    ran = drift("review", folder, "--out", tmp_path / "out")
    assert ran.returncode == 2
    assert "readings.csv" in ran.stderr
    assert not (tmp_path / "out").exists()


def test_nothing_on_or_before_the_date_is_said(tmp_path: Path) -> None:
    """A date before the first reading leaves nothing to review."""
    folder = source(tmp_path / "in", *quarters("A", [0.0]))
    ran = drift("review", folder, "--out", tmp_path / "out", "--as-of", "2000-01-01")
    assert ran.returncode == 2
    assert "2000-01-01" in ran.stderr


def test_pages_of_meters_that_are_gone_are_removed(tmp_path: Path) -> None:
    """A second review into the same folder leaves no dossier of a meter it does not know."""
    out = tmp_path / "out"
    drift("review", source(tmp_path / "in", *quarters("A", [0.0])), "--out", out)
    ran = drift("review", source(tmp_path / "in", *quarters("B", [0.0])), "--out", out)
    assert ran.returncode == 0
    assert [path.name for path in (out / "meters").iterdir()] == ["B.html"]


def test_respond_answers_a_signal_of_its_meter(tmp_path: Path) -> None:
    """An unknown id names the nearest and is code 2; a good one is recorded and closes it."""
    steps = [0.0, 0.02, 0.01, 0.0, 0.02, 0.01, 0.0, 0.01, 0.5]
    folder = source(tmp_path / "in", *quarters("A", steps), *quarters("B", [0.0] * 9))
    drift("review", folder, "--out", tmp_path / "one", "--data-only")
    signals = (tmp_path / "one" / "data" / "signals.csv").read_text().splitlines()[1:]
    signal_id = signals[0].split(",")[0]
    said = ("--finding", "hand  loose", "--action", "reset", "--by", "me", "--on", "2022-02-01")
    wrong = drift("respond", folder, signal_id[:-1] + "z", *said)
    assert (wrong.returncode, wrong.stdout) == (2, "")
    assert f"the nearest is {signal_id}" in wrong.stderr
    assert drift("respond", folder, signal_id, *said, "--meter", "B").returncode == 2
    right = drift("respond", folder, signal_id, *said, "--meter", "A")
    assert (right.returncode, right.stderr) == (0, "")
    assert "hand loose" in (folder / "responses.csv").read_text()
    ran = drift("review", folder, "--out", tmp_path / "two", "--data-only")
    assert ran.returncode == 0
    (row,) = (tmp_path / "two" / "data" / "responses.csv").read_text().splitlines()[1:]
    assert row.split(",")[0] == signal_id
    assert row.endswith(",")  # no problem


def test_detectability_prints_exact_run_lengths() -> None:
    """In control, 3-sigma limits speak every 370.398 points (check: 1/(2(1 − Φ(3))))."""
    ran = drift("detectability", "--json")
    assert (ran.returncode, ran.stderr) == (0, "")
    found = json.loads(ran.stdout)
    rows = {row["monitor"]: row for row in found["false_alarms"]}
    exact = 1 / (2 * NormalDist().cdf(-3))
    assert rows["beyond_limits"]["mean_visits"] == pytest.approx(exact, rel=1e-4)
    assert "beyond limits" in drift("detectability").stdout


def test_detectability_follows_the_policy(tmp_path: Path) -> None:
    """Wider limits alarm less often."""
    policy = tmp_path / "policy.toml"
    policy.write_text("limit_sigmas = 3.5\n", encoding="utf-8")
    found = json.loads(drift("detectability", "--json", "--policy", policy).stdout)
    rows = {row["monitor"]: row for row in found["false_alarms"]}
    assert rows["beyond_limits"]["mean_visits"] > 2000


def test_proof_judges_the_forecaster_on_the_sample(tmp_path: Path) -> None:
    """On the sample history its bands hold, and it beats the last bias and the straight line."""
    sample = Path(__file__).resolve().parents[2] / "sample_history"
    figure = tmp_path / "proof.svg"
    ran = drift("proof", sample, "--as-of", "2026-10-01", "--json", "--figure", figure)
    assert (ran.returncode, ran.stderr) == (0, "")
    found = json.loads(ran.stdout)
    brier = {row["method"]: row["brier"] for row in found["scores"]}
    assert brier["forecaster"] < min(brier["last bias"], brier["straight line"])
    assert 0.85 <= found["coverage"] <= 0.95
    assert figure.read_text(encoding="utf-8").startswith("<svg")


def test_proof_says_when_there_is_too_little_history(tmp_path: Path) -> None:
    """One visit cannot prove a forecast."""
    ran = drift("proof", source(tmp_path / "in", *quarters("A", [0.0])))
    assert ran.returncode == 0
    assert "Too little history" in ran.stdout
