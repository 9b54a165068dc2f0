"""Checks between calibrations in a review: a signal, an earlier day, never another due date."""

from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest

import drift
from drift.api.face import Review
from tests.csv_folders import write
from tests.limits.checks.check_laboratories import FIRST, calibrations, checks, table_of

AS_OF = FIRST + timedelta(days=91 * 7 + 30)
LATE = AS_OF - timedelta(days=5)


@pytest.fixture(scope="module")
def reviews(tmp_path_factory: pytest.TempPathFactory) -> tuple[Review, Review]:
    """Return a review with checks, of which one failed since the last calibration, and without."""
    folder = tmp_path_factory.mktemp("checks")
    rows = [
        *checks(2, "zero", number=30),
        f"C-000,{LATE},leak,no,,",
        f"C-002,{FIRST + timedelta(days=40)},leak,no,,",
    ]
    tables = {"readings": calibrations(3)}
    without = write(folder / "without", **tables)
    beside = write(folder / "with", checks=table_of(rows), **tables)
    return drift.review(beside, as_of=AS_OF), drift.review(without, as_of=AS_OF)


def test_a_failed_check_asks_to_see_the_meter_and_moves_no_due_date(
    reviews: tuple[Review, Review],
) -> None:
    """Of two failed checks the later one asks: a calibration has answered the other."""
    found, plain = reviews
    owed = found.obligations.filter(pl.col("obligation") == "see_early")
    assert owed["meter_id"].to_list() == ["C-000"]
    assert owed["by_on"].to_list() == [AS_OF]
    assert "leak check of" in owed["sentence"][0]
    due = pl.col("meter_id", "next_due_on", "level_pct", "p_out_next_due")
    assert (
        found.meters.select(due).sort("meter_id").equals(plain.meters.select(due).sort("meter_id"))
    )


def test_a_signal_of_a_check_is_told_like_the_others(reviews: tuple[Review, Review]) -> None:
    """In the data file, with an id to answer; both are open until somebody does."""
    signals = reviews[0].signals.filter(pl.col("chart") == "leak_check")
    assert signals["meter_id"].to_list() == ["C-000", "C-002"]
    assert signals["point_pct"].null_count() == 2
    assert signals["answered_on"].null_count() == 2


def test_pages_tell_of_checks(reviews: tuple[Review, Review], tmp_path: Path) -> None:
    """On the dossier and beside the fleet; the dossier draws each kind that has numbers."""
    reviews[0].write(tmp_path / "out")
    dossier = (tmp_path / "out" / "meters" / "C-000.html").read_text()
    assert "Checks between calibrations" in dossier
    assert dossier.count('data-figure="meter_checks"') == 1
    assert "is asked for by a check between calibrations: see it now" in dossier
    index = (tmp_path / "out" / "index.html").read_text().replace("\u00a0", " ")
    assert "2 signals of checks without a response: C-000 and C-002" in index
    assert (tmp_path / "out" / "data" / "check_days.csv").is_file()
    assert reviews[0].chart("meter_checks", "C-001").to_dict()


def test_a_date_before_a_check_knows_nothing_of_it(reviews: tuple[Review, Review]) -> None:
    """What was checked later is not known yet."""
    assert max(reviews[0].check_days["performed_on"]) <= AS_OF
    assert isinstance(LATE, date)
