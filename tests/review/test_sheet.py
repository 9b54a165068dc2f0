"""Visit sheets: who is due, what to read, what to expect, and files that nobody loses."""

import csv
import re
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from drift.api.bench import check
from drift.api.sheets import write_sheets
from drift.api.sources import intake, read_known
from drift.errors import DriftError
from drift.review.policy import Policy
from drift.review.visit_plan import due_by_default
from tests.command_line import run_here as drift

AS_OF = date(2022, 3, 1)
DUE_BY = date(2022, 6, 30)
HOSTILE = "<script>window.harmed = 1</script>"
FORMULA = "=1+1"
# A vessel that was weighed again after the last visit: 100 · 355.0/7080 is 5.0141 % air.
VESSELS = (
    "vessel_id,calibrated_on,water_mass_g,bowl_water_mass_g\n"
    "V-1,2019-01-01,350.0,7080\n"
    "V-1,2022-02-01,355.0,7080\n"
)


def make_source(folder: Path) -> Path:
    """Write two ordinary meters, one overdue, and two with ids chosen to do harm."""
    folder.mkdir()
    rows = [
        "meter_id,performed_on,stage,correct_air_pct,reading_air_pct,replicate,resolution_pct,vessel_id"
    ]
    last = {"AM-1": 9, "AM-2": 8, HOSTILE: 9, FORMULA: 9}
    for meter, visits in last.items():
        for number in range(visits):
            on = f"{2020 + number // 4}-{1 + 3 * (number % 4):02}-15"
            rows += [
                f"{meter},{on},as_found,{correct},{correct + off:.2f},{replicate},0.05,{vessel}"
                for correct, vessel in ((0.0, ""), (4.94, "V-1"), (9.89, "V-1"))
                for replicate, off in ((1, 0.0), (2, 0.05 * (number % 2)))
            ]
    (folder / "readings.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    (folder / "vessels.csv").write_text(VESSELS, encoding="utf-8")
    (folder / "meters.csv").write_text(
        "meter_id,interval_days,status\nAM-1,91,active\nAM-2,91,active\n", encoding="utf-8"
    )
    (folder / "marks.csv").write_text(
        "meter_id,performed_on,mark,mark_unit,action\nAM-1,2021-01-15,52.5,kpa,verified\n",
        encoding="utf-8",
    )
    return folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_source(tmp_path_factory.mktemp("sheet") / "in")


@pytest.fixture(scope="module")
def out(folder: Path) -> Path:
    """Write the sheets of the source once."""
    place = folder.parent / "out"
    made = write_sheets(folder, out=place, as_of=AS_OF, due_by=DUE_BY, policy=Policy())
    assert made.meters[0] == "AM-2"  # overdue since 2022-01-14
    assert set(made.meters) == {"AM-1", "AM-2", HOSTILE, FORMULA}
    return place


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def fill(path: Path, off: float = 0.0) -> Path:
    """Fill in a file of readings, each `off` from what is correct, to the dial's 0.05."""
    rows = rows_of(path)
    for row in rows:
        shown = round((float(row["correct_air_pct"]) + off) / 0.05) * 0.05
        row |= {"performed_on": "2022-04-14", "reading_air_pct": f"{shown:.2f}", "operator": "me"}
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    return path


def test_the_files_hold_what_to_read(out: Path) -> None:
    """Points, replicates and resolution of the last visit; the vessel's newest correct values.

    100 w/W by hand: 355.0/7080 → 5.01, drawn off twice 10.03.
    """
    rows = rows_of(out / "as_found" / "AM-1.csv")
    assert [row["correct_air_pct"] for row in rows] == ["0", "0", "5.01", "5.01", "10.03", "10.03"]
    assert [row["replicate"] for row in rows] == ["1", "2"] * 3
    assert [row["vessel_id"] for row in rows] == ["", "", *["V-1"] * 4]
    assert {row["stage"] for row in rows_of(out / "as_left" / "AM-1.csv")} == {"as_left"}
    assert not any(row["reading_air_pct"] or row["performed_on"] for row in rows)
    assert rows_of(out / "marks" / "AM-1.csv")[0]["mark_unit"] == "kpa"


def test_the_page_says_what_to_expect(out: Path) -> None:
    """Overdue first, bands, last mark, cautions; hostile ids stay text and get no formula file."""
    page = (out / "index.html").read_text(encoding="utf-8")
    assert page.index('id="meter-1"') < page.index('id="meter-2"')
    assert "overdue by 46 days" in page  # 2022-01-14 to 2022-03-01
    assert re.search(r"52\.5.kPa \(verified 15.Jan.2021\)", page)
    assert "pressurised vessel" in page
    assert re.search(r"calibrated 1.Feb.2022, drawn off twice", page)
    assert HOSTILE not in page
    assert "No file to fill in" in page
    written = {path.parent.name: path.name for path in out.rglob("*.csv")}
    assert set(written) == {"as_found", "as_left", "marks"}
    assert len(list((out / "as_found").iterdir())) == 3  # all but the formula


def test_a_filled_sheet_goes_through_check_and_intake(folder: Path, tmp_path: Path) -> None:
    """Readings inside the printed bands are believable, and every filled row is taken."""
    sheets = tmp_path / "sheets"
    write_sheets(folder, out=sheets, as_of=AS_OF, due_by=DUE_BY, policy=Policy())
    filled = fill(sheets / "as_found" / "AM-1.csv")
    found = check(folder, filled, as_of=AS_OF, policy=Policy())
    assert set(found.rows["verdict"]) == {"believable"}
    assert found.held_back.is_empty()
    store = tmp_path / "store.duckdb"
    intake(folder, store=store)
    summary = intake(sheets / "as_found", store=store)
    taken = summary.files.filter(pl.col("file") == "AM-1.csv")
    assert taken["taken"].to_list() == [6]
    late = read_known(store, as_of=date(2022, 5, 1), policy=Policy()).sessions
    assert late.filter(pl.col("performed_on") == date(2022, 4, 14)).height == 3


@pytest.mark.parametrize("spoil", ["fill", "break"])
def test_a_begun_sheet_is_never_written_over(folder: Path, tmp_path: Path, spoil: str) -> None:
    """One filled or unreadable file refuses the whole command, and nothing is changed."""
    sheets = tmp_path / "sheets"
    again = {"out": sheets, "as_of": AS_OF, "due_by": DUE_BY, "policy": Policy()}
    write_sheets(folder, **again)  # type: ignore[arg-type]  # as named
    write_sheets(folder, **again)  # type: ignore[arg-type]  # blank sheets may be renewed
    begun = sheets / "as_found" / "AM-2.csv"
    if spoil == "fill":
        fill(begun)
    else:
        begun.write_bytes(b"\xff\xfe broken")
    before = {path: path.read_bytes() for path in sheets.rglob("*") if path.is_file()}
    with pytest.raises(DriftError, match="has been filled in") as caught:
        write_sheets(folder, **again)  # type: ignore[arg-type]  # as named
    assert "AM-2.csv" in caught.value.where
    assert caught.value.hint
    assert before == {path: path.read_bytes() for path in sheets.rglob("*") if path.is_file()}


def test_the_command_lists_who_is_due(folder: Path, tmp_path: Path) -> None:
    """With a date before any due date but the overdue one, that one alone is listed."""
    ran = drift(
        "sheet", folder, "--as-of", AS_OF, "--due-by", "2022-03-02", "--out", tmp_path / "out"
    )
    assert (ran.returncode, ran.stderr) == (0, "")
    assert ran.stdout.splitlines()[:2] == ["1 meter due by 2\u00a0Mar\u00a02022", "  AM-2"]
    assert due_by_default(AS_OF) == date(2022, 3, 31)
