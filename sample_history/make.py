"""This module writes the CSV files of the sample history; what is planted stands in scenario.py.

``python sample_history/make.py`` rewrites the files beside it, byte for byte the same each time;
``--out DIR`` writes them elsewhere.  It needs the standard library alone.
"""

import argparse
import csv
import hashlib
import math
import random
import sys
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

HERE = Path(__file__).resolve().parent
# The folder holds data and is no installed package: a run as a script is told where the root is.
sys.path.insert(0, str(HERE.parent))


from sample_history import bench, record, scenario  # noqa: E402  # needs the path above
from sample_history.bench import Found, State, Visit  # noqa: E402  # needs the path above
from sample_history.dial import Condition, mark_error_for  # noqa: E402  # needs the path above
from sample_history.scenario import Event, Meter, Response, Slip  # noqa: E402  # needs the path above

DAYS_PER_YEAR = 365.25
HEADERS = {
    "readings": "meter_id,performed_on,stage,correct_air_pct,reading_air_pct,replicate,"
    "resolution_pct,vessel_id,operator,water_temp_c,remarks",
    "marks": "meter_id,performed_on,mark,mark_unit,zero_reading_pct,action,operator,remarks",
    "meters": "meter_id,in_service_on,dial_resolution_pct,interval_days,chamber_bowl_ratio,"
    "initial_pressure_kpa,maker,model,serial,procedure,status,site,remarks",
    "vessels": "vessel_id,calibrated_on,water_mass_g,bowl_water_mass_g,u_air_pct,remarks",
    "service": "meter_id,performed_on,action,operator,remarks",
    "responses": "signal_id,recorded_on,finding,action,recorded_by",
    "people": "operator,task,authorised_on,authorised_until,authorised_by,remarks",
    "equipment": "equipment_id,kind,calibrated_on,due_on,certificate,issued_by,remarks",
    "bowls": "meter_id,measured_on,bowl_water_mass_g,scale_id,remarks",
    "decisions": "decision_id,meter_id,about,decided_on,decision,customer_told_on,decided_by,"
    "authorised_by,remarks",
    "field_tests": "test_id,meter_id,tested_on,air_pct,spec_min_pct,spec_max_pct,placement,remarks",
}

Row = dict[str, str]
Tables = dict[str, list[Row]]


def add_readings(
    tables: Tables, found: list[Found], *, visit: Visit, stage: str, remarks: str = ""
) -> None:
    """Add the rows of one stage; the zero check of some meters goes to the marks instead."""
    meter = visit.meter
    places = 1 if meter.resolution_pct == 0.1 else 2
    for one in found:
        if one.draws == 0 and meter.zero_with_mark:
            continue
        tables["readings"].append(
            {
                "meter_id": meter.meter_id,
                "performed_on": visit.on.isoformat(),
                "stage": stage,
                "correct_air_pct": f"{one.correct_pct:.2f}",
                "reading_air_pct": f"{one.steps * meter.resolution_pct:.{places}f}",
                "replicate": str(one.replicate),
                "resolution_pct": f"{meter.resolution_pct:g}",
                "vessel_id": visit.vessel.vessel_id if one.draws else "",
                "operator": visit.operator.name,
                "water_temp_c": visit.water_temp_c,
                "remarks": remarks if one is found[-1] else "",
                "_row": f"{visit.number}/{one.draws}/{one.replicate}",
            }
        )


def add_mark(
    tables: Tables, state: State, *, visit: Visit, action: str, zero: str = "", remarks: str = ""
) -> None:
    """Add one row about the initial pressure mark."""
    tables["marks"].append(
        {
            "meter_id": visit.meter.meter_id,
            "performed_on": visit.on.isoformat(),
            "mark": f"{state.mark_pct:.2f}",
            "mark_unit": "dial_pct",
            "zero_reading_pct": zero,
            "action": action,
            "operator": visit.operator.name,
            "remarks": remarks,
        }
    )


def add_service(
    tables: Tables, visit: Visit, action: str, *, days_before: int = 0, remarks: str = ""
) -> None:
    """Add one row of service; an accident is noted some days before the visit it led to."""
    tables["service"].append(
        {
            "meter_id": visit.meter.meter_id,
            "performed_on": (visit.on - timedelta(days=days_before)).isoformat(),
            "action": action,
            "operator": "" if days_before else visit.operator.name,
            "remarks": remarks,
        }
    )


def visit_of(meter: Meter, number: int, on: date, rng: random.Random) -> Visit:
    """Return a visit with what chance decides about it."""
    season = math.cos(2 * math.pi * (on.timetuple().tm_yday - 200) / DAYS_PER_YEAR)
    return Visit(
        meter=meter,
        number=number,
        on=on,
        operator=bench.operator_for(meter.site, rng),
        vessel=bench.vessel_for(meter.site, on),
        setting=scenario.SETTING_SD * bench.normal(rng),
        water_temp_c=f"{20.5 + 2 * season + 0.5 * bench.normal(rng):.1f}",
    )


def add_history(tables: Tables, meter: Meter) -> None:
    """Add everything that happens to one meter."""
    # Each meter has its own stream, so that a change to one leaves the others as they are.
    rng = random.Random(f"{scenario.SEED}/{meter.meter_id}/{meter.draw}")  # noqa: S311  # no secret depends on it
    chamber_pct = 100 * meter.chamber_bowl_ratio
    start = mark_error_for(bias_pct=meter.start_pct, air_pct=10, chamber_pct=chamber_pct)
    state = State(Condition(mark_error=start), meter.mark_pct, meter.noise_pct)
    before = None
    for number, on in enumerate(bench.visit_dates(meter, rng), start=1):
        if before is not None:
            years = (on - before).days / DAYS_PER_YEAR
            state = bench.drifted(state, meter, years, rng)
        visit = visit_of(meter, number, on, rng)
        events = tuple(event for event in meter.events if event.visit == number)
        for event in events:
            state = bench.struck(state, event, meter)
        state = add_visit(tables, state, visit, events, rng)
        before = on


def add_visit(
    tables: Tables, state: State, visit: Visit, events: tuple[Event, ...], rng: random.Random
) -> State:
    """Add one visit and return the meter as it was left."""
    meter = visit.meter
    happened = {event.what: event.remarks for event in events}
    if "dropped" in happened:
        add_service(tables, visit, "dropped", days_before=6, remarks=happened["dropped"])
    found = bench.read_all(state, visit, rng)
    out = bench.is_out(found, meter)
    if "no_as_found" not in happened:
        note = happened.get("leak", "")
        add_readings(tables, found, visit=visit, stage="as_found", remarks=note)
    left = state
    if "new_gauge" in happened:
        left = replaced_gauge(tables, state, visit, happened["new_gauge"])
    elif "seal" in happened:
        add_service(tables, visit, "seal_replaced", remarks=happened["seal"])
    elif "other" in happened:
        add_service(tables, visit, "other", remarks=happened["other"])
    elif (out or "no_as_found" in happened) and meter.remedy != "none":
        left = remedied(tables, state, visit, found, rng)
    elif visit.number == 1:
        zero = zero_check(found, meter)
        add_mark(
            tables, state, visit=visit, action="established", zero=zero, remarks="first record"
        )
    elif meter.zero_with_mark or visit.number % 4 == 0:
        add_mark(tables, state, visit=visit, action="verified", zero=zero_check(found, meter))
    if left is not state or "seal" in happened or meter.routine_as_left:
        add_readings(tables, bench.read_all(left, visit, rng), visit=visit, stage="as_left")
    return left


def zero_check(found: list[Found], meter: Meter) -> str:
    """Return the zero reading of the meters whose zero check is written with the mark."""
    if not meter.zero_with_mark:
        return ""
    return f"{next(one.steps for one in found if one.draws == 0) * meter.resolution_pct:.2f}"


def remedied(
    tables: Tables, state: State, visit: Visit, found: list[Found], rng: random.Random
) -> State:
    """Adjust until a check passes, thrice at most; add what was done and return the new state."""
    left = bench.adjusted(state, found, visit, rng)
    for _ in range(2):
        check = bench.read_all(left, visit, rng)
        if not bench.is_out(check, visit.meter):
            break
        left = bench.adjusted(left, check, visit, rng)
    if visit.meter.remedy == "mark":
        add_mark(tables, left, visit=visit, action="moved")
    elif visit.meter.remedy == "hand":
        add_service(tables, visit, "hand_reset")
    else:
        add_service(tables, visit, "chamber_dried", remarks="water ran out of the chamber")
    return left


def replaced_gauge(tables: Tables, state: State, visit: Visit, remarks: str) -> State:
    """Add a new gauge and its new mark and return the meter with it."""
    left = replace(
        state, condition=Condition(), mark_pct=-0.25, noise_pct=scenario.NEW_GAUGE_NOISE_PCT
    )
    add_service(tables, visit, "gauge_replaced", remarks=remarks)
    add_mark(tables, left, visit=visit, action="established", remarks="new gauge")
    return left


def add_lists(tables: Tables) -> None:
    """Add meters, vessels, field tests and responses, which need no chance but the tests' air."""
    for meter in scenario.METERS:
        tables["meters"].append(
            {
                "meter_id": meter.meter_id,
                "in_service_on": meter.in_service_on.isoformat(),
                "dial_resolution_pct": f"{meter.resolution_pct:g}",
                "interval_days": str(meter.interval_days),
                "chamber_bowl_ratio": f"{meter.chamber_bowl_ratio:g}",
                "initial_pressure_kpa": str(scenario.NOMINAL_PRESSURE_KPA),
                **record.identity(meter),
                "status": meter.status,
                "site": meter.site,
                "remarks": meter.remarks,
            }
        )
    for vessel in scenario.VESSELS:
        tables["vessels"].append(
            {
                "vessel_id": vessel.vessel_id,
                "calibrated_on": vessel.calibrated_on.isoformat(),
                "water_mass_g": f"{vessel.water_mass_g:.2f}",
                "bowl_water_mass_g": f"{scenario.BOWL_WATER_G:.1f}",
                "u_air_pct": f"{vessel.u_air_pct:g}",
                "remarks": vessel.remarks,
            }
        )


def add_field_tests(tables: Tables) -> None:
    """Add job-site tests: a few of many meters, and all of the one that then failed."""
    rng = random.Random(f"{scenario.SEED}/field")  # noqa: S311  # no secret depends on it
    low, high = scenario.SPEC_PCT
    tests = [(on, scenario.FAILED_METER, air, place) for on, air, place in scenario.SUSPECT_TESTS]
    for meter_id in scenario.FIELD_METERS:
        for month in range(1, 10):
            on = date(2026, month, rng.randint(1, 28))
            air = f"{6 + 0.5 * bench.normal(rng):.1f}"
            tests.append((on, meter_id, air, f"slab S-{rng.randint(10, 60)}"))
    for number, (on, meter_id, air, place) in enumerate(sorted(tests), start=1):
        tables["field_tests"].append(
            {
                "test_id": f"FT-{number:04d}",
                "meter_id": meter_id,
                "tested_on": on.isoformat(),
                "air_pct": air,
                "spec_min_pct": low,
                "spec_max_pct": high,
                "placement": place,
                "remarks": "",
            }
        )


def signal_id(response: Response, visit_on: str) -> str:
    """Return the id that a review gives to the signal a response answers."""
    parts = [response.meter_id, f"{response.point_pct:g}", response.chart, response.rule, visit_on]
    return "S-" + hashlib.sha256("|".join(parts).encode()).hexdigest()[:10]


def add_responses(tables: Tables) -> None:
    """Add the laboratory's answers to signals; the last one names a signal nobody knows."""
    for response in scenario.RESPONSES:
        dates = sorted(
            {
                row["performed_on"]
                for row in tables["readings"]
                if row["meter_id"] == response.meter_id
                and row["_row"].startswith(f"{response.visit}/")
            }
        )
        known = signal_id(response, dates[0]) if dates else scenario.UNKNOWN_SIGNAL_ID
        on = date.fromisoformat(dates[0]) if dates else scenario.AS_OF
        tables["responses"].append(
            {
                "signal_id": known,
                "recorded_on": (on + timedelta(days=response.days_after)).isoformat(),
                "finding": response.finding,
                "action": response.action,
                "recorded_by": scenario.MANAGER,
            }
        )


def spoil(rows: list[Row], slip: Slip) -> None:
    """Spoil one row, or write it twice."""
    of_meter = [i for i, row in enumerate(rows) if row["meter_id"] == slip.meter_id]
    if slip.table == "readings":
        wanted = (f"{slip.visit}/{slip.draws}/{slip.replicate}", "as_found")
        at = next(i for i in of_meter if (rows[i]["_row"], rows[i]["stage"]) == wanted)
    else:
        at = of_meter[slip.nth - 1]
    if slip.column:
        rows[at] = {**rows[at], slip.column: slip.value}
    else:
        rows.insert(at + 1, rows[at])


def make_tables() -> Tables:
    """Return all tables as rows of text, in the order of their files."""
    tables: Tables = {name: [] for name in HEADERS}
    for meter in scenario.METERS:
        add_history(tables, meter)
    for name in ("readings", "marks", "service"):
        tables[name].sort(key=lambda row: (row["performed_on"], row["meter_id"]))
    add_lists(tables)
    add_field_tests(tables)
    add_responses(tables)
    tables["people"] = record.people()
    tables["equipment"] = record.equipment()
    tables["bowls"] = record.bowls()
    tables["decisions"] = record.decisions(tables["readings"])
    strays = record.stray(tables["readings"])
    for slip in scenario.SLIPS:
        spoil(tables[slip.table], slip)
    tables["readings"] += strays
    return tables


def write_tables(folder: Path) -> None:
    """Write one CSV file a table into `folder`, and what it keeps of who changed a row."""
    tables = make_tables()
    typed = scenario.STRAY_NOTED.meter_id
    record.write_kept(folder, [row for row in tables["readings"] if row["meter_id"] == typed])
    for name, rows in tables.items():
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(
                file, HEADERS[name].split(","), extrasaction="ignore", lineterminator="\n"
            )
            writer.writeheader()
            writer.writerows(rows)


def main() -> None:
    """Write the files beside this script, or where `--out` says."""
    parser = argparse.ArgumentParser(description="Write the CSV files of the sample history.")
    parser.add_argument("--out", type=Path, default=HERE, help="folder to write to")
    folder = parser.parse_args().out
    folder.mkdir(parents=True, exist_ok=True)
    write_tables(folder)
    print(f"wrote {', '.join(f'{name}.csv' for name in HEADERS)}")


if __name__ == "__main__":
    main()
