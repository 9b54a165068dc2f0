"""This module writes the records of a small laboratory, whole or with something wrong in them."""

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

from drift.api.reviews import find, review_source
from drift.review.policy import Policy
from drift.review.results import Review
from tests.csv_folders import write

AS_OF = date(2024, 3, 1)
FIRST = date(2021, 1, 4)
METERS = ("M-1", "M-2", "M-3", "M-4")
VISITS = 14
APART = timedelta(days=85)
VESSELS = {"V-1": 5.0, "V-2": 5.0}
# Small, alike at every visit of a meter but for the sign: no drift, no jump, no signal.
_STIR = (0.0, 0.02, -0.02, 0.01, -0.01, 0.02, -0.01)

OFFSETS = (-0.03, 0.04, -0.05, 0.02)

Row = dict[str, object]
Records = dict[str, list[Row]]
Change = Callable[[Records], None]


def visit_on(number: int) -> date:
    """Return the day of a visit, counted from 0."""
    return FIRST + number * APART


def reading(meter_id: str, number: int, point: int, replicate: int, **more: object) -> Row:
    """Return one reading as found: right but for a stir of some hundredths."""
    vessel = "V-1" if (number + METERS.index(meter_id)) % 2 else "V-2"
    stir = _STIR[(3 * number + METERS.index(meter_id) + replicate + point) % len(_STIR)]
    return {
        "meter_id": meter_id,
        "performed_on": visit_on(number),
        "stage": "as_found",
        "correct_air_pct": point,
        "reading_air_pct": f"{point + stir + OFFSETS[METERS.index(meter_id)]:.3f}",
        "replicate": replicate,
        "resolution_pct": 0.01,
        "vessel_id": vessel if point else "",
        "operator": f"person {(number + METERS.index(meter_id)) // 2 % 2}",
        "water_temp_c": 18 + (7 * number + METERS.index(meter_id)) % 5,
        **more,
    }


def sound() -> Records:
    """Return records in which nothing is wrong."""
    return {
        "readings": [
            reading(meter_id, number, point, replicate)
            for meter_id in METERS
            for number in range(VISITS)
            for point in (0, 5, 10)
            for replicate in (1, 2, 3)
        ],
        "meters": [
            {
                "meter_id": meter_id,
                "in_service_on": FIRST,
                "interval_days": 91,
                "status": "active",
                "site": "bench",
            }
            for meter_id in METERS
        ],
        "vessels": [
            {
                "vessel_id": vessel_id,
                "calibrated_on": date(2020, 12, 1),
                "water_mass_g": 350 * air / 5,
                "bowl_water_mass_g": 7000,
                "u_air_pct": 0.006,
            }
            for vessel_id, air in VESSELS.items()
        ],
        "bowls": [
            {"meter_id": meter_id, "measured_on": FIRST, "bowl_water_mass_g": 7000}
            for meter_id in METERS
        ],
    }


def compared(
    meter_id: str, on: date, *, number: int = 1, u: object = "", other: float = 6.0
) -> Row:
    """Return the result of one round."""
    return {
        "comparison_id": f"R-{number}",
        "compared_on": on,
        "meter_id": meter_id,
        "air_pct": 6.0,
        "other": "assigned_value",
        "other_air_pct": other,
        "u_other_pct": u,
    }


def of_visit(records: Records, meter_id: str, number: int) -> list[Row]:
    """Return the readings of one visit."""
    on = visit_on(number)
    return [
        row
        for row in records["readings"]
        if row["meter_id"] == meter_id and row["performed_on"] == on
    ]


def shift(rows: list[Row], by: float) -> None:
    """Make readings above 0 % read so much higher."""
    for row in rows:
        if row["correct_air_pct"]:
            row["reading_air_pct"] = f"{float(str(row['reading_air_pct'])) + by:.3f}"


def fail(records: Records, meter_id: str, number: int, *, put_right: bool) -> None:
    """Let a visit find its meter outside; adjusted and read as left, or left alone."""
    rows = of_visit(records, meter_id, number)
    left = [dict(row, stage="as_left") for row in rows]
    shift(rows, 0.2)
    if put_right:
        records["readings"] += left
        records.setdefault("service", []).append(
            {"meter_id": meter_id, "performed_on": visit_on(number), "action": "hand_reset"}
        )


def field_test(
    meter_id: str, on: date, *, number: int = 1, spec: bool = False, correction: object = ""
) -> Row:
    """Return one field test."""
    limits = {"spec_min_pct": 4.5, "spec_max_pct": 7.5} if spec else {}
    return {
        "test_id": f"FT-{number}",
        "meter_id": meter_id,
        "tested_on": on,
        "air_pct": 6.0,
        "spec_min_pct": "",
        "spec_max_pct": "",
        "correction_pct": correction,
        **limits,
    }


def answer(records: Records, review: Review, *, meters: tuple[str, ...] = METERS) -> None:
    """Answer the signals of some meters of a review."""
    records["responses"] = [
        {
            "signal_id": row["signal_id"],
            "recorded_on": row["visit_on"] + timedelta(days=1),
            "finding": "found",
            "action": "done",
            "recorded_by": "somebody",
        }
        for row in review.signals.iter_rows(named=True)
        if row["meter_id"] in meters
    ]


def authorise(records: Records, on: date) -> None:
    """Authorise everybody who read a meter, from a day on."""
    records["people"] = [
        {"operator": name, "task": "calibration", "authorised_on": on, "authorised_by": "head"}
        for name in sorted({str(row["operator"]) for row in records["readings"]} - {""})
    ]


def written(folder: Path, records: Records) -> Path:
    """Write records as CSV files."""
    texts = {
        name: "\n".join(
            [",".join(rows[0]), *(",".join(map(str, row.values())) for row in rows), ""]
        )
        for name, rows in records.items()
        if rows
    }
    return write(folder, **texts)


def reviewed(folder: Path, records: Records) -> Review:
    """Write records below a folder and review them."""
    return find(written(folder / "records", records), as_of=AS_OF, policy=Policy())


def review_written(
    folder: Path,
    records: Records,
    *,
    policy: Policy | None = None,
    previous: Path | None = None,
) -> Review:
    """Write records and their review without pages, into ``out`` below the folder."""
    return review_source(
        written(folder / "records", records),
        out=folder / "out",
        as_of=AS_OF,
        policy=policy or Policy(),
        with_pages=False,
        previous=previous,
        progress=lambda _done, _of: None,
    ).review
