"""The record of a visit: what was read, how it conforms, who signs; sheets of other occasions."""

import csv
import re
from datetime import date
from pathlib import Path

import openpyxl
import pytest
from playwright.sync_api import sync_playwright

from drift.api.memos import write_visit
from drift.api.sheets import write_sheets
from drift.errors import DriftError
from drift.intake.round_book import read_round_book
from drift.review.policy import Policy
from tests.command_line import run_here as drift
from tests.report.test_pages_browser import ARGUMENTS, CHROMIUM
from tests.review.test_sheet import AS_OF, HOSTILE, make_source, rows_of

DAY, LATE = date(2022, 2, 20), date(2022, 3, 20)


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write four meters; AM-1 was put right on a day of its own, AM-2 withdrawn, one dropped."""
    folder = make_source(tmp_path_factory.mktemp("record") / "in")
    with (folder / "readings.csv").open("a", encoding="utf-8") as file:
        for stage, at, reading in (
            ("as_found", "0.0", "0.15"),
            ("as_found", "5.01", "5.30"),
            ("as_left", "0.0", "0.00"),
            ("as_left", "5.01", "5.00"),
        ):
            vessel = "V-1" if at != "0.0" else ""
            for replicate in (1, 2):
                file.write(f"AM-1,{DAY},{stage},{at},{reading},{replicate},0.05,{vessel}\n")
    (folder / "marks.csv").write_text(
        "meter_id,performed_on,mark,mark_unit,action,remarks\n"
        f"AM-1,{DAY},52.1,kpa,moved,{HOSTILE}\n",
        encoding="utf-8",
    )
    (folder / "meters.csv").write_text(
        "meter_id,interval_days,status,maker,serial\n"
        "AM-1,91,active,some maker,0417\nAM-2,91,withdrawn,,\n",
        encoding="utf-8",
    )
    (folder / "service.csv").write_text(
        f"meter_id,performed_on,action\n{HOSTILE},2022-02-25,dropped\n", encoding="utf-8"
    )
    return folder


def test_a_record_holds_what_an_assessor_looks_for(source: Path, tmp_path: Path) -> None:
    """As found fails at both points, as left passes; vessel, U, mark, serial, lines to sign."""
    page, headline = write_visit(
        source, "AM-1", on=DAY, out=tmp_path / "out", as_of=LATE, policy=Policy()
    )
    assert headline.replace("\u00a0", " ") == "Conforms as left at 0 % and 5 %."
    text = page.read_text(encoding="utf-8").replace("\u00a0", " ")
    found, left = text.index("As found</caption>"), text.index("As left</caption>")
    assert text[found:left].count(">fails<") == 2
    assert text[left:].count(">passes<") == 2
    # Whether the last two agree is asked of what was left, and both points were read twice.
    assert "Last two" not in text[found:left]
    assert "read once" not in text
    assert text[left:].count(">agree<") == 2
    for words in (
        "5.3, 5.3",
        "V-1, calibrated 1 Feb 2022",
        "Initial pressure mark moved: 52.1 kPa",
        "0417",
        "U (k = 2)",
        "Checked by (name, signature)",
        "no calibration certificate",
    ):
        assert words in text
    assert HOSTILE not in text


def test_records_of_other_visits_stay_and_a_wrong_day_is_told(source: Path, tmp_path: Path) -> None:
    """By the command, the last visit where no day is given."""
    out = tmp_path / "out"
    ran = drift("visit", source, "AM-1", "--as-of", LATE, "--out", out)
    assert (ran.returncode, ran.stderr) == (0, "")
    write_visit(source, "AM-2", on=None, out=out, as_of=LATE, policy=Policy())
    names = sorted(path.name for path in out.iterdir())
    assert names == ["AM-1_2022-02-20.html", "AM-2_2021-10-15.html", "record.json"]
    wrong = drift("visit", source, "AM-1", "--on", "2022-02-21", "--out", out, "--as-of", LATE)
    assert wrong.returncode == 2
    assert "has no visit on 2022-02-21 on record" in wrong.stderr


def test_a_meter_may_be_seen_that_is_not_due(source: Path, tmp_path: Path) -> None:
    """New, withdrawn and dropped ones get their pages, files, rows and steps."""
    made = write_sheets(
        source,
        out=tmp_path / "out",
        as_of=AS_OF,
        due_by=None,
        policy=Policy(),
        asked=("AM-9", "AM-2", HOSTILE),
    )
    assert made.meters == ("AM-9", "AM-2", HOSTILE)
    assert {name: why.split(",")[0].split(":")[0] for name, why in made.occasions.items()} == {
        "AM-9": "First visit",
        "AM-2": "Withdrawn",
        HOSTILE: "Dropped on 25\u00a0Feb\u00a02022",
    }
    page = made.page.read_text(encoding="utf-8")
    for words in ("Establish the initial pressure mark", "change its status", "Check for leaks"):
        assert words in page
    blank = rows_of(tmp_path / "out" / "as_found" / "AM-9.csv")
    assert [row["correct_air_pct"] for row in blank] == ["0", "0", "", "", "", ""]
    sheet = openpyxl.load_workbook(made.book)["Readings"]
    heads = {cell.value: cell.column for cell in sheet[3]}
    why = {
        sheet.cell(row, 1).value: sheet.cell(row, heads["Why seen"]).value
        for row in range(4, sheet.max_row + 1)
        if sheet.cell(row, 1).value
    }
    assert why == {"AM-9": "before use", "AM-2": "before use", HOSTILE: "doubt"}
    assert read_round_book(made.book, today=LATE).tables == {}
    bench = made.bench.read_text(encoding="utf-8")
    assert "Withdrawn: before it is used again" in bench


def test_a_retired_meter_is_not_asked_for(source: Path, tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    for path in source.iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    with (folder / "meters.csv").open(encoding="utf-8") as file:
        rows = list(csv.reader(file))
    rows[1][2] = "retired"
    (folder / "meters.csv").write_text("\n".join(",".join(row) for row in rows) + "\n")
    with pytest.raises(DriftError, match="is retired"):
        write_sheets(
            folder,
            out=tmp_path / "out",
            as_of=AS_OF,
            due_by=None,
            policy=Policy(),
            asked=("AM-1",),
        )


@pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_paper_is_one_sheet_a_meter_and_one_a_record(
    source: Path, tmp_path: Path, paper: str
) -> None:
    """A list, then a sheet a meter, also with the steps of its occasion; a record is one sheet."""
    out = tmp_path / "out"
    sheets = write_sheets(
        source,
        out=out,
        as_of=AS_OF,
        due_by=None,
        policy=Policy(),
        asked=("AM-9", "AM-2", HOSTILE, "AM-1"),
    )
    record, _ = write_visit(
        source, "AM-1", on=DAY, out=tmp_path / "visits", as_of=LATE, policy=Policy()
    )
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        page = browser.new_page()
        leaves = []
        for file in (sheets.page, record):
            page.goto(file.as_uri())
            leaves.append(len(re.findall(rb"/Type\s*/Page\b(?!s)", page.pdf(format=paper))))
        assert page.evaluate("window.harmed === undefined")
        browser.close()
    assert leaves == [1 + 4, 1]
