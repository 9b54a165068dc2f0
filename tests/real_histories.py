"""This module turns real histories into input tables; nothing in them is invented.

Each is a linear change of units, said at its writer, so that a tolerance of the source becomes
±0.1 % air or a spread of the source a spread of a dial; where the source gives a mean and a
standard deviation, replicates with exactly these are written.  Sources: tests/published/SOURCES.md.
"""

import csv
from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from decimal import Decimal
from itertools import groupby
from math import sqrt
from pathlib import Path

REFERENCE = Path(__file__).parent / "published"

# Thermometers: an error of ±5 mK (the maker's typical accuracy) is ±0.1 % air.
PCT_PER_MK = Decimal("0.02")
# 1, 10, 20 and 30 °C stand at 5 % air + T/3, so that even an error of −751 mK is a reading that
# can be meant (not under −10 % air).
CTD_POINTS_PCT = {
    "1C": Decimal("5.333333"),
    "10C": Decimal("8.333333"),
    "20C": Decimal("11.666667"),
    "30C": Decimal("15.000000"),
}
CTD_POLICY = """\
points_pct = [5.333333, 8.333333, 11.666667, 15.0]
interval_days = 365
resolution_pct = 0.000002
"""

# Kilogram check standard: 1 mg is 1 % air, and −19.5 mg reads right at 5 % air.
KILOGRAM_ZERO_MG = Decimal("-19.5")
KILOGRAM_METER = "CS-41"

# Resistivity check standard: 1 ohm·cm is 1 % air, and 97 ohm·cm reads right at 5 % air.
RESISTIVITY_ZERO_OHM_CM = Decimal(97)
RESISTIVITY_METER = "CS-137"
# The source gives month and day alone.
RESISTIVITY_YEAR = 2001

POINT_PCT = Decimal(5)
# Six numbers of mean 0 and standard deviation (n − 1) 1.
SIX_OF_UNIT_SPREAD = tuple(side * sqrt(5 / 6) for side in (1, -1, 1, -1, 1, -1))

Cell = str | int | Decimal | date
Row = dict[str, Cell]


def reference_rows(name: str) -> list[dict[str, str]]:
    """Return the rows of a reference file."""
    with (REFERENCE / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def write_thermometer_fleet(folder: Path) -> None:
    """Write 79 sea-going thermometers: errors as found at 496 recalibrations, four points.

    A recalibration replaces the instrument's coefficients, after which it reads right by
    definition: as-left readings equal the correct value, and the service table says `hand_reset`,
    the nearest word for a change of what the instrument shows.  The first calibration of an
    instrument has as-left readings only.  Errors keep the four decimals of a mK that they have.
    """
    readings: list[Row] = []
    service: list[Row] = []
    rows = reference_rows("m_ooi_ctd_temperature_asfound")
    for meter_id, events in groupby(rows, key=lambda row: row["instrument_uid"]):
        history = list(events)
        first = date.fromisoformat(history[0]["previous_calibration"])
        readings += _calibration(meter_id, first, stage="as_left", errors=None)
        for event in history:
            on = date.fromisoformat(event["calibration_date"])
            readings += _calibration(meter_id, on, stage="as_found", errors=event)
            readings += _calibration(meter_id, on, stage="as_left", errors=None)
            service.append(
                {
                    "meter_id": meter_id,
                    "performed_on": on,
                    "action": "hand_reset",
                    "remarks": "new coefficients",
                }
            )
    _write(folder, "readings", readings)
    _write(folder, "service", service)


def write_kilogram_check_standard(folder: Path) -> None:
    """Write 217 weighings of one check standard over thirteen years, one reading each.

    Dates are decimal years to 0.001, so that several runs share a day: visit_id keeps them apart
    and in order.
    """
    readings: list[Row] = []
    for run, row in enumerate(reference_rows("m_nist_kilogram_check_standard"), start=1):
        excess = Decimal(row["check_standard_correction_mg"]) - KILOGRAM_ZERO_MG
        readings.append(
            {
                "meter_id": KILOGRAM_METER,
                "visit_id": f"run-{run:03d}",
                "performed_on": _day(Decimal(row["date_decimal_year_1900"])),
                "stage": "as_found",
                "correct_air_pct": POINT_PCT,
                "reading_air_pct": POINT_PCT + excess,
                "replicate": 1,
                "resolution_pct": Decimal("0.00001"),
            }
        )
    _write(folder, "readings", readings)


def write_resistivity_check_standard(folder: Path) -> None:
    """Write 25 occasions of one check standard, six readings each.

    The source gives the mean and the standard deviation of six repetitions, not the repetitions:
    six readings that have exactly this mean and this standard deviation stand for them (to nine
    decimals).  Its occasions are not in the order of their dates: visit_id keeps the order.
    """
    readings: list[Row] = []
    for occasion, row in enumerate(reference_rows("b_ehb_262_resistivity"), start=1):
        mean = Decimal(row["check_standard_ohm_cm"]) - RESISTIVITY_ZERO_OHM_CM + POINT_PCT
        spread = float(row["short_term_sd"])
        readings += [
            {
                "meter_id": RESISTIVITY_METER,
                "visit_id": f"occasion-{occasion:02d}",
                "performed_on": date(RESISTIVITY_YEAR, int(row["month"]), int(row["day"])),
                "stage": "as_found",
                "correct_air_pct": POINT_PCT,
                "reading_air_pct": mean + Decimal(f"{spread * unit:.9f}"),
                "replicate": replicate,
                "resolution_pct": Decimal("0.001"),
                "operator": f"operator-{row['operator']}",
                "water_temp_c": row["temperature"],
            }
            for replicate, unit in enumerate(SIX_OF_UNIT_SPREAD, start=1)
        ]
    _write(folder, "readings", readings)


def _calibration(
    meter_id: str, on: date, *, stage: str, errors: dict[str, str] | None
) -> Iterable[Row]:
    """Return one reading a temperature, off by a row of the source or right where it is None."""
    for temperature, correct in CTD_POINTS_PCT.items():
        error = Decimal(errors[f"asfound_error_mK_at_{temperature}"]) if errors else Decimal(0)
        yield {
            "meter_id": meter_id,
            "performed_on": on,
            "stage": stage,
            "correct_air_pct": correct,
            "reading_air_pct": correct + error * PCT_PER_MK,
            "replicate": 1,
        }


def _day(decimal_year_1900: Decimal) -> date:
    """Return the day of a decimal year counted from 1900."""
    year = 1900 + int(decimal_year_1900)
    start = date(year, 1, 1)
    days = (date(year + 1, 1, 1) - start).days
    return start + timedelta(days=int(decimal_year_1900 % 1 * days))


def _write(folder: Path, table: str, rows: Sequence[Row]) -> None:
    """Write one table as CSV; no cell is in scientific notation."""
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / f"{table}.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys(), lineterminator="\n")
        writer.writeheader()
        writer.writerows({key: _text(cell) for key, cell in row.items()} for row in rows)


def _text(cell: Cell) -> str:
    """Return a cell as it stands in a CSV file."""
    return f"{cell:f}" if isinstance(cell, Decimal) else str(cell)
