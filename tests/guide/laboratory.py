"""The laboratory of the guide's screens: six meters of the sample, since 2023."""

import csv
from datetime import date
from pathlib import Path

from tests.intake.book_hands import Book
from tests.layouts.writing import book
from tests.sample_files import rows

# Drifting, reset by the hand, moved by the mark, failed, steady, overdue.
METERS = frozenset({"AM-05", "AM-06", "AM-07", "AM-09", "AM-11", "AM-18"})
SINCE = "2023"
TABLES = ("readings", "marks", "meters", "vessels", "service", "field_tests")
# The day on which the guide's commands are given.
TODAY = "2026-10-01"
_STAGES = {"as_found": "As found", "as_left": "As left"}


def write_history(folder: Path, *, since: str = SINCE) -> Path:
    """Write the laboratory's history as tables, from a year on."""
    folder.mkdir(parents=True)
    for table in TABLES:
        kept = _kept(table, since=since)
        with (folder / f"{table}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(kept[0]))
            writer.writeheader()
            writer.writerows(kept)
    return folder


def write_log(folder: Path) -> Path:
    """Write the readings as the workbook that a laboratory keeps: a line a reading."""
    head = ["Meter No.", "Date", "Condition", "Correct air", "Gauge reading", "Trial", "Tech"]
    lines: list[list[object]] = [list(head)]
    lines += [
        [
            row["meter_id"],
            row["performed_on"],
            _STAGES[row["stage"]],
            float(row["correct_air_pct"]),
            float(row["reading_air_pct"]),
            int(row["replicate"]),
            row["operator"],
        ]
        for row in _kept("readings")
    ]
    return book(folder / "log.xlsx", {"Log": lines})


def fill_in(sheet: Path, meter: str, *, day: str, biases: dict[float, float]) -> Path:
    """Fill in a file of the visit sheet as a technician does: day and readings."""
    path = sheet / "as_found" / f"{meter}.csv"
    with path.open(encoding="utf-8", newline="") as file:
        blanks = list(csv.DictReader(file))
    for row in blanks:
        point = float(row["correct_air_pct"])
        row["performed_on"] = day
        row["reading_air_pct"] = f"{point + biases[round(point)]:.2f}"
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(blanks[0]))
        writer.writeheader()
        writer.writerows(blanks)
    return path


def write_study(folder: Path) -> None:
    """Write a study beside a history: three operators, two meters, one point, three readings."""
    head = "study_id,operator,meter_id,performed_on,stage,correct_air_pct,reading_air_pct,replicate"
    lines = [
        f"REP-2026,tech-{operator},{meter},{TODAY},as_found,5.01,{reading:.2f},{number}"
        for operator in (1, 2, 3)
        for meter in ("AM-05", "AM-11")
        for number, reading in enumerate((5.0, 5.05, 4.95 + 0.05 * (operator % 2)), start=1)
    ]
    (folder / "studies.csv").write_text("\n".join([head, *lines, ""]), encoding="utf-8")


def fill_round(sheet: Path) -> None:
    """Type what AM-11 reads into the workbook of a round: it reads right."""
    path = sheet / f"round-{TODAY}.xlsx"
    filled = Book(path)
    for point, reading in ((0, 0.0), (5, 5.0), (10, 10.05)):
        rows = filled.read("AM-11", "as found", point, reading, reading)
        filled.put("Readings", rows[0], Date=date.fromisoformat(TODAY), Operator="tech-1")
    filled.save(path)


def _kept(table: str, *, since: str = SINCE) -> list[dict[str, str]]:
    """Return the sample's rows of these meters that can be read, since the year, or of no meter."""
    days = ("performed_on", "tested_on")
    return [
        row
        for row in rows(table)
        if row.get("meter_id", "AM-05") in METERS
        and all(row.get(day, since) >= since for day in days)
        and row.get("reading_air_pct", "0").replace(".", "").isdigit()
    ]
