"""This module counts what became of the rows of a review's input; it reads and judges none."""

from dataclasses import dataclass

import polars as pl

from drift.frames import Sources

# How `queries/held_back.sql` begins the reason of a row that was loaded, but is not yet seen.
_NOT_YET = "dated after the review's date"


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


def unused_files(sources: Sources) -> list[tuple[str, str]]:
    """Return the files of which no row could be used, and why, in the order of their names."""
    unused = sources.files.filter(pl.col("table_name") == "", pl.col("note") != "")
    return sorted(set(unused.select("file", "note").iter_rows()))
