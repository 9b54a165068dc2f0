"""Workbooks not as they should be are read, asked about or passed over with the reason."""

from datetime import date, datetime
from pathlib import Path

import pytest
import xlsxwriter

from drift.errors import SourceError
from drift.intake.layouts.answers import Answers, normal_key
from drift.intake.layouts.proposal import Proposal, propose
from drift.intake.layouts.records import read_records
from tests.layouts.truth import Visit, fleet, table
from tests.layouts.writing import book, text_file

TODAY = date(2026, 11, 30)
HEADER = ["Meter", "Date", "Stage", "Correct", "Reading"]


def read(records: Path, **answers: str) -> Proposal:
    given = {normal_key(key): value for key, value in answers.items()}
    return propose(read_records(records), answers=Answers(given), today=TODAY)


def lines(visits: list[Visit]) -> list[list[object]]:
    return [
        [v.meter, v.day, stage, point, reading]
        for v in visits
        for stage, readings in (("AF", v.found), ("AL", v.left))
        for point, reading in readings.items()
    ]


def table_lines(visits: list[Visit]) -> list[list[object]]:
    return [list(HEADER), *lines(visits)]


def told(proposal: Proposal) -> list[tuple[str, str, str, float | None, float | None]]:
    return sorted(
        (r.meter_id, r.performed_on.isoformat(), r.stage, r.correct_air_pct, r.reading_air_pct)
        for r in proposal.rows.readings
    )


def test_a_password_is_told(tmp_path: Path) -> None:
    """An encrypted workbook is a compound file and no zip; the sentence says what to do."""
    path = tmp_path / "log.xlsx"
    path.write_bytes(bytes.fromhex("d0cf11e0a1b11ae1") + bytes(4096))
    with pytest.raises(SourceError, match=r"password|cannot be read as a workbook"):
        read(path)


def test_a_file_that_is_no_workbook_is_told(tmp_path: Path) -> None:
    path = tmp_path / "log.xlsx"
    path.write_text("Meter,Date\n", encoding="utf-8")
    with pytest.raises(SourceError, match="cannot be read as a workbook"):
        read(path)


def test_formulas_without_values_are_not_taken_for_nothing(tmp_path: Path) -> None:
    """A reading that is a formula nobody worked out is listed as not understood."""
    made = xlsxwriter.Workbook(str(tmp_path / "log.xlsx"))
    sheet = made.add_worksheet("Log")
    for row, line in enumerate([HEADER, ["M-1", "2025-03-31", "AF", 5.0, 4.9]]):
        sheet.write_row(row, 0, line)
    sheet.write_row(2, 0, ["M-1", "2025-06-30", "AF", 5.0])
    sheet.write_formula(2, 4, "=E2+0.1", None, "")
    made.close()
    proposal = read(tmp_path / "log.xlsx")
    assert [r.reading_air_pct for r in proposal.rows.readings] == [4.9]
    assert proposal.marks[0].fates[2, 4] == ("unread", "a formula whose value is not stored")


def test_formulas_with_values_are_read_by_them(tmp_path: Path) -> None:
    made = xlsxwriter.Workbook(str(tmp_path / "log.xlsx"))
    sheet = made.add_worksheet("Log")
    sheet.write_row(0, 0, HEADER)
    sheet.write_row(1, 0, ["M-1", "2025-06-30", "AF", 5.0])
    sheet.write_formula(1, 4, "='[other.xlsx]Log'!A1", None, 4.8)
    made.close()
    assert [r.reading_air_pct for r in read(tmp_path / "log.xlsx").rows.readings] == [4.8]


def test_a_million_empty_rows_are_no_rows(tmp_path: Path) -> None:
    made = xlsxwriter.Workbook(str(tmp_path / "log.xlsx"))
    sheet = made.add_worksheet("Log")
    sheet.write_row(0, 0, HEADER)
    sheet.write_row(1, 0, ["M-1", "2025-03-31", "AF", 5.0, 4.9])
    sheet.write_blank(1_048_575, 0, None, made.add_format({"bold": True}))
    made.close()
    proposal = read(tmp_path / "log.xlsx")
    assert len(proposal.sheets[0].rows) == 2
    assert len(proposal.rows.readings) == 1


def test_charts_and_pictures_are_passed_over_with_the_reason(tmp_path: Path) -> None:
    made = xlsxwriter.Workbook(str(tmp_path / "log.xlsx"))
    sheet = made.add_worksheet("Log")
    for row, line in enumerate([HEADER, ["M-1", "2025-03-31", "AF", 5.0, 4.9]]):
        sheet.write_row(row, 0, line)
    made.add_worksheet("Photograph")
    chart = made.add_chart({"type": "line"})
    chart.add_series({"values": "=Log!$E$2:$E$2"})
    made.add_chartsheet("Drift").set_chart(chart)
    made.close()
    proposal = read(tmp_path / "log.xlsx")
    assert proposal.passed[1].startswith("it holds no cells")
    assert proposal.passed[2] == "it is a chart, not cells"
    assert len(proposal.rows.readings) == 1


def test_dates_of_the_1904_system_are_the_days_they_show(tmp_path: Path) -> None:
    made = xlsxwriter.Workbook(str(tmp_path / "log.xlsx"), {"date_1904": True})
    sheet, day = made.add_worksheet("Log"), made.add_format({"num_format": "d mmm yyyy"})
    sheet.write_row(0, 0, HEADER)
    sheet.write_row(1, 0, ["M-1", None, "AF", 5.0, 4.9])
    sheet.write_datetime(1, 1, datetime(2025, 3, 31), day)  # noqa: DTZ001
    made.close()
    (reading,) = read(tmp_path / "log.xlsx").rows.readings
    assert reading.performed_on == date(2025, 3, 31)


def test_hidden_sheets_are_read_and_named(tmp_path: Path) -> None:
    made = xlsxwriter.Workbook(str(tmp_path / "log.xlsx"))
    for name in ("Log", "Old"):
        sheet = made.add_worksheet(name)
        for row, line in enumerate([HEADER, [f"M-{name}", "2025-03-31", "AF", 5.0, 4.9]]):
            sheet.write_row(row, 0, line)
    made.worksheets()[1].hide()
    made.close()
    proposal = read(tmp_path / "log.xlsx")
    assert [sheet.hidden for sheet in proposal.sheets] == [False, True]
    assert len(proposal.rows.readings) == 2


def test_one_visit_on_two_sheets_with_other_values_is_asked(tmp_path: Path) -> None:
    """Both values are shown; the answer takes the one and not the other."""
    visits = fleet(meters=1, visits=2)
    changed = [[*line[:4], float(str(line[4])) + 0.3] for line in lines(visits)[:1]]
    path = book(
        tmp_path / "log.xlsx",
        {
            "Log": table_lines(visits),
            "Copy": [*table_lines(visits[:0]), *lines(visits)[1:], *changed],
        },
    )
    proposal = read(path)
    (question,) = proposal.questions
    assert question.key == f"visits.{visits[0].meter} {visits[0].day.isoformat()}"
    assert len(question.choices) == 2
    assert set(told(proposal)) < set(table(visits))
    answered = read(path, **{question.key: "Log"})
    assert told(answered) == table(visits)
    assert not answered.questions


def test_one_visit_on_two_sheets_with_the_same_values_counts_once(tmp_path: Path) -> None:
    visits = fleet(meters=2, visits=2)
    both = table_lines(visits)
    proposal = read(book(tmp_path / "log.xlsx", {"Log": both, "Copy": both}))
    assert told(proposal) == table(visits)
    assert not proposal.questions


def test_ok_without_a_number_is_a_pass_and_no_reading(tmp_path: Path) -> None:
    path = text_file(tmp_path / "log.csv", [HEADER, ["M-1", "2025-03-31", "AF", 5.0, "OK"]])
    (kept,) = read(path).rows.readings
    assert kept.passed is True
    assert kept.reading_air_pct is None


def test_dates_turned_about_by_a_spreadsheet_are_asked(tmp_path: Path) -> None:
    """3/4 became a date and 31/3 stayed a text: that is what the wrong order of days leaves."""
    days: list[object] = [date(2025, 4, 3), "31/03/2025", date(2025, 12, 6), "30/09/2025"]
    proposal = read(
        book(tmp_path / "log.xlsx", {"Log": [HEADER, *(["M-1", d, "AF", 5.0, 4.9] for d in days)]})
    )
    assert [question.key for question in proposal.questions] == ["dates.typed"]


def test_figures_far_from_their_point_are_asked_not_read(tmp_path: Path) -> None:
    """A column that says reading and holds pressures makes no reading."""
    rows = [["M-1", f"2025-0{month}-01", "AF", 5.0, 14.9] for month in range(1, 6)]
    proposal = read(text_file(tmp_path / "log.csv", [HEADER, *rows]))
    assert not proposal.rows.readings
    assert [question.key for question in proposal.questions] == ["columns.Reading"]


def test_a_future_day_is_no_visit(tmp_path: Path) -> None:
    path = text_file(tmp_path / "log.csv", [HEADER, ["M-1", "2027-03-31", "AF", 5.0, 4.9]])
    proposal = read(path)
    assert not proposal.rows.readings
    assert "lies in the future" in proposal.marks[0].fates[1, 1][1]


@pytest.mark.parametrize("cell", ["=1+1", "<script>alert(1)</script>", "\x00\x1b[31m", "9" * 4000])
def test_a_hostile_cell_is_text(cell: str, tmp_path: Path) -> None:
    path = text_file(tmp_path / "log.csv", [HEADER, ["M-1", "2025-03-31", "AF", 5.0, cell]])
    proposal = read(path)
    assert not [r for r in proposal.rows.readings if r.reading_air_pct is not None]
    assert proposal.marks[0].fates[1, 4][0] == "unread"


def test_one_name_in_two_files_is_asked_where_the_visits_interleave(tmp_path: Path) -> None:
    inside = tmp_path / "labs"
    inside.mkdir()
    header = ["Date", "AF 5", "AL 5"]
    for file, shift in (("North.xlsx", 0), ("South.xlsx", 10)):
        rows = [[date(2025, month, 1 + shift), 4.9, 5.0] for month in (1, 4, 7)]
        book(inside / file, {"M-1": [header, *rows], "M-2": [header, *rows[:1]]})
    (question,) = read(inside).questions
    assert question.key == "same_meters"
    apart = {r.meter_id for r in read(inside, same_meters="apart").rows.readings}
    assert {"North M-1", "South M-1"} <= apart
    assert "M-1" in {r.meter_id for r in read(inside, same_meters="one").rows.readings}
