"""This module writes small folders of CSV files and loads them; it asserts nothing."""

import atexit
from datetime import date
from functools import cache
from pathlib import Path

from drift.store.connection import Connection
from drift.store.loading import IntakeSummary, take_folder
from drift.store.opening import open_store
from drift.store.reading import read_sources
from drift.store.tables import Sources

HEADER = "meter_id,performed_on,stage,correct_air_pct,reading_air_pct"
POINTS_PCT = (0.0, 5.0, 10.0)

# What makes a row the same row: a later row with the same key and another value amends it.
KEYS: dict[str, tuple[str, ...]] = {
    "readings": (
        "meter_id",
        "visit_id",
        "performed_on",
        "stage",
        "correct_air_pct",
        "replicate",
    ),
    "marks": ("meter_id", "performed_on", "action"),
    "meters": ("meter_id",),
    "vessels": ("vessel_id", "calibrated_on", "meter_id"),
    "service": ("meter_id", "performed_on", "action"),
    "responses": ("signal_id", "recorded_on"),
    "field_tests": ("test_id",),
    "bowls": ("meter_id", "measured_on"),
    "equipment": ("equipment_id", "calibrated_on"),
    "people": ("operator", "task", "authorised_on"),
    "checks": ("meter_id", "performed_on", "check", "expected", "replicate"),
    "studies": (
        *("study_id", "meter_id", "performed_on", "visit_id", "stage", "correct_air_pct"),
        *("vessel_id", "operator", "replicate"),
    ),
    "comparisons": ("comparison_id",),
    "decisions": ("decision_id",),
}


def write(folder: Path, **tables: str | bytes) -> Path:
    """Write ``name="text"`` as ``name.csv`` into `folder`, made where it is missing."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in tables.items():
        content = text if isinstance(text, bytes) else text.encode()
        (folder / f"{name}.csv").write_bytes(content)
    return folder


def readings(*rows: str, columns: str = "") -> str:
    """Return a file of readings: the required columns and further ones, then `rows`."""
    header = f"{HEADER},{columns}" if columns else HEADER
    return "\n".join((header, *rows, ""))


def read(con: Connection, *, as_of: date | None = None) -> Sources:
    """Return what a store holds under the usual points."""
    return read_sources(con, as_of=as_of, points_pct=POINTS_PCT, point_window_pct=1.0)


def load(folder: Path) -> tuple[IntakeSummary, Sources]:
    """Load a folder into a store in memory and read it back."""
    con = emptied(_in_memory())
    return take_folder(con, folder), read(con)


def take(folder: Path) -> IntakeSummary:
    """Load a folder into a store in memory and say what was taken."""
    return take_folder(emptied(_in_memory()), folder)


def emptied(con: Connection) -> Connection:
    """Return a store without what the last load left in it: making one anew takes longer."""
    tables = con.execute(
        "select table_name from duckdb_tables() where not temporary and table_name <> 'store_info'"
    ).fetchall()
    for (table,) in tables:
        con.execute(f"delete from {table}")  # noqa: S608
    return con


@cache
def _in_memory() -> Connection:
    """Make the store in memory that the tests of this process share."""
    con = open_store(None)
    atexit.register(con.close)
    return con


def held(summary: IntakeSummary) -> list[tuple[str, int, str, str]]:
    """Return what was held back as file, line, column and reason."""
    return [
        (row["file"], row["line"], row["column"], row["reason"])
        for row in summary.held_back.iter_rows(named=True)
    ]


def counts(summary: IntakeSummary) -> dict[str, tuple[int, int, int, int, int]]:
    """Return of each file its rows: all, taken, held back, known, amended."""
    names = ("rows", "taken", "held_back", "known", "amended")
    return {
        row["file"]: (row[names[0]], *(row[name] for name in names[1:]))
        for row in summary.files.iter_rows(named=True)
    }
