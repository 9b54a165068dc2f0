"""Layouts with a line for each visit or reading."""

from datetime import date
from pathlib import Path

from tests.layouts.truth import Visit, fleet
from tests.layouts.writing import book, text_file


def long_rows(visits: list[Visit]) -> list[tuple[Visit, str, float, float]]:
    """Return visit, stage, point and reading of each reading."""
    return [
        (visit, stage, point, reading)
        for visit in visits
        for stage, readings in (("As found", visit.found), ("As left", visit.left))
        for point, reading in readings.items()
    ]


def long_log(folder: Path, visits: list[Visit]) -> Path:
    lines = [["Gauge ID", "Cal date", "Condition", "Reference", "Reading", "Tech"]]
    lines += [[v.meter, v.day, s, p, r, v.operator] for v, s, p, r in long_rows(visits)]  # type: ignore[list-item]
    return text_file(folder / "log.csv", lines)


def us_log(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [
        ["Air Meter Verification Log"],
        ["Materials Laboratory", "", "", "Rev. 3"],
        [],
    ]
    lines += [
        ["Meter No.", "Date", "AF/AL", "Correct Air", "Gauge Reading", "Pass/Fail", "Comments"]
    ]
    short = {"As found": "AF", "As left": "AL"}
    for v, s, p, r in long_rows(visits):
        verdict = "OK" if abs(r - p) <= 0.1 else "FAIL"
        lines.append(
            [
                v.meter,
                f"{v.day.month}/{v.day.day}/{v.day.year}",
                short[s],
                f"{p:.1f} %",
                f"{r:.1f} %",
                verdict,
                "",
            ]
        )
    lines += [[], ["Total readings", len(lines) - 4]]
    return text_file(folder / "log.csv", lines)


def wide_log(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [
        [
            "Meter",
            "Date",
            *(f"AF {p:g}" for p in visits[0].found),
            *(f"AL {p:g}" for p in visits[0].left),
            "By",
        ]
    ]
    lines += [[v.meter, v.day, *v.found.values(), *v.left.values(), v.operator] for v in visits]
    return text_file(folder / "wide.csv", lines)


def two_line_header(folder: Path, visits: list[Visit]) -> Path:
    points = list(visits[0].found)
    lines: list[list[object]] = [
        [
            "Meter",
            "Date",
            "As found",
            *[""] * (len(points) - 1),
            "As left",
            *[""] * (len(points) - 1),
            "Remarks",
        ],
        ["", "", *(f"{p:g}" for p in points), *(f"{p:g}" for p in points), ""],
    ]
    lines += [[v.meter, v.day, *v.found.values(), *v.left.values(), "ok today"] for v in visits]
    return text_file(folder / "wide.csv", lines)


def merged_header(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [
        ["Calibration of air meters"],
        [],
        ["", "", "", "", "", "", "", "", ""],
        ["Meter", "Date", "0 %", "5 %", "10 %", "0 %", "5 %", "10 %", "Technician"],
    ]
    lines += [[v.meter, v.day, *v.found.values(), *v.left.values(), v.operator] for v in visits]
    lines += [[], ["Average", "", 0.1, 5.0, 9.9]]
    return book(
        folder / "log.xlsx",
        {"Log": lines},
        merge=[("Log", "C3:E3", "Before adjustment"), ("Log", "F3:H3", "After adjustment")],
    )


def comma(number: float) -> str:
    return f"{number:.1f}".replace(".", ",")


def german_log(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [
        ["Gerät-Nr.", "Prüfdatum", "Zustand", "Sollwert %", "Anzeige %", "Prüfer", "Bemerkung"]
    ]
    words = {"As found": "vor Justage", "As left": "nach Justage"}
    lines += [
        [v.meter, f"{v.day:%d.%m.%Y}", words[s], comma(p), comma(r), "Müller", "Gefäß geprüft"]
        for v, s, p, r in long_rows(visits)
    ]
    return text_file(folder / "Luftgehalt.csv", lines, mark=";", encoding="cp1252")


def french_log(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [
        [
            "N° appareil",
            "Date",
            *(f"avant réglage {p:g} %" for p in visits[0].found),
            *(f"après réglage {p:g} %" for p in visits[0].left),
            "Opérateur",
        ]
    ]
    lines += [
        [
            v.meter,
            f"{v.day:%d/%m/%Y}",
            *map(comma, v.found.values()),
            *map(comma, v.left.values()),
            "Réné",
        ]
        for v in visits
    ]
    return text_file(folder / "suivi.csv", lines, mark=";", encoding="cp1252")


def sections(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [["Date", "Stage", "Point", "Reading"]]
    for meter in sorted({v.meter for v in visits}):
        lines.append([f"Meter {meter}"])
        lines += [[v.day, s, p, r] for v, s, p, r in long_rows(visits) if v.meter == meter]
    return text_file(folder / "log.csv", lines)


def serials(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [["Meter", "Date", "Stage", "Correct", "Reading"]]
    lines += [
        [v.meter, (v.day - date(1899, 12, 30)).days, s, p, r] for v, s, p, r in long_rows(visits)
    ]
    return text_file(folder / "log.csv", lines)


def two_date_layouts(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [["Meter", "Date", "Stage", "Correct", "Reading"]]
    for number, (v, s, p, r) in enumerate(long_rows(visits)):
        day = f"{v.day:%d-%b-%y}" if number % 2 else f"{v.day.month}/{v.day.day}/{v.day:%y}"
        lines.append([v.meter, day, s, p, r])
    return text_file(folder / "log.csv", lines)


AMBIGUOUS = [
    Visit(v.meter, v.day.replace(day=1 + v.day.day % 12), v.operator, v.found, v.left)
    for v in fleet()
    if v.day.month != 1 + v.day.day % 12
]


def ambiguous_dates(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [["Meter", "Date", "Stage", "Correct", "Reading"]]
    lines += [[v.meter, f"{v.day:%m/%d/%Y}", s, p, r] for v, s, p, r in long_rows(visits)]
    return text_file(folder / "log.csv", lines)


def two_layouts(folder: Path, visits: list[Visit]) -> Path:
    half = len(visits) // 2
    lines: list[list[object]] = [["Meter", "Date", "Stage", "Correct", "Reading"]]
    lines += [[v.meter, v.day, s, p, r] for v, s, p, r in long_rows(visits[:half])]
    lines += [
        [],
        ["From here on in the new form"],
        [
            "Date",
            "Meter",
            *(f"AF {p:g} %" for p in visits[0].found),
            *(f"AL {p:g} %" for p in visits[0].left),
        ],
    ]
    lines += [
        [f"{v.day:%d %B %Y}", v.meter, *v.found.values(), *v.left.values()] for v in visits[half:]
    ]
    return book(folder / "log.xlsx", {"Log": lines})


def trials(folder: Path, visits: list[Visit]) -> Path:
    lines: list[list[object]] = [["Meter", "Date", "Stage", "R", "Trial 1", "Trial 2"]]
    lines += [[v.meter, v.day, s, p, r, round(r + 0.1, 1)] for v, s, p, r in long_rows(visits)]
    return text_file(folder / "log.csv", lines)


def trial_rows(visits: list[Visit]) -> list[tuple[str, str, str, float, float]]:
    stages = {"As found": "as_found", "As left": "as_left"}
    return sorted(
        (v.meter, v.day.isoformat(), stages[s], p, round(r + more, 1))
        for v, s, p, r in long_rows(visits)
        for more in (0.0, 0.1)
    )


def blanks_between(folder: Path, visits: list[Visit]) -> Path:
    lines = [f"{'Meter':<12}{'Date':<14}{'Stage':<12}{'Correct':<10}{'Reading':<10}"]
    lines += [
        f"{v.meter:<12}{v.day.isoformat():<14}{s:<12}{p:<10}{r:<10}"
        for v, s, p, r in long_rows(visits)
    ]
    path = folder / "log.txt"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path
