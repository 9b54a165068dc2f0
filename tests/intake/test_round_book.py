"""A round's workbook: blind, protected, and taken back by whatever program it was saved."""

import os
import re
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import polars as pl
import pytest

from drift.api.bench import check
from drift.api.bench_visits import half_done_in
from drift.api.importing import propose_import
from drift.api.records_folder import start_folder, take_in_new
from drift.api.sheets import write_sheets
from drift.api.sources import intake, read_known
from drift.errors import DriftError, SourceError
from drift.intake.round_book import is_round_book, read_round_book
from drift.meter.tolerance import UNITS_PER_PCT, limit_and_step, within_tolerance_values
from drift.report.round_book import _edge
from drift.review.policy import Policy
from tests.intake.book_hands import SOFFICE, Book, saved_by_office
from tests.review.test_sheet import AS_OF, DUE_BY, FORMULA, HOSTILE, make_source

TODAY = date(2022, 6, 1)
LATE = date(2022, 6, 30)
DAY = date(2022, 4, 14)
NEEDED = bool(os.environ.get("DRIFT_TESTS_NEED_BROWSER"))


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write four meters, two with ids chosen to do harm; AM-1 has a bowl of its own."""
    folder = make_source(tmp_path_factory.mktemp("round") / "in")
    (folder / "bowls.csv").write_text(
        "meter_id,measured_on,bowl_water_mass_g\nAM-1,2022-01-20,7100\n", encoding="utf-8"
    )
    with (folder / "vessels.csv").open("a", encoding="utf-8") as file:
        file.write("V-2,2022-02-01,175.0,7080\n")
    late = "".join(f"AM-2,2022-02-10,as_found,0.0,0.30,{n},0.05,tech-1\n" for n in (1, 2))
    head = "meter_id,performed_on,stage,correct_air_pct,reading_air_pct,replicate,resolution_pct"
    (folder / "late.csv").write_text(f"{head},operator\n{late}", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def book_file(source: Path) -> Path:
    out = source.parent / "out"
    return write_sheets(source, out=out, as_of=AS_OF, due_by=DUE_BY, policy=Policy()).book


@pytest.fixture
def book(book_file: Path) -> Book:
    return Book(book_file)


@pytest.fixture(scope="module")
def store(source: Path) -> Path:
    path = source.parent / "store.duckdb"
    intake(source, store=path)
    return path


def taken(path: Path, store: Path, folder: Path) -> Any:
    """Load a workbook into a copy of the store, twice; return what is on record then."""
    mine = folder / "mine.duckdb"
    mine.write_bytes(store.read_bytes())
    summary = intake(path, store=mine)
    assert summary.held_back.is_empty()
    assert intake(path, store=mine).files["taken"].sum() == 0
    return read_known(mine, as_of=LATE, policy=Policy())


def readings(text: str) -> list[tuple[str, ...]]:
    """Return the rows of a table of readings: meter, day, stage, correct and reading."""
    return [tuple(line.split(",")[:5]) for line in text.splitlines()[1:] if line]


def test_it_is_blind_unless_asked(source: Path, book_file: Path, tmp_path: Path) -> None:
    """Correct values are hidden, expected ones are not there; asked for, both are shown."""
    blind = openpyxl.load_workbook(book_file)["Readings"]
    heads = [cell.value for cell in blind[3]]
    correct = openpyxl.utils.get_column_letter(heads.index("Correct, % air") + 1)
    assert blind.column_dimensions[correct].hidden
    assert not [head for head in heads if head and head.startswith("Expected")]
    open_eyed = write_sheets(
        source,
        out=tmp_path / "out",
        as_of=AS_OF,
        due_by=DUE_BY,
        policy=Policy(),
        show_expected=True,
    ).book
    shown = openpyxl.load_workbook(open_eyed)["Readings"]
    assert not shown.column_dimensions[correct].hidden
    (at,) = Book(open_eyed).rows("Readings", Meter="AM-1", Stage="as found", Point=5, No=1)
    row = {cell.value: shown.cell(at, cell.column).value for cell in shown[3]}
    assert row["Expected from"] <= 5.0 <= row["Expected to"]


def test_what_is_not_typed_is_protected(book_file: Path) -> None:
    """Meter, stage and correct value are locked, readings and free rows are not."""
    for sheet in openpyxl.load_workbook(book_file).worksheets:
        assert sheet.protection.sheet
    book = Book(book_file)
    sheet, heads = book.book["Readings"], book.heads("Readings")
    for head, locked in (("Meter", True), ("Stage", True), ("Reading, % air", False)):
        assert sheet.cell(4, heads[head]).protection.locked is locked
    assert sheet.cell(sheet.max_row, heads["Meter"]).protection.locked is False
    lists = [rule for rule in sheet.data_validations.dataValidation if rule.type == "list"]
    assert {place.min_col for rule in lists for place in rule.sqref.ranges} >= {
        heads[head] for head in ("Meter", "Stage", "Vessel", "Operator")
    }
    words = {tab: book.book[tab].data_validations.dataValidation for tab in ("Marks", "Work")}
    assert all(any(rule.type == "list" for rule in rules) for rules in words.values())


@pytest.mark.parametrize("comparison", ["absolute", "rounding"])
@pytest.mark.parametrize("tolerance", [0.1, 0.2, 0.15, 0.25])
def test_a_cell_turns_red_where_the_rule_says_out(comparison: str, tolerance: float) -> None:
    """The whole number that the formula compares with parts what the rule of the review parts."""
    limit, step = limit_and_step(tolerance, comparison)
    edge = _edge({"limit": limit, "step": step})
    units = np.arange(0, round(0.5 * UNITS_PER_PCT), UNITS_PER_PCT // 2000)
    units = np.concatenate([units, [edge - 1, edge, edge + 1]])
    inside = within_tolerance_values(
        units / UNITS_PER_PCT, tolerance=tolerance, comparison=comparison
    )
    assert (units <= edge).tolist() == inside.tolist()


def test_a_blank_workbook_holds_nothing(book_file: Path, store: Path) -> None:
    """It is known as drift's whatever it is called; nothing in it is held back."""
    assert is_round_book(book_file)
    told = read_round_book(book_file, today=TODAY)
    assert told.tables == {}
    assert len(told.notes) == 1
    assert told.notes[0].startswith("Not begun: 4 meters (AM-2, ")
    with pytest.raises(SourceError, match="holds no reading yet"):
        intake(book_file, store=store)
    with pytest.raises(DriftError, match="needs no layout"):
        propose_import(
            book_file,
            into=store.parent / "into",
            out=store.parent / "import",
            layout=None,
            given={},
            today=TODAY,
        )


def fill_in(book: Book, *, dates: str) -> None:
    """Fill in a round as hands do: a date once a meter, texts, commas, work and answers."""
    book.read("AM-1", "as found", 0, 0.0, "0,05", Date=DAY, Operator="tech-2", Water="21,5")
    book.read("AM-1", "as found", 5, " 4.95 ", 5)
    book.read("AM-1", "as found", 10, "10,00 %", 10.05)
    rows = book.read("AM-2", "as found", 0, 0.15, 0.15)
    book.put("Readings", rows[0], Date=DAY.strftime(dates), Operator="tech-1")
    book.read("AM-2", "as found", 5, 5.3)
    book.read("AM-2", "as left", 0, 0, 0)
    mark = book.rows("Marks", Meter="AM-2")[0]
    book.put("Marks", mark, Mark="-0,35", What_was_done_to_the_mark="moved", Operator="tech-1")
    book.put("Work", 4, Meter="AM-2", Work_done_or_mishap="Seal replaced", Operator="tech-1")
    free = book.rows("Readings", Meter=None)[:2]
    for row, reading in zip(free, ("4,95", 5.0), strict=True):
        book.put("Readings", row, Meter="AM-9", Stage="as found", Point=5, Vessel="V-1", Draws=1)
        book.put("Readings", row, Date=datetime(2022, 4, 14, 9, 30), Reading=reading)  # noqa: DTZ001
    book.put("New meters", 4, Meter="AM-9", In_service_on=DAY.strftime(dates), Site="north")
    book.put("Checks", 4, Meter="AM-1", Date=DAY, Check="leak", Found="no")
    decided = book.rows("Decisions", Meter="AM-2")[0]
    words = {"Decision_on_results": "results stand", "Decided_by": "quality manager"}
    book.put("Decisions", decided, **words, Decided_on=DAY.strftime(dates))
    signal = book.rows("Open signals", Meter="AM-2")[0]
    book.put("Open signals", signal, Finding="mark moved", Action_taken="seen", By="tech-1", On=DAY)


@pytest.mark.skipif(SOFFICE is None and not NEEDED, reason="no soffice on this machine")
@pytest.mark.parametrize(
    "way",
    [
        ("en-US", "%m/%d/%Y", "xlsx"),
        ("de-DE", "%d.%m.%Y", "xlsx"),
        ("fr-FR", "%d/%m/%Y", "xlsx"),
        ("de-DE", "%d.%m.%Y", "ods"),
    ],
    ids=lambda way: f"{way[0]} {way[2]}",
)
def test_a_workbook_saved_anywhere_gives_the_same_rows(
    book: Book, store: Path, tmp_path: Path, way: tuple[str, str, str]
) -> None:
    """Typed and text dates of the country, commas and points: the rows as typed, in their rows."""
    locale, dates, form = way
    fill_in(book, dates=dates)
    typed = book.save(tmp_path / "round.xlsx")
    saved = saved_by_office(typed, tmp_path, locale=locale, form=form)
    told, plain = (read_round_book(path, today=TODAY) for path in (saved, typed))
    ends = {name.removeprefix(saved.name): text for name, text in told.tables.items()}
    assert ends == {name.removeprefix(typed.name): text for name, text in plain.tables.items()}
    assert told.notes == plain.notes
    sources = taken(saved, store, tmp_path)
    day = sources.sessions.filter(pl.col("performed_on") == DAY).sort("meter_id", "point_pct")
    found = day.filter(pl.col("stage") == "as_found")
    assert found.select("meter_id", "correct_air_pct").rows() == [
        ("AM-1", 0.0),
        # 355.0/7100 on the bowl of AM-1, 355.0/7080 on any other.
        ("AM-1", 5.0),
        ("AM-1", 10.0),
        ("AM-2", 0.0),
        ("AM-2", 5.01),
        ("AM-9", 5.01),
    ]
    assert found["replicates"].to_list() == [2, 2, 2, 2, 1, 2]
    mark = sources.marks.filter(pl.col("performed_on") == DAY)
    assert mark.select("meter_id", "mark", "action").rows() == [("AM-2", -0.35, "moved")]
    assert sources.service["action"].to_list() == ["seal_replaced"]
    assert sources.decisions.select("meter_id", "decided_on").rows() == [("AM-2", DAY)]
    assert sources.responses["finding"].to_list() == ["mark moved"]
    assert sources.checks.select("check", "value").rows()[0][0] == "leak"


def test_other_programs_move_things_about(book: Book, tmp_path: Path) -> None:
    """Rows above the head, empty rows, merged days, a new column, struck and bare cells."""
    rows = book.read("AM-1", "as found", 0, 0.0, 0.0)
    sheet, heads = book.book["Readings"], book.heads("Readings")
    sheet.cell(rows[0], heads["Date"]).value = 44665  # a day number: 2022-04-14
    sheet.merge_cells(
        start_row=rows[0], end_row=rows[1], start_column=heads["Date"], end_column=heads["Date"]
    )
    struck = book.read("AM-1", "as found", 5, 9.2, 5.0, 5.05)[0]
    cell = sheet.cell(struck, heads["Reading, % air"])
    cell.font = openpyxl.styles.Font(strike=True)
    sheet.cell(3, sheet.max_column + 1).value = "Initials"
    sheet.cell(rows[0], sheet.max_column).value = "ab"
    sheet.insert_rows(1, 3)
    sheet.insert_rows(struck + 4, 2)
    del book.book["Values"]
    book.book["Readings"].title = "Readings - Table 1"
    told = read_round_book(book.save(tmp_path / "round.xlsx"), today=TODAY)
    (text,) = told.tables.values()
    assert [row[1:] for row in readings(text)] == [
        ("2022-04-14", "as_found", "0", "0"),
        ("2022-04-14", "as_found", "0", "0"),
    ] + [("2022-04-14", "as_found", "", reading) for reading in ("5", "5.05")]
    assert text.splitlines()[rows[0] + 2].startswith("AM-1,2022-04-14")
    said = " ".join(told.notes)
    assert f"Readings row {struck + 3}: Reading, % air is struck out and left out." in said
    assert "the column Initials is none of this tab" in said
    assert "AM-1: not read as found at 10 %." in said


def test_what_is_half_done_is_told(source: Path, book: Book, tmp_path: Path) -> None:
    """By check too, and nothing that is blank is held back."""
    fill_in(book, dates="%Y-%m-%d")
    note = book.rows("Readings", Meter="AM-2", Stage="as found", Point=10)[0]
    book.put("Readings", note, Remarks="vessel away")
    path = book.save(tmp_path / "round.xlsx")
    assert list(half_done_in(path)) == [
        "AM-2: not read as found at 10 %.",
        "AM-2: read as found once at 5 %; two successive readings decide.",
        "AM-2: not read as left at 5 % and 10 %.",
        f"Readings row {note}: remarks without a reading are left out.",
        half_done_in(path)[-1],
    ]
    assert half_done_in(path)[-1].startswith("Not begun: 2 meters")
    found = check(source, path, as_of=AS_OF, policy=Policy())
    assert found.held_back.is_empty()
    told = {(row["meter_id"], row["verdict"]) for row in found.verdicts}
    assert ("AM-2", "out_of_tolerance") in told
    assert [row["meter_id"] for row in found.advice] == ["AM-2"]


def test_a_day_that_may_be_a_month_is_asked_for(book: Book, tmp_path: Path) -> None:
    """4/5/2022 is held back in its row; together with 4/14/2022 it is the fifth of April."""
    rows = book.read("AM-1", "as found", 0, 0.0, 0.0, Date="4/5/2022")
    path = book.save(tmp_path / "round.xlsx")
    assert "4/5/2022 may have the day or the month first" in half_done_in(path)[-1]
    summary = intake(path, store=tmp_path / "new.duckdb")
    assert summary.held_back.select("file", "line", "column").rows() == [
        ("round.xlsx.readings.csv", row, "performed_on") for row in rows
    ]
    book.read("AM-2", "as found", 0, 0.0, 0.0, Date="4/14/2022")
    told = read_round_book(book.save(path), today=TODAY)
    days = {row[1] for row in readings(told.tables["round.xlsx.readings.csv"])}
    assert days == {"2022-04-05", "2022-04-14"}


def test_another_vessel_has_another_value(book: Book, tmp_path: Path) -> None:
    """100 · 175.0/7100 on the bowl of AM-1, drawn off twice; one nobody knows is held back."""
    (row,) = book.read("AM-1", "as found", 5, 4.95, Vessel="V-2", Draws=2, Date=DAY)
    (other,) = book.read("AM-1", "as found", 10, 10.0, Vessel="V-9")
    path = book.save(tmp_path / "round.xlsx")
    text = read_round_book(path, today=TODAY).tables["round.xlsx.readings.csv"]
    assert [row[3] for row in readings(text)] == ["4.93", ""]
    held = intake(path, store=tmp_path / "new.duckdb").held_back
    assert held.select("line", "column").rows() == [(other, "correct_air_pct")]
    assert row < other


def test_names_that_look_like_formulas_stay_texts(book: Book, store: Path, tmp_path: Path) -> None:
    """No cell but two columns of formulas runs, and such meters are read like any."""
    sheet = book.book["Readings"]
    runs = {
        sheet.cell(3, cell.column).value
        for row in sheet.iter_rows(min_row=4)
        for cell in row
        if cell.data_type == "f"
    }
    assert runs == {"Says", "Correct, % air"}
    for meter in (HOSTILE, FORMULA):
        book.read(meter, "as found", 5, 5.0, 5.0, Date=DAY, Operator="=2+3")
    for row in sheet.iter_rows(min_row=4):
        for cell in row:
            if str(cell.value) == "=2+3":
                cell.data_type = "s"
    sources = taken(book.save(tmp_path / "round.xlsx"), store, tmp_path)
    day = sources.sessions.filter(pl.col("performed_on") == DAY)
    assert set(day["meter_id"]) == {HOSTILE, FORMULA}
    assert set(day["operator"]) == {"=2+3"}


def test_a_records_folder_takes_in_a_workbook(book: Book, tmp_path: Path) -> None:
    """Grown it takes its own place; corrected it stands beside itself, and the later row counts."""
    place = start_folder(tmp_path / "lab", laboratory="Test")
    path = place.incoming / "round.xlsx"
    book.read("AM-1", "as found", 0, 0.0, Date=DAY)
    book.save(path)
    name = "round.xlsx.readings.csv"
    assert take_in_new(place, today=TODAY).copied == (name,)
    assert take_in_new(place, today=TODAY).copied == ()
    book.read("AM-1", "as found", 0, 0.0, 0.05)
    book.save(path)
    assert take_in_new(place, today=TODAY).copied == (name,)
    book.read("AM-1", "as found", 0, 0.05, 0.05)
    book.save(path)
    assert take_in_new(place, today=TODAY).copied == ("round.xlsx.readings_2.csv",)
    sources = read_known(place.history, as_of=LATE, policy=Policy())
    assert sources.sessions["biases_pct"].to_list() == [[0.05, 0.05]]
    assert sources.amendments["new_value"].to_list() == ["0.05"]


def test_a_folder_of_tables_may_write_dates_its_own_way(
    source: Path, book: Book, tmp_path: Path
) -> None:
    """Beside tables with month first a workbook's rows are written so too."""
    folder = tmp_path / "in"
    folder.mkdir()
    (folder / "mapping.toml").write_text('[dates]\nformat = "%m/%d/%Y"\n', encoding="utf-8")
    for path in source.glob("*.csv"):
        text = re.sub(r"(\d{4})-(\d\d)-(\d\d)", r"\2/\3/\1", path.read_text(encoding="utf-8"))
        (folder / path.name).write_text(text, encoding="utf-8")
    book.read("AM-1", "as found", 0, 0.0, 0.0, Date=DAY)
    book.save(folder / "round.xlsx")
    sources = read_known(folder, as_of=LATE, policy=Policy())
    assert sources.held_back.is_empty()
    assert sources.sessions["performed_on"].max() == DAY


@pytest.mark.skipif(SOFFICE is None and not NEEDED, reason="no soffice on this machine")
def test_a_formula_counts_by_its_value(book: Book, tmp_path: Path) -> None:
    """Saved by a program that works it out; without a value it is told, and is no reading."""
    (row,) = book.read("AM-1", "as found", 5, "=4.9+0.1", Date=DAY)
    typed = book.save(tmp_path / "round.xlsx")
    told = read_round_book(typed, today=TODAY)
    assert told.tables == {}
    assert any(f"row {row}: Reading, % air is a formula without" in one for one in told.notes)
    saved = saved_by_office(typed, tmp_path, locale="en-US")
    (text,) = read_round_book(saved, today=TODAY).tables.values()
    assert [line[4] for line in readings(text)] == ["5"]
