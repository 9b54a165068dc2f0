"""This module writes who may do the work, with what, what was decided, and who changed a row.

The chain of the journal is made as `drift.store.journal` makes it; a test holds the two together.
"""

import csv
import hashlib
import io
import json
from pathlib import Path

from sample_history import scenario

Row = dict[str, str]
JOURNAL_HEADER = (
    "entry_no,recorded_at,zone,kind,recorded_by,why,what,meters,undoes,file,file_sha256,"
    "drift_version,prior_sha256,sha256"
)
AMENDMENTS_HEADER = "entry_no,action,undoes,table_name,row,column,before,after,row_after"
_AMENDMENTS = "amendments.csv"


def people() -> list[Row]:
    """Return who is authorised for what, since and until when."""
    return [
        {
            "operator": one.name,
            "task": "calibration of air meters",
            "authorised_on": one.authorised_on.isoformat(),
            "authorised_until": "",
            "authorised_by": scenario.MANAGER,
            "remarks": "",
        }
        for one in scenario.OPERATORS
    ]


def identity(meter: scenario.Meter) -> Row:
    """Return what identifies a meter, and the edition of the procedure that it is calibrated by."""
    number = int(meter.meter_id.removeprefix("AM-"))
    lost = meter.meter_id == scenario.PLATE_LOST
    return {
        "maker": meter.maker,
        "model": meter.model,
        "serial": "" if lost else f"{scenario.FIRST_SERIAL + 13 * number}",
        "procedure": scenario.PROCEDURE,
    }


def equipment() -> list[Row]:
    """Return each calibration of a vessel, a balance or a thermometer, with its certificate."""
    return [
        {
            "equipment_id": one.equipment_id,
            "kind": one.kind,
            "calibrated_on": one.calibrated_on.isoformat(),
            "due_on": one.due_on.isoformat(),
            "certificate": f"K-{number:03d}",
            "issued_by": "calibration laboratory",
            "remarks": "",
        }
        for number, one in enumerate(scenario.EQUIPMENT, start=1)
    ]


def bowls() -> list[Row]:
    """Return what fills the bowl of each meter: the same mass of water, by the scenario."""
    return [
        {
            "meter_id": meter.meter_id,
            "measured_on": scenario.BOWLS_MEASURED_ON.isoformat(),
            "bowl_water_mass_g": f"{scenario.BOWL_WATER_G:.1f}",
            "scale_id": scenario.BALANCE,
            "remarks": "",
        }
        for meter in scenario.METERS
        if meter.in_service_on <= scenario.BOWLS_MEASURED_ON
    ]


def decisions(readings: list[Row]) -> list[Row]:
    """Return what was decided about visits that found a meter outside."""
    rows = []
    for number, one in enumerate(scenario.DECISIONS, start=1):
        visit = next(
            row["performed_on"]
            for row in readings
            if row["meter_id"] == one.meter_id and row["_row"].startswith(f"{one.visit}/")
        )
        rows.append(
            {
                "decision_id": f"D-{number:04d}",
                "meter_id": one.meter_id,
                "about": visit,
                "decided_on": one.decided_on.isoformat(),
                "decision": one.decision,
                "customer_told_on": one.told_on.isoformat() if one.told_on else "",
                "decided_by": scenario.MANAGER,
                "authorised_by": "laboratory-head",
                "remarks": "",
            }
        )
    return rows


def stray(readings: list[Row]) -> list[Row]:
    """Return the readings that were typed for a meter that is none, as they stand in the file."""
    meant, visit = scenario.STRAY
    typed = scenario.STRAY_NOTED.meter_id
    return [
        {**row, "meter_id": typed, "remarks": ""}
        for row in readings
        if row["meter_id"] == meant
        and row["_row"].startswith(f"{visit}/1/")
        and row["stage"] == "as_found"
    ]


def write_kept(folder: Path, strays: list[Row]) -> None:
    """Write the journal of the folder and what it changed: the stray readings were withdrawn."""
    names = [
        f"{row['meter_id']} · {row['performed_on']} · {row['performed_on']} · {row['stage']} · "
        f"{round(float(row['correct_air_pct']))} · {row['replicate']}"
        for row in strays
    ]
    lines = [_line(["1", "withdrawn", "", "readings", name, "", "", "", ""]) for name in names]
    told = "; ".join(
        f"readings: {row['meter_id']}, {row['performed_on']}, "
        f"{row['stage'].replace('_', ' ')} at {round(float(row['correct_air_pct']))} %, "
        f"reading {row['replicate']}, withdrawn"
        for row in strays
    )
    entries = [(scenario.STRAY_NOTED, told, "".join(lines))]
    entries += [(one, one.what, "") for one in scenario.NOTED]
    prior, rows = "", []
    for number, (noted, what, changed) in enumerate(entries, start=1):
        cells: list[int | str | None] = [
            number,
            noted.at,
            "UTC",
            noted.kind,
            scenario.MANAGER,
            noted.why,
            what,
            json.dumps([noted.meter_id]),
            None,
            _AMENDMENTS if changed else "",
            _sha256(changed) if changed else "",
            scenario.NOTED_BY_VERSION,
            prior,
        ]
        prior = _sha256(json.dumps(cells, ensure_ascii=False, separators=(",", ":")))
        rows.append(_line(["" if cell is None else str(cell) for cell in [*cells, prior]]))
    for name, header, body in (
        ("journal.csv", JOURNAL_HEADER, rows),
        (_AMENDMENTS, AMENDMENTS_HEADER, lines),
    ):
        text = f"{header}\n{''.join(body)}"
        (folder / name).write_text(text, encoding="utf-8", newline="\n")


def _sha256(text: str) -> str:
    """Return the SHA-256 of a text."""
    return hashlib.sha256(text.encode()).hexdigest()


def _line(cells: list[str]) -> str:
    """Return one line of a CSV file."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(cells)
    return text.getvalue()
