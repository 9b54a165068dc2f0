"""This module gathers what is read of check meters and fixed artefacts into series by date.

A check meter is one that the table ``equipment`` calls so by its identity: it is read with the
vessel and never adjusted, so that it moves with the vessel and not with the fleet.  A fixed
artefact is read by the fleet's meters without a vessel (checks of that kind), so that it is the
other way round.  A check meter read on an artefact shows what the check meter does by itself.
"""

from dataclasses import dataclass

import polars as pl

from drift.format import NO_BREAK, plain
from drift.frames import DAYS_PER_YEAR, EPOCH, Schema
from drift.limits.checks.placing import AIR, ARTEFACT, POINT, place_checks
from drift.meter.dial import STATED_AT_PCT
from drift.reference.crossed_design import sittings

CHECK_METER = "check_meter"
# What a series follows where it moves: the vessel, the fleet's meters, or the check meter alone.
OF_VESSEL, OF_FLEET, OF_ITSELF = "vessel", "fleet", "itself"
# Below this an artefact shows too little of what grows with the air content, % air.
_LEAST_AIR_PCT = 1.0
# First numbers of a series of checks, by which it is told what they are read to.
_FIRST = 7
_WORK = ("hand_reset", "gauge_replaced")
_MOVED = ("moved", "established")

# One row per session and series.  witness is a check meter, or what the artefact is called; follows
# is `OF_VESSEL`, `OF_FLEET` or `OF_ITSELF`.  A series is of one meter from one adjustment to the
# next.  shift_pct is the bias brought to 5 % air, as a vessel's grows with the content; step_pct
# what the dial is read to, brought there too.
WITNESS_ROWS: Schema = {
    "witness": pl.String,
    "kind": pl.String,
    "follows": pl.String,
    "meter_id": pl.String,
    "series": pl.String,
    "performed_on": pl.Date,
    "t_years": pl.Float64,
    "vessel_id": pl.String,
    "shift_pct": pl.Float64,
    "step_pct": pl.Float64,
}


@dataclass(frozen=True, slots=True)
class Witnesses:
    """What can tell the vessel from the fleet.

    Attributes
    ----------
    names : tuple of str
        Check meters on record, read or not.
    rows : pl.DataFrame
        Frame of `WITNESS_ROWS`.
    adjusted : pl.DataFrame
        ``meter_id on``: days on which a check meter was adjusted.
    """

    names: tuple[str, ...]
    rows: pl.DataFrame
    adjusted: pl.DataFrame


def check_meter_names(equipment: pl.DataFrame) -> tuple[str, ...]:
    """Return the check meters of the table ``equipment``, by name."""
    names = equipment.filter(pl.col("kind") == CHECK_METER)["equipment_id"]
    return tuple(names.unique().sort())


def fleet_of(ledger: pl.DataFrame, equipment: pl.DataFrame) -> pl.DataFrame:
    """Return a ledger without check meters, which are to judge what the others share."""
    names = check_meter_names(equipment)
    return ledger.filter(~pl.col("meter_id").is_in(names)) if names else ledger


def place_witnesses(
    ledger: pl.DataFrame,
    tables: dict[str, pl.DataFrame],
) -> Witnesses:
    """Gather what check meters and artefacts showed.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`, check meters among the others.
    tables : dict of str to pl.DataFrame
        ``sessions``, frame of `drift.store.tables.SESSIONS`, and rows in force of the input tables
        ``vessels``, ``checks``, ``marks``, ``service`` and ``equipment``.
    """
    names = check_meter_names(tables["equipment"])
    theirs = pl.col("meter_id").is_in(names)
    parts = [_of_checks(ledger, tables, names)]
    read = ledger.filter(theirs)
    if not read.is_empty():
        parts.append(_of_readings(read, sessions=tables["sessions"], vessels=tables["vessels"]))
    rows = pl.concat(parts).sort("witness", "follows", "series", "t_years")
    # Setting a meter up is no adjustment of it.
    begun = rows.group_by("meter_id").agg(begun=pl.col("performed_on").min())
    since = _adjusted(read, tables, names).join(begun, on="meter_id")
    later = since.filter(pl.col("on") > pl.col("begun"))
    return Witnesses(names, rows, later.select("meter_id", "on").sort("meter_id", "on"))


def _adjusted(
    read: pl.DataFrame, tables: dict[str, pl.DataFrame], names: tuple[str, ...]
) -> pl.DataFrame:
    """Return ``meter_id on``: days on which check meters were adjusted."""
    marks, service = (
        tables[name].filter(pl.col("meter_id").is_in(names)) for name in ("marks", "service")
    )
    done = (
        read.filter("adjusted"),
        marks.filter(pl.col("action").is_in(_MOVED)),
        service.filter(pl.col("action").is_in(_WORK)),
    )
    return pl.concat([rows.select("meter_id", on="performed_on") for rows in done]).unique()


def _of_readings(
    read: pl.DataFrame, *, sessions: pl.DataFrame, vessels: pl.DataFrame
) -> pl.DataFrame:
    """Return the sittings of check meters; frame of `WITNESS_ROWS`."""
    steps = read.group_by("meter_id").agg(step=pl.col("resolution_pct").max())
    at_stated = STATED_AT_PCT / pl.col("air_pct")
    return (
        sittings(read, sessions=sessions, vessels=vessels)
        .join(steps, on="meter_id", how="left")
        .select(
            witness="meter_id",
            kind=pl.lit(CHECK_METER),
            follows=pl.lit(OF_VESSEL),
            meter_id="meter_id",
            series=pl.format("{} read at {} since {}", "meter_id", "points", "segment"),
            performed_on="performed_on",
            t_years="t_years",
            vessel_id="vessel_id",
            shift_pct=pl.col("bias_pct") * at_stated,
            step_pct=pl.col("step") * at_stated,
        )
        .cast(WITNESS_ROWS)  # type: ignore[arg-type]  # names to types
    )


def _of_checks(
    ledger: pl.DataFrame, tables: dict[str, pl.DataFrame], names: tuple[str, ...]
) -> pl.DataFrame:
    """Return point checks of check meters, and artefact checks of all; `WITNESS_ROWS`."""
    is_theirs = pl.col("meter_id").is_in(names)
    placed = _placed(ledger, tables, names)
    of_artefact = pl.col("check") == ARTEFACT
    # Where nobody said what an artefact should show, it shows what it shows.
    aim = pl.coalesce(
        "aim", pl.when(of_artefact).then(pl.col("value").mean().over("series"))
    ).alias("air")
    day = (pl.col("performed_on") - EPOCH).dt.total_days() / DAYS_PER_YEAR
    read = (
        placed.filter(pl.col("unit") == AIR)
        .drop_nulls("value")
        .with_columns(aim)
        .filter(pl.col("air").abs() >= _LEAST_AIR_PCT)
    )
    called = pl.Series("called", map(called_artefact, read["air"]), pl.String)
    return (
        read.with_columns(called, at_stated=STATED_AT_PCT / pl.col("air"))
        .select(
            witness=pl.when(is_theirs).then("meter_id").otherwise("called"),
            kind=pl.when(is_theirs).then(pl.lit(CHECK_METER)).otherwise(pl.lit(ARTEFACT)),
            follows=pl.when(of_artefact & is_theirs)
            .then(pl.lit(OF_ITSELF))
            .when(of_artefact)
            .then(pl.lit(OF_FLEET))
            .otherwise(pl.lit(OF_VESSEL)),
            meter_id="meter_id",
            series=pl.format("{} {} of {} since {}", "meter_id", "check", "called", "phase"),
            performed_on="performed_on",
            t_years=day,
            vessel_id=pl.lit(None, dtype=pl.String),
            shift_pct=pl.col("value") * pl.col("at_stated"),
            step_pct=pl.col("step") * pl.col("at_stated").abs(),
        )
        .cast(WITNESS_ROWS)  # type: ignore[arg-type]  # names to types
    )


def _placed(
    ledger: pl.DataFrame, tables: dict[str, pl.DataFrame], names: tuple[str, ...]
) -> pl.DataFrame:
    """Return the checks that tell something; frame of `drift.limits.checks.placing.PLACED`."""
    is_theirs = pl.col("meter_id").is_in(names)
    wanted = tables["checks"].filter(
        (pl.col("check") == ARTEFACT) | ((pl.col("check") == POINT) & is_theirs)
    )
    # A check meter may have checks alone.
    unread = pl.DataFrame({"meter_id": names}, schema={"meter_id": pl.String}).join(
        ledger, on="meter_id", how="anti"
    )
    dials = ledger.select("meter_id", "resolution_pct", "adjusted", "performed_on")
    known = pl.concat([dials, unread], how="diagonal").with_columns(
        pl.col("adjusted").fill_null(value=False)
    )
    return place_checks(
        wanted,
        ledger=known,
        marks=tables["marks"],
        service=tables["service"],
        baseline_visits=_FIRST,
    )


def called_artefact(air_pct: float) -> str:
    """Return what an artefact is called that shows an air content."""
    return f"the artefact at {plain(round(air_pct, 1))}{NO_BREAK}%"
