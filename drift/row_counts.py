"""This module says what became of the rows of a review's input; it reads and judges none."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift.frames import Sources

# How `queries/held_back.sql` begins the reason of a row that was loaded, but is not yet seen.
_NOT_YET = "dated after the review's date"
# How `queries/save_held_repeats.sql` begins that of a row that another line says too.
_REPEATS = "repeats line"
# How intake begins or ends what it says of a file that it could not read as it is.
_NOT_UTF_8, _ROUNDED = "not in UTF-8", " rounded to nine decimals"


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


def unread_meters(sources: Sources, *, as_of: date) -> list[str]:
    """Return the meters in use on a date by the meters table and never read, by their names."""
    in_use = sources.meters.filter(
        pl.col("status").fill_null("active") == "active",
        pl.col("in_service_on").fill_null(as_of) <= as_of,
    )
    unread = in_use.join(sources.sessions, on="meter_id", how="anti")
    return unread["meter_id"].unique().sort().to_list()


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
