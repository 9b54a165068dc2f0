"""This module turns what records say into input tables, and finds what is new or changed."""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from drift.intake.columns import TABLES
from drift.intake.layouts.numbers import plain_number
from drift.intake.layouts.tables import Reading, Rows

HistoryRow = dict[str, str]
HistoryTables = dict[str, list[HistoryRow]]

# What makes a row the same row as one that is known, table by table.
ROW_KEYS: dict[str, tuple[str, ...]] = {
    "readings": ("meter_id", "performed_on", "stage", "correct_air_pct", "replicate"),
    "marks": ("meter_id", "performed_on"),
    "vessels": ("vessel_id", "calibrated_on"),
    "service": ("meter_id", "performed_on", "action"),
    "checks": ("meter_id", "performed_on", "check", "expected", "remarks"),
}


@dataclass(frozen=True, slots=True)
class Change:
    """A row of the history that the records now tell otherwise.

    Attributes
    ----------
    table : str
        Its table.
    key : tuple of str
        What makes it the same row.
    before, now : dict of str to str
        The columns that differ.
    """

    table: str
    key: tuple[str, ...]
    before: HistoryRow
    now: HistoryRow


def history_columns(table: str) -> tuple[str, ...]:
    """Return the columns that a table is written with."""
    return tuple(column.name for column in TABLES[table])


def history_tables(rows: Rows) -> HistoryTables:
    """Return the input tables that records make, each in the order of days; empty ones left out.

    A mark is ``established`` where it is a meter's first on record, ``verified`` where it is where
    it was, and ``moved`` where it is elsewhere.
    """
    numbers = [reading for reading in rows.readings if reading.reading_air_pct is not None]
    words = [reading for reading in rows.readings if reading.reading_air_pct is None]
    made: HistoryTables = {
        "readings": sorted(map(_reading_row, numbers), key=_by_day),
        "checks": sorted(_unlike(map(_check_row, words)), key=_by_day),
        "marks": _mark_rows(rows.marks),
        "service": sorted(_unlike(rows.service), key=_by_day),
        "vessels": sorted(
            _unlike(rows.vessels), key=lambda row: (row["calibrated_on"], row["vessel_id"])
        ),
    }
    return {name: table for name, table in made.items() if table}


def _by_day(row: HistoryRow) -> tuple[str, str, str, float, int]:
    """Return by what rows are sorted: numbers by size."""
    correct, replicate = row.get("correct_air_pct") or "0", row.get("replicate") or "0"
    return (
        row["performed_on"],
        row["meter_id"],
        row.get("stage", ""),
        float(correct),
        int(replicate),
    )


def _reading_row(reading: Reading) -> HistoryRow:
    """Return a row of the readings."""
    return {
        "meter_id": reading.meter_id,
        "performed_on": reading.performed_on.isoformat(),
        "stage": reading.stage,
        "correct_air_pct": _text(reading.correct_air_pct),
        "reading_air_pct": _text(reading.reading_air_pct),
        "replicate": str(reading.replicate or 1),
        **reading.more,
    }


def _check_row(reading: Reading) -> HistoryRow:
    """Return a row of a pass or fail without a reading: no bias of it, and no reading."""
    at_zero = reading.correct_air_pct == 0
    stage = reading.stage.replace("_", " ")
    said = "passed, no reading" if reading.passed else "failed, no reading"
    return {
        "meter_id": reading.meter_id,
        "performed_on": reading.performed_on.isoformat(),
        "check": "zero" if at_zero else "point",
        "value": "yes" if reading.passed else "no",
        "expected": _text(reading.correct_air_pct),
        "operator": reading.more.get("operator", ""),
        "remarks": "; ".join(filter(None, (said, stage, reading.more.get("remarks", "")))),
    }


def _text(number: float | None) -> str:
    """Return a number as a cell; empty where there is none."""
    return "" if number is None else plain_number(number)


def _unlike(rows: Iterable[HistoryRow]) -> list[HistoryRow]:
    """Return rows, each once."""
    return [dict(cells) for cells in dict.fromkeys(tuple(sorted(row.items())) for row in rows)]


def _mark_rows(marks: Sequence[HistoryRow]) -> list[HistoryRow]:
    """Return rows of the marks table with what was done to each mark."""
    last: dict[str, tuple[str, str]] = {}
    days: dict[tuple[str, str], HistoryRow] = {}
    for row in sorted(
        marks, key=lambda row: (row["performed_on"], row["meter_id"], row["stage"] == "as_left")
    ):
        place = (row["mark"], row["mark_unit"])
        before = last.get(row["meter_id"])
        action = "established" if before is None else "verified" if before == place else "moved"
        last[row["meter_id"]] = place
        key = (row["meter_id"], row["performed_on"])
        earlier = days.get(key)
        if earlier is not None and action == "verified":
            action = earlier["action"]
        elif earlier is not None and earlier["action"] == "established":
            action = "moved"
        days[key] = {
            **{name: text for name, text in row.items() if name != "stage"},
            "action": action,
        }
    return list(days.values())


def as_csv(table: str, rows: Sequence[HistoryRow]) -> str:
    """Return rows of a table as the text of a CSV file."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    columns = history_columns(table)
    writer.writerow(columns)
    writer.writerows([row.get(column, "") for column in columns] for row in rows)
    return text.getvalue()


def key_of(table: str, row: Mapping[str, str]) -> tuple[str, ...]:
    """Return what makes a row the same row; numbers by their size."""
    return tuple(_plain(row.get(column, "") or "") for column in ROW_KEYS[table])


def _plain(text: str) -> str:
    """Return a number as it is written here, any other text as it is."""
    try:
        return plain_number(float(text))
    except ValueError:
        return text


def news(made: HistoryTables, known: HistoryTables) -> tuple[HistoryTables, list[Change], int]:
    """Return the rows that are new, those that have changed, and the number of those known.

    A blank in the records changes nothing that is known.
    """
    fresh: HistoryTables = {}
    changes: list[Change] = []
    same = 0
    for table, rows in made.items():
        by_key = {key_of(table, row): row for row in known.get(table, ())}
        for row in rows:
            key = key_of(table, row)
            before = by_key.get(key)
            if before is None:
                fresh.setdefault(table, []).append(row)
                continue
            unlike = [
                name
                for name, text in row.items()
                if text and _plain(text) != _plain(before.get(name) or "")
            ]
            if not unlike:
                same += 1
                continue
            changes.append(
                Change(
                    table,
                    key,
                    {name: before.get(name) or "" for name in unlike},
                    {name: row[name] for name in unlike},
                )
            )
            fresh.setdefault(table, [])
    return {table: rows for table, rows in fresh.items() if rows}, changes, same
