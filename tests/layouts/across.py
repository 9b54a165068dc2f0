"""Layouts with days, meters or quarters across."""

from datetime import date
from pathlib import Path

from tests.layouts.truth import Visit
from tests.layouts.writing import book, text_file

FIRST = date(2025, 1, 14)
_STAGES = (("As found", "found"), ("As left", "left"))


def dates_across(folder: Path, visits: list[Visit]) -> Path:
    sheets = {}
    for meter in sorted({v.meter for v in visits}):
        own = [v for v in visits if v.meter == meter]
        lines: list[list[object]] = [["Stage", "Point", *(v.day for v in own)]]
        for point in own[0].found:
            lines.append(["As found", f"{point:g} %", *(v.found[point] for v in own)])
            lines.append(["As left", f"{point:g} %", *(v.left[point] for v in own)])
        sheets[meter] = lines
    return book(folder / "meters.xlsx", sheets)


def meters_across(folder: Path, visits: list[Visit]) -> Path:
    """One sheet for each session; meters of one session share its day here."""
    lines: list[list[object]] = []
    for day in sorted({v.day for v in visits}):
        own = [v for v in visits if v.day == day]
        lines += [["Session of", day], ["Stage", "Point", *(v.meter for v in own), "Z-999"]]
        for point in own[0].found:
            lines.append(["As found", point, *(v.found[point] for v in own), "n/a"])
            lines.append(["As left", point, *(v.left[point] for v in own), "n/a"])
        lines.append([])
    return book(folder / "sessions.xlsx", {"Sessions": lines})


def quarters_across(folder: Path, visits: list[Visit]) -> Path:
    """One reading a quarter, with its day without a year; the title has the year."""
    lines: list[list[object]] = [
        ["Air meter checks 2025, as found at 5 %"],
        ["Meter", "Q1", "", "Q2", "", "Q3", "", "Q4", ""],
        ["", *["Day", "As found 5 %"] * 4],
    ]
    for meter in sorted({v.meter for v in visits}):
        line: list[object] = [meter]
        own = {(v.day.month + 2) // 3: v for v in visits if v.meter == meter}
        for quarter in range(1, 5):
            v = own.get(quarter)
            line += [f"{v.day:%d %b}", v.found[5.0]] if v else ["", ""]
        lines.append(line)
    return text_file(folder / "quarters.csv", [["Air meter checks 2025"], *lines[1:]])


def turned(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [
        ["Meter", *(v.meter for v in visits)],
        ["Date", *(v.day for v in visits)],
        ["Technician", *(v.operator for v in visits)],
    ]
    for word, name in _STAGES:
        lines.extend(
            [f"{word} {point:g} %", *(getattr(v, name)[point] for v in visits)]
            for point in visits[0].found
        )
    return book(folder / "turned.xlsx", {"Data": lines})
