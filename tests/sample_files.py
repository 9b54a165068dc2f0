"""This module reads the sample history by plain means; it uses nothing of the analysis itself."""

import csv
from collections import defaultdict
from datetime import date
from functools import cache
from pathlib import Path
from statistics import fmean

import statsmodels.api as sm

from drift.intake.column import Column
from drift.intake.columns import TABLES
from sample_history import make, scenario

FOLDER = Path(make.__file__).parent
README = (FOLDER / "README.md").read_text(encoding="utf-8")
Row = dict[str, str]
# One stage of one visit at one nominal point: its biases, % air.
Sittings = dict[tuple[date, str, int], list[float]]


@cache
def rows(table: str) -> list[Row]:
    with (FOLDER / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def problem(column: Column, cell: str) -> bool:
    """Say whether a cell breaks the declaration of its column."""
    if not cell:
        return column.required
    if column.choices:
        return cell not in column.choices
    try:
        if column.kind == "date":
            date.fromisoformat(cell)
        elif column.kind in {"number", "whole"}:
            value = float(cell)
            low = -1e9 if column.low is None else column.low
            return not low <= value <= (1e9 if column.high is None else column.high)
    except ValueError:
        return True
    return False


def bad_cells(table: str) -> list[tuple[str, int, str, str]]:
    """Return file, line, column and cell of what cannot be used, exact repeats as whole rows."""
    found = []
    seen: set[tuple[str, ...]] = set()
    for line, row in enumerate(rows(table), start=2):
        found += [
            (f"{table}.csv", line, column.name, row[column.name])
            for column in TABLES[table]
            if column.name in row and problem(column, row[column.name])
        ]
        if tuple(row.values()) in seen:
            found.append((f"{table}.csv", line, "", ""))
        seen.add(tuple(row.values()))
    return found


def good_readings(meter_id: str) -> list[Row]:
    return [
        row
        for row in rows("readings")
        if row["meter_id"] == meter_id
        and not any(problem(c, row[c.name]) for c in TABLES["readings"] if c.name in row)
    ]


@cache
def sittings(meter_id: str) -> Sittings:
    found: Sittings = defaultdict(list)
    for row in good_readings(meter_id):
        correct = float(row["correct_air_pct"])
        key = (date.fromisoformat(row["performed_on"]), row["stage"], round(correct))
        found[key].append(float(row["reading_air_pct"]) - correct)
    return dict(found)


def as_found(meter_id: str, point: int) -> dict[date, float]:
    return {
        on: fmean(biases)
        for (on, stage, at), biases in sittings(meter_id).items()
        if stage == "as_found" and at == point
    }


def path(meter_id: str, point: int) -> dict[date, float]:
    """Return the sum of the changes from what was left to what was next found, by date."""
    found = sittings(meter_id)
    total, left = 0.0, 0.0
    walked = {}
    for on in sorted({on for on, _, _ in found}):
        was = found.get((on, "as_found", point))
        after = found.get((on, "as_left", point), was)
        if was:
            total += fmean(was) - left
            walked[on] = total
        left = fmean(after) if after else left
    return walked


def slope_per_year(series: dict[date, float]) -> tuple[float, float]:
    """Return the least-squares slope of a series and its standard error, % air per year."""
    years = [(on - date(2020, 1, 1)).days / 365.25 for on in series]
    fit = sm.OLS(list(series.values()), sm.add_constant(years)).fit()
    return float(fit.params[1]), float(fit.bse[1])


def before_and_after(meter_id: str, point: int, day: date) -> tuple[list[float], list[float]]:
    found = as_found(meter_id, point)
    return [b for on, b in found.items() if on < day], [b for on, b in found.items() if on >= day]


def service_dates(meter_id: str, action: str) -> list[date]:
    return [
        date.fromisoformat(row["performed_on"])
        for row in rows("service")
        if (row["meter_id"], row["action"]) == (meter_id, action)
    ]


def moved_marks(meter_id: str) -> list[float]:
    return [
        float(row["mark"])
        for row in rows("marks")
        if row["meter_id"] == meter_id and row["action"] == "moved"
    ]


def planted(meter_id: str) -> scenario.Meter:
    return next(meter for meter in scenario.METERS if meter.meter_id == meter_id)
