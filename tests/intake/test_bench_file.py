"""The file that the page of the bench saves: rows on their lines, blanks not done."""

import json
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from drift.api.bench import check
from drift.api.records_folder import start_folder, take_in_new
from drift.api.sources import intake, read_known
from drift.errors import SourceError
from drift.intake.bench_file import visit_tables
from drift.review.policy import Policy
from tests.cli.test_bench import STEADY, TODAY
from tests.cli.test_cli import quarters, source


def row_of(reading: str, **other: str) -> dict[str, str]:
    return {
        "meter_id": "AM-1",
        "performed_on": "2022-04-12",
        "stage": "as_found",
        "correct_air_pct": "5.0",
        "reading_air_pct": reading,
        **other,
    }


def saved(path: Path, **tables: list[dict[str, str]]) -> Path:
    """Write a file as the page does: a row a line."""
    lines = [
        "{",
        ' "made_by": "drift bench page",',
        ' "format": 1,',
        ' "visits": [],',
        ' "rows": {',
    ]
    parts = [
        f'  "{name}": [\n' + ",\n".join(f"    {json.dumps(row)}" for row in rows) + "\n  ]"
        for name, rows in tables.items()
    ]
    path.write_text("\n".join([*lines, ",\n".join(parts), " }", "}", ""]), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder: Path = tmp_path_factory.mktemp("visits") / "in"
    return source(folder, *quarters("AM-1", STEADY))


def test_what_is_held_back_is_told_by_its_line_in_the_saved_file(
    history: Path, tmp_path: Path
) -> None:
    """The third row, of the eighth line, after two good ones and a blank."""
    rows = [row_of("5.01"), row_of("5.02"), row_of(""), row_of("much")]
    path = saved(tmp_path / "visit-1.json", readings=rows)
    lines = path.read_text(encoding="utf-8").split("\n")
    found = check(history, path, as_of=TODAY, policy=Policy())
    assert found.rows["readings_pct"].to_list() == [[5.01, 5.02]]
    file, line, column, _ = found.held_back.row(0)
    assert (file, column, found.held_back.height) == (
        "visit-1.json.readings.csv",
        "reading_air_pct",
        1,
    )
    assert '"much"' in lines[line - 1]


def test_a_grown_file_adds_what_is_new(history: Path, tmp_path: Path) -> None:
    """Taken in unfinished and again when done: every row once, blanks never held back."""
    store = tmp_path / "store.duckdb"
    intake(history, store=store)
    path = tmp_path / "visit-1.json"
    first = [row_of("5.01", replicate="1"), row_of("", replicate="2")]
    one = intake(saved(path, readings=first), store=store)
    assert (one.files["taken"].sum(), one.held_back.height) == (1, 0)
    grown = [first[0], row_of("5.02", replicate="2")]
    mark = {
        "meter_id": "AM-1",
        "performed_on": "2022-04-12",
        "mark": "-0.3",
        "action": "moved",
        "remarks": "two\nlines",
    }
    two = intake(saved(path, readings=grown, marks=[mark]), store=store)
    assert dict(two.files.select("table_name", "taken").iter_rows()) == {"marks": 1, "readings": 1}
    known = read_known(store, as_of=TODAY.replace(month=5), policy=Policy())
    day = known.sessions.filter(pl.col("performed_on") == TODAY.replace(month=4, day=12))
    assert day["replicates"].to_list() == [2]
    assert known.marks["mark"].to_list() == [-0.3]


def test_a_folder_may_hold_saved_visits_beside_its_tables(history: Path, tmp_path: Path) -> None:
    """A visit moved into the history is read with it."""
    folder = tmp_path / "in"
    folder.mkdir()
    for path in history.iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    (folder / "notes.json").write_text("{}")
    saved(folder / "visit-1.json", readings=[row_of("5.01"), row_of("5.02")])
    sources = read_known(folder, as_of=TODAY.replace(month=5), policy=Policy())
    assert sources.sessions["performed_on"].max() == TODAY.replace(month=4, day=12)


def test_a_records_folder_takes_in_what_the_bench_saved(tmp_path: Path) -> None:
    """Dropped among the incoming, alone; again when grown, and not when nothing is new."""
    place = start_folder(tmp_path / "lab", laboratory="Test")
    path = place.incoming / "visit-1.json"
    saved(path, readings=[row_of("5.01", replicate="1")])
    name = "visit-1.json.readings.csv"
    assert take_in_new(place, today=TODAY).copied == (name,)
    assert take_in_new(place, today=TODAY).copied == ()
    saved(path, readings=[row_of("5.01", replicate="1"), row_of("5.02", replicate="2")])
    assert take_in_new(place, today=TODAY).copied == (name,)
    sources = read_known(place.history, as_of=TODAY.replace(month=5), policy=Policy())
    assert sources.sessions["replicates"].to_list() == [2]


@pytest.mark.parametrize(
    ("held", "words"),
    [
        ("{", "is not JSON"),
        ("[" * 100_000, "is not JSON"),
        ("[]", "was not saved by the page"),
        ({"format": 1, "rows": {}}, "was not saved by the page"),
        ({"made_by": "drift bench page", "format": 9, "rows": {}}, "is of format 9"),
        ({"rows": {"responses": []}}, "no known table"),
        ({"rows": {"readings": {}}}, "no list of readings"),
        ({"rows": {"readings": [{"file": "/etc/passwd"}]}}, "no known column"),
        ({"rows": {"readings": [{"reading_air_pct": ["5"]}]}}, "no text or number"),
    ],
)
def test_what_is_no_saved_visit_is_refused(tmp_path: Path, held: Any, words: str) -> None:
    """By a sentence that names the file."""
    path = tmp_path / "visit.json"
    if isinstance(held, dict) and "format" not in held:
        held = {"made_by": "drift bench page", "format": 1} | held
    path.write_text(held if isinstance(held, str) else json.dumps(held), encoding="utf-8")
    with pytest.raises(SourceError, match=words):
        visit_tables(path)


def test_a_visit_without_readings_says_so(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="holds no reading yet"):
        intake(saved(tmp_path / "visit.json", readings=[]), store=tmp_path / "store.duckdb")
