"""Rows that could not be read, through written files: whose they are and what is said of them."""

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from drift.api.sources import intake, read_known
from drift.review.noted_rows import held_rows_noted, names_noted, unread_since
from drift.review.policy import Policy
from tests.csv_folders import readings, write

AS_OF = date(2026, 10, 1)
GOOD = "AM-01,2026-01-02,as_found,5.0,5.0"


def noted(
    source: Path, *, meters: tuple[str, ...] = ("AM-01", "AM-02")
) -> list[tuple[object, ...]]:
    rows = held_rows_noted(read_known(source, as_of=AS_OF, policy=Policy()).held_rows, meters)
    plain = rows.with_columns(pl.col("words").str.replace_all("\u00a0", " "))
    return plain.rows()


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("AM-01,2026-04-02,as_found,5.0,5.6 %", "'5.6 %' carries a unit"),
        ("AM-01,2026-04-02,as_found,5.0,5.O6", "'5.O6' is not a number"),
        ("AM-01,2026-04-02,after,5.0,5.6", "'after' is none of as_found, as_left"),
        ("AM-01,2026-04-02,as_found,5,0,5.6", "has 6 cells where the header has 5"),
        ("AM-01,2026-04-02,as_found", "has 3 cells where the header has 5"),
        ('AM-01,2026-04-02,as_found,"5.0,5.6', "a quote opened on this line"),
    ],
)
def test_a_row_that_could_not_be_read_is_known_by_its_meter(
    tmp_path: Path, row: str, why: str
) -> None:
    """A unit, a letter, a word, a cell too many or too few, a quote: all name AM-01 and its day."""
    folder = write(tmp_path / "in", readings=readings(GOOD, row))
    ((meter, on, words, speaks),) = noted(folder)
    assert (meter, on, speaks) == ("AM-01", date(2026, 4, 2), True)
    assert str(words).startswith(f"a reading of 2 Apr 2026: {why}")
    assert str(words).endswith("(readings.csv:3)")


def test_newest_come_first_and_other_ways_of_writing_are_told(tmp_path: Path) -> None:
    """Case, spaces and the letter O; an unknown day first; months as far as they can be read."""
    folder = write(
        tmp_path / "in",
        readings=readings(
            GOOD,
            "AM-01,2026-04-02,as_found,5.0,x",
            "am 01,2026-05-02,as_found,5.0,x",
            "AM-O1,2026-02-30,as_found,5.0,5.0",
            "AM-1,12/05/26,as_found,5.0,5.0",
            "AM-7,2026-05-02,as_found,5.0,x",
        ),
        field_tests="test_id,meter_id,tested_on,air_pct\nT1,AM-02,2026-05-05,much\n",
    )
    found = noted(folder)
    assert [row[:2] for row in found] == [
        ("AM-01", None),
        ("AM-01", date(2026, 5, 2)),
        ("AM-01", date(2026, 4, 2)),
        ("AM-01", date(2026, 2, 1)),
        ("AM-02", date(2026, 5, 5)),
    ]
    words = [str(row[2]) for row in found]
    assert words[0].startswith("a reading dated ‘12/05/26’, written for ‘AM-1’: ")
    assert "written for ‘am 01’" in words[1]
    assert "dated ‘2026-02-30’, written for ‘AM-O1’" in words[3]
    assert words[4].startswith("a field test of 5 May 2026: 'much' is not a number")
    assert [row[3] for row in found] == [True] * 4 + [False]


def test_a_store_remembers_whose_rows_were_held_back(tmp_path: Path) -> None:
    """The file itself is gone by the time of the review; read again in full it is forgotten."""
    folder = write(tmp_path / "in", readings=readings(GOOD, "AM-01,2026-04-02,as_found,5.0,x"))
    store = tmp_path / "store.duckdb"
    intake(folder, store=store)
    assert [row[:2] for row in noted(store)] == [("AM-01", date(2026, 4, 2))]
    write(folder, readings=readings(GOOD, "AM-01,2026-04-02,as_found,5.0,5.6"))
    intake(folder, store=store)
    assert noted(store) == []


def test_rows_known_otherwise_are_not_called_unread(tmp_path: Path) -> None:
    """A row that repeats another, and one dated after the review, say nothing that is not known."""
    late = "AM-01,2026-12-02,as_found,5.0,5.0"
    extra = "replicate"
    rows = [f"{GOOD},1", f"{GOOD},1", f"{late},1"]
    folder = write(tmp_path / "in", readings=readings(*rows, columns=extra))
    assert noted(folder) == []


def test_meters_written_in_several_ways_are_told_and_not_merged() -> None:
    """007 and 7 are told of each other; 8 is not."""
    found = names_noted(["007", "7", "8"])
    assert dict(found.select("meter_id", "words").iter_rows()) == {
        "007": "possibly the same meter as 7, written otherwise",
        "7": "possibly the same meter as 007, written otherwise",
    }


def test_what_may_be_newer_than_the_last_calibration_counts(tmp_path: Path) -> None:
    """A later day and a day that cannot be read may be newer; an earlier one is not."""
    folder = write(
        tmp_path / "in",
        readings=readings(
            GOOD,
            "AM-01,2026-04-02,as_found,5.0,x",
            "AM-02,someday,as_found,5.0,5.0",
        ),
    )
    held = read_known(folder, as_of=AS_OF, policy=Policy()).held_rows
    rows = held_rows_noted(held, ("AM-01", "AM-02"))
    first, second = (rows.filter(meter_id=meter) for meter in ("AM-01", "AM-02"))
    assert unread_since(first, date(2026, 4, 1))
    assert not unread_since(first, date(2026, 4, 2))
    assert unread_since(first, None)
    assert unread_since(second, date(2026, 9, 1))
    assert not unread_since(rows.clear(), None)
