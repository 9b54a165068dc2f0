"""Layouts with something unusual in their cells."""

from pathlib import Path

import xlsxwriter

from tests.layouts.logs import long_rows
from tests.layouts.truth import Visit, table
from tests.layouts.writing import book, text_file

# 100 · 350 g / (15.4 lb · 453.59237 g/lb)
WEIGHED = 5.0105


def arrows(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [["Meter", "Date", *(f"{p:g} %" for p in visits[0].found)]]
    lines += [[v.meter, v.day, *(f"{v.found[p]} -> {v.left[p]}" for p in v.found)] for v in visits]
    return text_file(folder / "log.csv", lines)


def strokes(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [["Meter", "Date", *(f"{p:g} %" for p in visits[0].found)]]
    lines += [[v.meter, v.day, *(f"{v.found[p]}/{v.left[p]}" for p in v.found)] for v in visits]
    return text_file(folder / "log.csv", lines)


def headed_strokes(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [["Meter", "Date", *(f"AF/AL at {p:g} %" for p in visits[0].found)]]
    lines += [[v.meter, v.day, *(f"{v.found[p]}/{v.left[p]}" for p in v.found)] for v in visits]
    return text_file(folder / "log.csv", lines)


def dittos(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [["Meter", "Date", "Stage", "Point", "Reading"]]
    last: tuple[object, ...] = ()
    for v, s, p, r in long_rows(visits):
        first = (v.meter, v.day) != last
        last = (v.meter, v.day)
        if first:
            lines.append([v.meter, v.day, s, p, r])
        elif s == "As found":
            lines.append(['"', '"', "do.", p, r])
        else:
            lines.append(["", "", s, p, r])
    return book(folder / "log.xlsx", {"Log": lines})


def struck(folder: Path, visits: list[Visit]) -> Path:
    made = xlsxwriter.Workbook(str(folder / "log.xlsx"))
    line, day = (
        made.add_format({"font_strikeout": True}),
        made.add_format({"num_format": "d mmm yyyy"}),
    )
    sheet = made.add_worksheet("Log")
    header = ["Meter", "Date", "Stage", "Correct", "Reading", "Notes"]
    sheet.write_row(0, 0, header)
    row = 1
    for number, (v, s, p, r) in enumerate(long_rows(visits)):
        if number % 20 == 19:
            sheet.write_row(row, 0, header)
            row += 1
        if number % 11 == 0:
            sheet.write_row(row, 0, [v.meter, "1 Jan 2025", s, p, r + 0.5, "wrong meter"], line)
            row += 1
        if number % 13 == 0:
            sheet.write_row(row, 0, [v.meter, "1 Jan 2025", s, p, r + 0.5, "VOID"])
            row += 1
        sheet.write_row(row, 0, [v.meter, "", s, p, r])
        sheet.write_datetime(row, 1, v.day, day)
        row += 1
    void = made.add_worksheet("VOID 2025")
    void.write_row(0, 0, header)
    void.write_row(1, 0, ["M-101", "2 Jan 2025", "As found", 5, 7.7])
    made.close()
    return folder / "log.xlsx"


def percent_cells(folder: Path, visits: list[Visit]) -> Path:
    made = xlsxwriter.Workbook(str(folder / "log.xlsx"))
    percent, day = (
        made.add_format({"num_format": "0.0%"}),
        made.add_format({"num_format": "d mmm yyyy"}),
    )
    sheet = made.add_worksheet("Log")
    sheet.write_row(0, 0, ["Meter", "Date", "Stage", "Correct", "Reading"])
    for row, (v, s, p, r) in enumerate(long_rows(visits), 1):
        sheet.write_row(row, 0, [v.meter, "", s])
        sheet.write_datetime(row, 1, v.day, day)
        sheet.write(row, 3, p / 100, percent)
        sheet.write(row, 4, r / 100, percent)
    made.close()
    return folder / "log.xlsx"


def masses(folder: Path, visits: list[Visit]) -> Path:
    """Write readings at 5 % beside the masses of water that give its R; 0 and 10 % as they are."""
    lines: list[list[object]] = [
        ["Meter", "Date", "AF 0 %", "AF 5 %", "AF 10 %", "w (g) 5 %", "W (lb) 5 %"]
    ]
    lines += [[v.meter, v.day, *v.found.values(), 350, 15.4] for v in visits]
    return text_file(folder / "log.csv", lines)


def errors(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [["Meter", "Date", "Stage", "Reference", "Error"]]
    lines += [[v.meter, v.day, s, p, round(r - p, 1)] for v, s, p, r in long_rows(visits)]
    return text_file(folder / "log.csv", lines)


def errors_alone(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [["Meter", "Date", "As found error, %"]]
    lines += [[v.meter, v.day, round(v.found[5.0] - 5.0, 1)] for v in visits]
    return text_file(folder / "log.csv", lines)


def months(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [
        [
            "Meter",
            "Month",
            *(f"AF {p:g}" for p in visits[0].found),
            *(f"AL {p:g}" for p in visits[0].left),
        ]
    ]
    lines += [[v.meter, f"{v.day:%B %Y}", *v.found.values(), *v.left.values()] for v in visits]
    return text_file(folder / "log.csv", lines)


def remarks(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [["Date", "Meter", "Seals", "Clamps", "Cleaned", "Remarks"]]
    lines += [
        [v.day, v.meter, "OK", "OK", "yes", f"AF {v.found[5.0]} at 5 %; AL {v.left[5.0]} at 5 %"]
        for v in visits
    ]
    return text_file(folder / "checklist.csv", lines)


def texts_for_numbers(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [["Meter", "Date", "Stage", "Correct", "Reading"]]
    lines += [
        [v.meter, v.day.isoformat(), s, f"{p:.1f}", f" {r:.1f} "]
        for v, s, p, r in long_rows(visits)
    ]
    return book(folder / "log.xlsx", {"Log": lines})


def no_stage(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [["Meter", "Date", "Nominal", "Indicated"]]
    lines += [[v.meter, v.day, p, r] for v, s, p, r in long_rows(visits) if s == "As found"]
    return text_file(folder / "log.csv", lines)


def marks_for_nothing(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [
        [
            "Meter",
            "Date",
            *(f"AF {p:g}" for p in visits[0].found),
            *(f"AL {p:g}" for p in visits[0].left),
        ]
    ]
    for number, v in enumerate(visits):
        line: list[object] = [v.meter, v.day, *v.found.values(), *v.left.values()]
        line[2 + number % 3] = ("OK", "N/A", "", "n.d.")[number % 4]
        lines.append(line)
    return text_file(folder / "log.csv", lines)


def without_marks(visits: list[Visit]) -> list[tuple[str, str, str, float, float]]:
    """Return the rows without the readings that `marks_for_nothing` leaves out."""
    gone = {
        (v.meter, v.day.isoformat(), "as_found", (0.0, 5.0, 10.0)[number % 3])
        for number, v in enumerate(visits)
    }
    return [row for row in table(visits) if row[:4] not in gone]
