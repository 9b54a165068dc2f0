"""This module hands out what a store holds, as of one date."""

import dataclasses
from datetime import date

import polars as pl

from drift.frames import HELD_ROWS
from drift.intake.columns import KNOWN_FROM, TABLES
from drift.store.connection import Connection, frame, run
from drift.store.journal import journal_broken_at, journal_of
from drift.store.tables import (
    AMENDMENTS,
    FILES,
    HELD_BACK,
    SESSIONS,
    SET_ASIDE,
    Sources,
    input_frame,
    input_schema,
)

# A visit_id seen again after this many days is another visit.  Our choice, no source: work on one
# meter ends within days, and visits are weeks apart.
VISIT_GAP_DAYS = 14


def read_sources(
    con: Connection,
    *,
    as_of: date | None,
    points_pct: tuple[float, ...],
    point_window_pct: float,
) -> Sources:
    """Return what a store holds, as it was known on one date.

    Parameters
    ----------
    con : Connection
        An open store.
    as_of : date or None
        Rows dated later are left out, and later readings named among those held back; None for
        everything.
    points_pct : tuple of float
        Nominal verification points, % air.
    point_window_pct : float
        How far the correct air content may lie from its nominal point, % air.
    """
    sessions = read_sessions(
        con, as_of=as_of, points_pct=points_pct, point_window_pct=point_window_pct
    )
    return dataclasses.replace(read_rest(con, as_of=as_of), sessions=sessions)


def read_sessions(
    con: Connection,
    *,
    as_of: date | None,
    points_pct: tuple[float, ...],
    point_window_pct: float,
) -> pl.DataFrame:
    """Return the sittings that a store holds; arguments as for `read_sources`."""
    return frame(
        con,
        "sessions",
        schema=SESSIONS,
        as_of=as_of,
        points_pct=list(points_pct),
        point_window_pct=point_window_pct,
        visit_gap_days=VISIT_GAP_DAYS,
    )


def read_rest(con: Connection, *, as_of: date | None) -> Sources:
    """Return what a store holds beside sittings, of which there are none; see `read_sources`."""
    filled = {name for (name,) in run(con, "tables_filled").fetchall()}
    return Sources(
        sessions=pl.DataFrame(schema=SESSIONS),
        **{
            table: _in_force(con, table, as_of=as_of) if table in filled else input_frame(table)
            for table in TABLES
            if table != "readings"
        },
        journal=journal_of(con).filter(pl.col("kind") != "review"),
        journal_broken=journal_broken_at(con),
        held_back=frame(con, "held_back", schema=HELD_BACK, as_of=as_of, file_nos=None),
        amendments=frame(con, "amendments", schema=AMENDMENTS, as_of=as_of, file_nos=None),
        held_rows=frame(con, "held_rows", schema=HELD_ROWS, as_of=as_of),
        files=frame(con, "files", schema=FILES, file_nos=None),
        set_aside=frame(con, "set_aside", schema=SET_ASIDE, as_of=as_of)
        if "changes" in filled
        else pl.DataFrame(schema=SET_ASIDE),
    )


def _in_force(con: Connection, table: str, *, as_of: date | None) -> pl.DataFrame:
    """Return the rows in force of one small table that were known on a date."""
    rows = frame(con, "rows_in_force", schema=input_schema(table), in_force=f"{table}_in_force")
    known_from = KNOWN_FROM.get(table)
    if as_of is None or known_from is None:
        return rows
    return rows.filter(pl.col(known_from) <= as_of)
