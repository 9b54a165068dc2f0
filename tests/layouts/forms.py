"""Layouts of forms and of sheets that stand for a meter, a year or a visit."""

from pathlib import Path
from typing import Any

from tests.layouts.logs import long_rows
from tests.layouts.truth import Visit
from tests.layouts.writing import book, text_file

# What the vessels of 5 and 10 % truly hold.
VESSELS = {5.0: 4.97, 10.0: 9.92}


def _by_meter(visits: list[Visit]) -> dict[str, list[Visit]]:
    return {
        meter: [v for v in visits if v.meter == meter]
        for meter in sorted({v.meter for v in visits})
    }


def sheet_a_meter(folder: Path, visits: list[Visit]) -> Path:
    sheets = {}
    for meter, own in _by_meter(visits).items():
        lines: list[list[Any]] = [
            ["Air meter calibration record"],
            [],
            [
                "Date",
                "Found 0 %",
                "Found 5 %",
                "Found 10 %",
                "Left 0 %",
                "Left 5 %",
                "Left 10 %",
                "Initials",
            ],
        ]
        lines += [[v.day, *v.found.values(), *v.left.values(), v.operator] for v in own]
        sheets[meter] = lines
    sheets["Summary"] = [["Meter", "Visits"], *([meter, 6] for meter in sheets)]
    return book(folder / "meters.xlsx", sheets)


def sheet_a_year(folder: Path, visits: list[Visit]) -> Path:
    sheets = {}
    for year in sorted({v.day.year for v in visits}):
        lines: list[list[Any]] = [["Meter", "Date", "Stage", "0 %", "5 %", "10 %"]]
        for v in visits:
            if v.day.year == year:
                lines.append([v.meter, f"{v.day:%d %b}", "found", *v.found.values()])
                lines.append([v.meter, f"{v.day:%d %b}", "left", *v.left.values()])
        sheets[str(year)] = lines
    return book(folder / "years.xlsx", sheets)


def _form(v: Visit) -> list[list[Any]]:
    rows: list[list[Any]] = [
        ["Verification of an air meter"],
        ["Meter No.:", v.meter, "", "Date:", v.day],
        ["Technician:", v.operator, "", "Water temp. °C:", 21],
        ["R of the 5 % vessel:", VESSELS[5.0], "", "R of the 10 % vessel:", VESSELS[10.0]],
        [],
        ["Point", "As found", "As left"],
    ]
    rows += [[f"{p:g} %", v.found[p], v.left[p]] for p in v.found]
    return [*rows, [], ["Checked by", "AB"]]


def visit_form(folder: Path, visits: list[Visit]) -> Path:
    return book(
        folder / "forms.xlsx", {f"Visit {number}": _form(v) for number, v in enumerate(visits, 1)}
    )


def stacked_forms(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[Any]] = []
    for v in visits:
        lines += [
            [f"Meter: {v.meter}   Date: {v.day.isoformat()}   Operator: {v.operator}"],
            ["Correct air, %", "As found", "As left"],
            *([p, v.found[p], v.left[p]] for p in v.found),
            [],
        ]
    return book(folder / "forms.xlsx", {"Sheet1": lines})


def vessel_sheet(folder: Path, visits: list[Visit]) -> Path:
    names = {0.0: "", 5.0: "V-5", 10.0: "V-10"}
    lines: list[list[Any]] = [["Meter", "Date", "Stage", "Point", "Vessel", "Reading"]]
    lines += [[v.meter, v.day, s, p, names[p], r] for v, s, p, r in long_rows(visits)]
    vessels: list[list[Any]] = [
        ["Vessel", "Calibrated on", "Air content, %"],
        ["V-5", visits[0].day, VESSELS[5.0]],
        ["V-10", visits[0].day, VESSELS[10.0]],
    ]
    return book(folder / "log.xlsx", {"Log": lines, "Vessels": vessels})


def file_a_meter(folder: Path, visits: list[Visit]) -> Path:
    inside = folder / "records"
    inside.mkdir()
    for meter, own in _by_meter(visits).items():
        lines: list[list[Any]] = [["Date", "AF0", "AF5", "AF10", "AL0", "AL5", "AL10"]]
        lines += [[v.day, *v.found.values(), *v.left.values()] for v in own]
        text_file(inside / f"{meter}.csv", lines)
    return inside
