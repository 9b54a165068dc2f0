"""The import as a person meets it: proposal, questions, history, next quarter, records folder."""

import csv
from pathlib import Path

import pytest

from tests.command_line import run_here as drift
from tests.layouts.forms import sheet_a_meter
from tests.layouts.logs import ambiguous_dates, long_log, wide_log
from tests.layouts.truth import fleet, table
from tests.layouts.writing import text_file


def rows(folder: Path, name: str = "readings") -> list[dict[str, str]]:
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def told(folder: Path) -> list[tuple[str, str, str, float, float]]:
    return sorted(
        (
            row["meter_id"],
            row["performed_on"],
            row["stage"],
            float(row["correct_air_pct"]),
            float(row["reading_air_pct"]),
        )
        for row in rows(folder)
    )


def test_nothing_is_written_but_the_proposal_until_it_is_accepted(tmp_path: Path) -> None:
    visits = fleet()
    records = sheet_a_meter(tmp_path, visits)
    history, out = tmp_path / "history", tmp_path / "import"
    seen = drift("import", records, "--into", history, "--out", out)
    assert seen.returncode == 0
    assert not history.exists()
    assert sorted(path.name for path in out.iterdir()) == ["import.html", "layout.toml", "records"]
    done = drift("import", records, "--into", history, "--out", out, "--accept")
    assert done.returncode == 0
    assert told(history) == table(visits)


def test_a_question_names_the_set_that_answers_it(tmp_path: Path) -> None:
    lines: list[list[object]] = [["Meter", "Date", "AF 5"], ["M-1", "3/4/2025", 4.9]]
    records = text_file(tmp_path / "log.csv", lines)
    asked = drift("import", records, "--into", tmp_path / "h", "--out", tmp_path / "o", "--accept")
    assert asked.returncode == 3
    assert '--set "dates.order=month_first"' in asked.stdout
    assert "2025-04-03" in asked.stdout
    assert "2025-03-04" in asked.stdout
    answer = ("--set", "dates.order=month_first", "--accept")
    done = drift("import", records, "--into", tmp_path / "h", "--out", tmp_path / "o", *answer)
    assert done.returncode == 0
    assert rows(tmp_path / "h")[0]["performed_on"] == "2025-03-04"


def test_cells_not_understood_exit_with_one_and_nothing_usable_with_two(tmp_path: Path) -> None:
    lines: list[list[object]] = [
        ["Meter", "Date", "AF 5"],
        ["M-1", "2025-03-31", 4.9],
        ["M-1", "2025-06-30", "??x"],
    ]
    records = text_file(tmp_path / "log.csv", lines)
    where = ("--into", tmp_path / "h", "--out", tmp_path / "o", "--accept")
    assert drift("import", records, *where).returncode == 1
    empty = text_file(tmp_path / "prose.csv", [["Dear colleagues"], ["nothing here"]])
    assert drift("import", empty, *where).returncode == 2


@pytest.mark.parametrize("given", ["order", "dates.order=", "no.such=1"])
def test_an_answer_to_nothing_is_refused(given: str, tmp_path: Path) -> None:
    records = wide_log(tmp_path, fleet(visits=1))
    done = drift(
        "import", records, "--into", tmp_path / "h", "--out", tmp_path / "o", "--set", given
    )
    assert done.returncode == 2
    assert not (tmp_path / "h").exists()


def test_the_next_quarter_adds_what_is_new_and_signs_what_has_changed(tmp_path: Path) -> None:
    """Known rows stay; new ones get a file of their own, changed ones who and why."""
    visits = fleet(meters=2, visits=3)
    where = ("--into", tmp_path / "h", "--out", tmp_path / "o", "--accept")
    assert drift("import", long_log(tmp_path, visits[:4]), *where).returncode == 0
    first = (tmp_path / "h" / "readings.csv").read_bytes()
    records = long_log(tmp_path, visits)
    text = records.read_text(encoding="utf-8").split("\n")
    line = text[1].split(",")
    text[1] = ",".join([*line[:4], "0.3", *line[5:]])
    records.write_text("\n".join(text), encoding="utf-8")
    asked = drift("import", records, *where)
    assert asked.returncode == 3
    assert "amended_by" in asked.stdout
    signed = ("--set", "amended_by=Q. Manager", "--set", "amended_why=copied wrongly")
    assert drift("import", records, *where, *signed).returncode == 0
    assert (tmp_path / "h" / "readings.csv").read_bytes() == first
    (later,) = (path for path in (tmp_path / "h").glob("readings_*.csv"))
    added = rows(tmp_path / "h", later.stem)
    amended = [row for row in added if "amended by Q. Manager: copied wrongly" in row["remarks"]]
    assert [row["reading_air_pct"] for row in amended] == ["0.3"]
    assert len(added) == len(table(visits)) - len(table(visits[:4])) + 1
    reviewed = drift("intake", tmp_path / "h", "--store", tmp_path / "s.duckdb")
    assert "amended readings" in reviewed.stdout


def test_a_table_of_another_layout_stops_the_next_import(tmp_path: Path) -> None:
    where = ("--into", tmp_path / "h", "--out", tmp_path / "o", "--accept")
    visits = fleet(visits=2)
    assert drift("import", wide_log(tmp_path, visits[:4]), *where).returncode == 0
    other = long_log(tmp_path, visits)
    stopped = drift("import", other, *where)
    assert stopped.returncode == 3
    assert "layouts.new" in stopped.stdout
    assert drift("import", other, *where, "--set", "layouts.new=accept").returncode == 0


def test_the_layout_file_can_be_edited(tmp_path: Path) -> None:
    """What a person writes of a column is what it holds."""
    records = wide_log(tmp_path, fleet(visits=1))
    where = ("--into", tmp_path / "h", "--out", tmp_path / "o")
    drift("import", records, *where)
    layout = tmp_path / "o" / "layout.toml"
    text = layout.read_text(encoding="utf-8")
    assert '"af 10" = "reading, as found, 10 %"' in text
    layout.write_text(text.replace("as found, 10 %", "as found, 9.9 %"), encoding="utf-8")
    assert drift("import", records, *where, "--accept").returncode == 0
    assert {row["correct_air_pct"] for row in rows(tmp_path / "h")} == {"0", "5", "9.9", "10"}


def test_a_store_takes_an_import_too(tmp_path: Path) -> None:
    records = sheet_a_meter(tmp_path, fleet())
    store = tmp_path / "history.duckdb"
    done = drift("import", records, "--into", store, "--out", tmp_path / "o", "--accept")
    assert done.returncode == 0
    reviewed = drift(
        "review", store, "--data-only", "--as-of", "2026-11-30", "--out", tmp_path / "r"
    )
    assert "144 rows taken" in reviewed.stdout


def test_commands_read_a_workbook_directly(tmp_path: Path) -> None:
    """Review, intake and check take it where it asks nothing; else they say what to answer."""
    records = sheet_a_meter(tmp_path, fleet(visits=8))
    day = ("--as-of", "2026-11-30")
    reviewed = drift("review", records, "--data-only", *day, "--out", tmp_path / "r")
    assert "192 rows taken" in reviewed.stdout
    assert drift("intake", records, "--store", tmp_path / "s.duckdb").returncode == 0
    inside = tmp_path / "inside"
    inside.mkdir()
    asks = ambiguous_dates(inside, fleet(visits=1, meters=1)[:1])
    (inside / "layout.toml").write_text("version = 1\n", encoding="utf-8")
    refused = drift("review", inside, "--data-only", *day, "--out", tmp_path / "r2")
    assert asks.exists()
    assert refused.returncode in {0, 2}


def test_a_records_folder_takes_in_and_reviews(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Start, put records in, accept once; then a review with no argument does the rest."""
    folder = tmp_path / "records"
    assert drift("start", folder, "--laboratory", 'The "north" lab').returncode == 0
    assert drift("start", folder).returncode == 2
    monkeypatch.chdir(folder)
    assert 'The "north" lab' in drift("status").stdout
    sheet_a_meter(folder / "incoming", fleet(visits=8))
    first = drift("review", "--data-only")
    assert first.returncode == 3
    assert "--accept" in first.stdout
    assert drift("import", "incoming", "--into", "history", "--accept").returncode == 0
    assert drift("review", "--data-only", "--as-of", "2026-07-01").returncode == 0
    assert drift("review", "--data-only", "--as-of", "2026-10-01").returncode == 0
    assert (folder / "reviews" / "2026-10-01" / "data" / "since.csv").is_file()
    said = drift("status").stdout
    assert "Last review: 2026-10-01" in said
    assert len(said.splitlines()) <= 10


def test_elsewhere_a_review_without_a_source_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert "drift start FOLDER" in drift("review").stderr


def test_a_folder_of_something_else_is_not_written_into(tmp_path: Path) -> None:
    records = wide_log(tmp_path, fleet(visits=1))
    out = tmp_path / "o"
    out.mkdir()
    (out / "thesis.txt").write_text("mine", encoding="utf-8")
    done = drift("import", records, "--into", tmp_path / "h", "--out", out)
    assert done.returncode == 2
    assert [path.name for path in out.iterdir()] == ["thesis.txt"]
