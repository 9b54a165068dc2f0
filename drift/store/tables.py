"""This module names what a store hands out, and counts what became of the rows of its input."""

from dataclasses import dataclass, field, replace
from datetime import date
from functools import partial

import polars as pl

from drift.frames import HELD_ROWS, IN_USE, Schema
from drift.intake.columns import TABLES
from drift.intake.meter_tables import OTHER_TYPE_REASON
from drift.store.journal import JOURNAL

# One row per meter, visit, stage and verification point: the replicates of one sitting.
# visit_id is the given one, else the ISO date.  bias_pct is the mean of reading minus correct air
# content, computed in decimal before it became a float; biases_pct the replicates themselves, in
# the order of replicate; places their numbers, where these run on from point to point of the visit
# and so tell in which order it was read, else null.  spread_pct (n − 1) is null for one replicate.
# resolution_pct is the coarsest stated on the readings, draws the most.  Of texts, several are
# joined by " + " (a verdict of "fail + pass" is two readings that differ).  readings_left_out
# counts replicates whose number is missing below the highest one.
SESSIONS: Schema = {
    "meter_id": pl.String,
    "visit_id": pl.String,
    "performed_on": pl.Date,
    "stage": pl.String,
    "point_pct": pl.Float64,
    "correct_air_pct": pl.Float64,
    "replicates": pl.Int64,
    "bias_pct": pl.Float64,
    "biases_pct": pl.List(pl.Float64),
    "places": pl.List(pl.Int64),
    "spread_pct": pl.Float64,
    "resolution_pct": pl.Float64,
    "vessel_id": pl.String,
    "operator": pl.String,
    "water_temp_c": pl.Float64,
    "draws": pl.Int64,
    "procedure": pl.String,
    "checked_by": pl.String,
    "stated_verdict": pl.String,
    "visit_reason": pl.String,
    "remarks": pl.String,
    "readings_left_out": pl.Int64,
}

# One row per row held back or line that could not be read; column is empty for a whole row.
HELD_BACK: Schema = {
    "file": pl.String,
    "line": pl.Int64,
    "column": pl.String,
    "reason": pl.String,
}

# One row per amended value: what was recorded first and what replaced it.
AMENDMENTS: Schema = {
    "table_name": pl.String,
    "row_key": pl.String,
    "column": pl.String,
    "old_value": pl.String,
    "new_value": pl.String,
    "old_file": pl.String,
    "old_line": pl.Int64,
    "new_file": pl.String,
    "new_line": pl.Int64,
}

# One row per set of readings that a person withdrew or moved away: meter, visit, day and point (to
# the nearest whole % air); entry_no is the entry of the journal, 0 where the rows tell of none.
SET_ASIDE: Schema = {
    "meter_id": pl.String,
    "visit_id": pl.String,
    "performed_on": pl.Date,
    "point_pct": pl.Float64,
    "entry_no": pl.Int64,
}

# One row per input file; rows counts data rows, taken + held_back + known = rows.
# table_name is empty for a file that is no known table (then note says why it was passed over).
FILES: Schema = {
    "file": pl.String,
    "sha256": pl.String,
    "table_name": pl.String,
    "rows": pl.Int64,
    "taken": pl.Int64,
    "held_back": pl.Int64,
    "known": pl.Int64,
    "amended": pl.Int64,
    "note": pl.String,
}

# How `held_back` of `queries/` begins the reason of a row that was loaded, but is not yet seen.
_NOT_YET = "dated after the review's date"
# How `save_held_repeats` of `queries/` begins that of a row that another line says too.
_REPEATS = "repeats line"
# How intake begins or ends what it says of a file that it could not read as it is.
_NOT_UTF_8, _ROUNDED = "not in UTF-8", " rounded to nine decimals"


_KINDS: Schema = {
    "text": pl.String,
    "date": pl.Date,
    "number": pl.Float64,
    "whole": pl.Int64,
    "answer": pl.String,
}


def input_schema(table: str) -> Schema:
    """Return the columns of the frame of an input table."""
    return {column.name: _KINDS[column.kind] for column in TABLES[table]}


def input_frame(table: str) -> pl.DataFrame:
    """Return the frame of an input table without a row."""
    return pl.DataFrame(schema=input_schema(table))


@dataclass(frozen=True, slots=True)
class Sources:
    """What the store holds, as of one date.

    Attributes
    ----------
    sessions, held_back, held_rows, amendments, files : pl.DataFrame
        Frames of the schemas above.
    marks, meters, vessels, service, responses, field_tests : pl.DataFrame
    bowls, equipment, people, checks, studies, comparisons, decisions : pl.DataFrame
        Columns as in `drift.intake.columns.TABLES`, amended values in force; empty where no file
        gave the table.  A value of checks is the text of a number, or yes or no.
    journal : pl.DataFrame
        Frame of `drift.store.journal.JOURNAL`, without reviews: they change no row, and are noted
        after what they say.
    journal_broken : str
        Where the chain of its entries breaks, as a sentence; empty where it is whole.
    set_aside : pl.DataFrame
        Frame of `SET_ASIDE`.
    """

    sessions: pl.DataFrame
    marks: pl.DataFrame
    meters: pl.DataFrame
    vessels: pl.DataFrame
    service: pl.DataFrame
    responses: pl.DataFrame
    field_tests: pl.DataFrame
    held_back: pl.DataFrame
    amendments: pl.DataFrame
    files: pl.DataFrame
    held_rows: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=HELD_ROWS))
    bowls: pl.DataFrame = field(default_factory=partial(input_frame, "bowls"))
    equipment: pl.DataFrame = field(default_factory=partial(input_frame, "equipment"))
    people: pl.DataFrame = field(default_factory=partial(input_frame, "people"))
    checks: pl.DataFrame = field(default_factory=partial(input_frame, "checks"))
    studies: pl.DataFrame = field(default_factory=partial(input_frame, "studies"))
    comparisons: pl.DataFrame = field(default_factory=partial(input_frame, "comparisons"))
    decisions: pl.DataFrame = field(default_factory=partial(input_frame, "decisions"))
    journal: pl.DataFrame = field(default_factory=partial(pl.DataFrame, schema=JOURNAL))
    journal_broken: str = ""
    set_aside: pl.DataFrame = field(default_factory=partial(pl.DataFrame, schema=SET_ASIDE))


@dataclass(frozen=True, slots=True)
class RowCounts:
    """What became of the rows of a source's files.

    Attributes
    ----------
    taken : int
        Rows in use on the review's date.
    held_back : int
        Rows not used; one held back for several reasons counts once, a file held back whole with
        every row of it, a reading dated after the review's date too.
    known : int
        Rows that repeated what an earlier load had brought.
    """

    taken: int
    held_back: int
    known: int


def row_counts(sources: Sources) -> RowCounts:
    """Count what became of the rows of a source."""
    not_yet = sources.held_back.filter(pl.col("reason").str.starts_with(_NOT_YET)).height
    taken, known = sources.files.select("taken", "known").sum().row(0)
    whole = sources.files.filter(pl.col("table_name") == "").select("file", "held_back")
    held = (
        sources.held_back.group_by("file")
        .agg(pl.col("line").n_unique().alias("lines"))
        .join(whole.unique("file"), on="file", how="left")
        .select(pl.coalesce("held_back", "lines").sum())
        .item()
    )
    return RowCounts(taken=int(taken) - not_yet, held_back=int(held), known=int(known))


def rows_then(sources: Sources) -> tuple[int, int]:
    """Return how many rows there were on the review's date, and how many of them are not used.

    As `row_counts`, but for readings dated after that day, which were not there to be used.
    """
    not_yet = sources.held_back.filter(pl.col("reason").str.starts_with(_NOT_YET)).height
    total = int(sources.files["rows"].sum())
    return total - not_yet, row_counts(sources).held_back - not_yet


def readings_not_taken(sources: Sources) -> tuple[int, int]:
    """Return how many rows of readings could not be read, and how many there are in all.

    A row that repeats another, or is dated after the review, is known and counts as read.  A file
    that was held back whole counts with all its rows, whatever it may be.
    """
    whole = sources.files.filter(pl.col("table_name") == "", pl.col("held_back") > 0)
    files = sources.files.filter(pl.col("table_name") == "readings")
    known = pl.col("reason").str.contains(f"^(?:{_NOT_YET}|{_REPEATS})")
    lines = sources.held_back.filter(~known, pl.col("file").is_in(files["file"].implode())).select(
        "file", "line"
    )
    lost = int(whole["held_back"].sum())
    return lines.n_unique() + lost, int(files["rows"].sum()) + lost


def without_refused(sources: Sources) -> Sources:
    """Leave out what was read with meters whose type the table ``meters`` says and is refused.

    Nothing here would hold for such a reading.  The row of the meter is among those held back, and
    what was read with it is listed there too, with the reason.
    """
    refused = sources.held_rows.filter(
        pl.col("table_name") == "meters",
        pl.col("column") == "type",
        pl.col("reason").str.ends_with(OTHER_TYPE_REASON),
    ).unique("meter_id", maintain_order=True)
    mine = sources.sessions.join(refused, on="meter_id", how="semi")
    if mine.is_empty():
        return sources
    sets = mine.group_by("meter_id").len()
    told = refused.join(sets, on="meter_id").select(
        "file",
        "line",
        "column",
        reason=pl.format(
            "no reading of {} is judged ({} on record): type: {}", "meter_id", "len", "reason"
        ),
    )
    return replace(
        sources,
        sessions=sources.sessions.join(refused, on="meter_id", how="anti"),
        held_back=pl.concat([sources.held_back, told.cast(HELD_BACK)]),  # type: ignore[arg-type]  # names to types
    )


def unread_meters(sources: Sources, *, as_of: date) -> list[str]:
    """Return the meters in use on a date by the meters table and never read, by their names."""
    in_use = sources.meters.filter(
        pl.col("status").fill_null("active").is_in(IN_USE),
        pl.col("in_service_on").fill_null(as_of) <= as_of,
    )
    unread = in_use.join(sources.sessions, on="meter_id", how="anti")
    return unread["meter_id"].unique().sort().to_list()


def checked_unread(sources: Sources) -> list[tuple[str, int, date]]:
    """Return meters with checks between calibrations and no reading: checks, day of the last."""
    alone = sources.checks.join(sources.sessions, on="meter_id", how="anti")
    counted = alone.group_by("meter_id").agg(pl.len(), pl.col("performed_on").max())
    return counted.sort("meter_id").rows()


def unused_files(sources: Sources) -> list[tuple[str, str]]:
    """Return the files of which no row could be used, and why, in the order of their names."""
    unused = sources.files.filter(pl.col("table_name") == "", pl.col("note") != "")
    return sorted(set(unused.select("file", "note").iter_rows()))


def read_otherwise(sources: Sources) -> list[tuple[str, str]]:
    """Return the files that were not read as UTF-8 throughout or as written, and how they were."""
    told = sources.files.filter(pl.col("table_name") != "").with_columns(
        pl.col("note").str.split("; ").list.eval(pl.element().filter(_is_told(pl.element())))
    )
    rows = told.filter(pl.col("note").list.len() > 0).select("file", pl.col("note").list.join("; "))
    return sorted(set(rows.iter_rows()))


def _is_told(part: pl.Expr) -> pl.Expr:
    """Return whether a part of the note on a file says that it was read otherwise."""
    return part.str.starts_with(_NOT_UTF_8) | part.str.ends_with(_ROUNDED)
