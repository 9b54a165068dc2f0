"""This module hands out what a store holds of some meters at a time.

A fleet that does not fit in memory is read so: what is small whole, sittings by meter.
"""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import polars as pl

from drift.frames import Schema
from drift.intake.columns import TABLES
from drift.store.connection import Connection, frame, run
from drift.store.reading import read_rest, read_sessions
from drift.store.tables import Sources, input_schema

# One row per meter that was read, by name.  place orders them by what was read, from 0, so that
# the first of that order are an even choice whatever meters are called.
FLEET: Schema = {
    "meter_id": pl.String,
    "readings": pl.Int64,
    "place": pl.Int64,
    "visits": pl.Int64,
}


def meters_read(con: Connection, *, as_of: date | None) -> pl.DataFrame:
    """Return the meters of a store that were read by a day, frame of `FLEET`."""
    return frame(con, "fleet", schema=FLEET, as_of=as_of)


def holds_rows(con: Connection, table: str) -> bool:
    """Say whether a store holds rows in force of a small table."""
    rows = frame(con, "rows_in_force", schema=input_schema(table), in_force=f"{table}_in_force")
    return not rows.is_empty()


@dataclass(frozen=True, slots=True)
class PartedSources:
    """An open store from which meters are read some at a time.

    Attributes
    ----------
    con : Connection
        From `parted`.
    rest : Sources
        All but the sittings.
    as_of : date or None
        Last day seen.
    points_pct, point_window_pct
        As for `drift.store.reading.read_sources`.
    """

    con: Connection
    rest: Sources
    as_of: date | None
    points_pct: tuple[float, ...]
    point_window_pct: float

    def of(self, meters: Sequence[str], *, unread: Sequence[str] = ()) -> Sources:
        """Return what the store holds of some meters, and of some others that were never read."""
        run(self.con, "ask_nobody")
        run(self.con, "ask", meters=list(meters))
        sessions = read_sessions(
            self.con,
            as_of=self.as_of,
            points_pct=self.points_pct,
            point_window_pct=self.point_window_pct,
        )
        return self.around(sessions, meters=[*meters, *unread])

    def around(self, sessions: pl.DataFrame, *, meters: Sequence[str]) -> Sources:
        """Return sittings of some meters with all else that the store holds of these meters."""
        theirs = pl.Series("meter_id", meters, dtype=pl.String)
        mine = pl.col("meter_id").is_in(theirs.implode())
        rest = self.rest
        return dataclasses.replace(
            rest,
            sessions=sessions,
            marks=rest.marks.filter(mine),
            meters=rest.meters.filter(mine),
            service=rest.service.filter(mine),
            field_tests=rest.field_tests.filter(mine),
            checks=rest.checks.filter(mine),
            studies=rest.studies.filter(mine),
        )


def parted(
    con: Connection,
    *,
    as_of: date | None,
    points_pct: tuple[float, ...],
    point_window_pct: float,
) -> PartedSources:
    """Make an open store ready to be read by meters; the connection serves nothing else then."""
    rest = read_rest(con, as_of=as_of)
    run(con, "make_room")
    run(con, "sort_readings", empty=_empty_columns(con))
    run(con, "pack_readings")
    run(con, "see_asked")
    return PartedSources(
        con=con,
        rest=rest,
        as_of=as_of,
        points_pct=points_pct,
        point_window_pct=point_window_pct,
    )


def _empty_columns(con: Connection) -> list[str]:
    """Return the columns of readings that none of a store fills."""
    absent = [column.name for column in TABLES["readings"] if not column.required]
    asked = run(con, "columns_filled", table_name="readings", absent=absent)
    filled = {name for (name,) in asked.fetchall()}
    return [name for name in absent if name not in filled]
