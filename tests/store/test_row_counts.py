"""What a review and an intake say became of the rows of their input."""

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner

from drift.api.sources import intake, read_known
from drift.cli import commands
from drift.errors import DriftError
from drift.review.policy import Policy
from drift.store.tables import RowCounts, row_counts, rows_then, unused_files
from tests.csv_folders import readings, write

ROWS = (
    "A,2024-01-05,as_found,5,5.1",
    "A,2024-04-05,as_found,5,5.1",
    "A,2024-07-05,as_found,five,much",
)
LACKS_ONE = (
    "meter_id,performed_on,stage,correct_air_pct,shown\n" + "A,2024-01-05,as_found,5,5\n" * 4
)


def counted(source: Path, *, as_of: date = date(2024, 12, 31)) -> RowCounts:
    return row_counts(read_known(source, as_of=as_of, policy=Policy()))


def test_a_row_counts_once_however_many_reasons_there_are(tmp_path: Path) -> None:
    """Two cells of the third row cannot be read."""
    folder = write(tmp_path / "f", r=readings(*ROWS))
    assert counted(folder) == RowCounts(taken=2, held_back=1, known=0)


def test_a_reading_after_the_date_is_held_back_and_not_taken(tmp_path: Path) -> None:
    """Three rows: one seen, one not yet, one that cannot be read."""
    folder = write(tmp_path / "f", r=readings(*ROWS))
    seen = counted(folder, as_of=date(2024, 2, 1))
    assert seen == RowCounts(taken=1, held_back=2, known=0)
    assert rows_then(read_known(folder, as_of=date(2024, 2, 1), policy=Policy())) == (2, 1)


def test_a_file_held_back_whole_counts_with_all_its_rows(tmp_path: Path) -> None:
    """Its four rows were held back and none of them was known already."""
    folder = write(tmp_path / "f", r=readings(*ROWS), s=LACKS_ONE, empty="")
    assert counted(folder) == RowCounts(taken=2, held_back=5, known=0)
    sources = read_known(folder, as_of=date(2024, 12, 31), policy=Policy())
    assert [file for file, _ in unused_files(sources)] == ["empty.csv", "s.csv"]


def test_what_a_store_was_given_twice_is_known(tmp_path: Path) -> None:
    """The second file repeats two rows of the first load and brings one."""
    store = tmp_path / "s.duckdb"
    intake(write(tmp_path / "f", r=readings(*ROWS)), store=store)
    again = readings(*ROWS[:2], "A,2024-10-05,as_found,5,5.1")
    intake(write(tmp_path / "g", r=again), store=store)
    assert counted(store) == RowCounts(taken=3, held_back=1, known=2)


def test_a_review_says_which_files_were_not_used(
    tmp_path: Path, run: Callable[..., tuple[int, str]]
) -> None:
    """On the terminal, beside the counts; being strict minds a file of which no row is counted."""
    folder = write(tmp_path / "f", r=readings(*ROWS[:2]), s=LACKS_ONE)
    review = ("review", folder, "--as-of", "2024-12-31", "--data-only", "--out", tmp_path / "o")
    code, said = run(*review, "--strict")
    assert code == 1
    assert "2 rows taken, 4 held back (see" in said
    assert "Not used: s.csv: held back whole: reading_air_pct" in said


def test_a_meter_in_use_that_was_never_read_is_named(
    tmp_path: Path, run: Callable[..., tuple[int, str]]
) -> None:
    """On the terminal and on the page; one retired, read or not yet in service is not."""
    rows = (
        "A,active,",
        "<b>,active,",
        "C,,2024-12-31",
        "D,retired,",
        "E,withdrawn,",
        "F,,2025-01-01",
    )
    meters = "\n".join(("meter_id,status,in_service_on", *rows, ""))
    checks = "meter_id,performed_on,check,value\n<i>,2024-05-06,zero,0.05\n"
    folder = write(tmp_path / "f", r=readings(*ROWS), m=meters, c=checks)
    _, said = run("review", folder, "--as-of", "2024-12-31", "--out", tmp_path / "o")
    assert "In the meters table, in use and never read: <b>, C\n" in said
    assert "With checks and not one reading: <i>\n" in said
    page = (tmp_path / "o" / "index.html").read_text(encoding="utf-8")
    assert "&lt;i&gt; (1 check, the last on 6\u00a0May\u00a02024).</p>" in page
    assert "calibrate before use: &lt;b&gt;, C.</p>" in page


def test_a_specification_that_nothing_meets_is_held_back(tmp_path: Path) -> None:
    """Its lower bound lies above its upper one; one bound, or two alike, are none of that."""
    tests = "test_id,meter_id,tested_on,air_pct,spec_min_pct,spec_max_pct\n"
    specs = ("7.5,4.5", "10,9", "4.5,7.5", "5,5", ",7.5", "4.5,", ",", "x,4")
    rows = [f"T{no},A,2024-01-06,6,{spec}\n" for no, spec in enumerate(specs)]
    folder = write(tmp_path / "f", r=readings(*ROWS[:2]), t=tests + "".join(rows))
    sources = read_known(folder, as_of=date(2024, 12, 31), policy=Policy())
    assert sources.held_back.select("line", "column", "reason").rows() == [
        (2, "spec_min_pct", "7.5 is above spec_max_pct, 4.5"),
        (3, "spec_min_pct", "10 is above spec_max_pct, 9"),
        (9, "spec_min_pct", "'x' is not a number"),
    ]
    assert sources.field_tests["test_id"].to_list() == ["T2", "T3", "T4", "T5", "T6"]


def test_neighbouring_rows_with_one_reason_share_a_line(
    tmp_path: Path, run: Callable[..., tuple[int, str]]
) -> None:
    """As where a sheet was not filled in: rows 3 to 5, then row 7 alone."""
    empty, full = "A,2024-01-0{},as_found,5,", "A,2024-01-0{},as_found,5,5"
    rows = [(full if day in {1, 5} else empty).format(day) for day in range(1, 7)]
    _, said = run("intake", write(tmp_path / "f", r=readings(*rows)), "--store", tmp_path / "s")
    held = [line for line in said.splitlines() if line.startswith("held back")]
    assert held == [
        "held back r.csv:3 to 5: reading_air_pct: is empty but needed",
        "held back r.csv:7: reading_air_pct: is empty but needed",
    ]


def test_a_value_that_was_empty_is_said_to_have_been(
    tmp_path: Path, run: Callable[..., tuple[int, str]]
) -> None:
    """A remark added to a reading is an amendment of an empty cell."""
    for name, remark in (("f", ""), ("g", "read again")):
        row = f"A,2024-01-05,as_found,5,5,1,{remark}"
        folder = write(tmp_path / name, r=readings(row, columns="replicate,remarks"))
        sign = ("--by", "K. Vale", "--why", "found on the sheet", "--yes")
        _, said = run("intake", folder, "--store", tmp_path / "s", *sign)
    assert "remarks: empty → read again" in said


def test_a_load_that_fails_leaves_no_new_store(tmp_path: Path) -> None:
    """Nothing usable in the folder: no file is made, and one that was there stays as it was."""
    store = tmp_path / "s.duckdb"
    nothing = write(tmp_path / "nothing", r="a,b\n1,2\n")
    with pytest.raises(DriftError, match="holds no table of readings"):
        intake(nothing, store=store)
    assert not store.exists()
    intake(write(tmp_path / "f", r=readings(*ROWS)), store=store)
    with pytest.raises(DriftError, match="is a file"):
        intake(store, store=store)
    assert counted(store).taken == 2


@pytest.fixture
def run() -> Callable[..., tuple[int, str]]:
    """Return a function that runs a command in this process: its code and what it printed."""

    def ran(*arguments: object) -> tuple[int, str]:
        result = CliRunner().invoke(commands, list(map(str, arguments)), standalone_mode=False)
        assert result.exception is None
        return result.return_value, result.stdout

    return ran
