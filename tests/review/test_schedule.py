"""The schedule: due dates, overdue meters and the date a forecast speaks for."""

from datetime import timedelta

import polars as pl

from drift.meter.ledger import build_ledger
from drift.review.schedule import build_schedule
from tests.sittings import START, sessions, sitting, table


def schedule(days_later: int, meters: list[dict[str, object]]) -> pl.DataFrame:
    ledger = build_ledger(
        sessions([sitting(0, [0.0]), sitting(91, [0.0])]),
        marks=table("marks"),
        service=table("service"),
        meters=table("meters"),
        resolution_pct=0.1,
    )
    as_of = START + timedelta(days=days_later)
    return build_schedule(ledger, table("meters", meters), as_of=as_of, interval_days=91)


def test_the_next_due_date_is_the_last_visit_plus_the_interval() -> None:
    """Without an interval of its own the meter has the policy's."""
    row = schedule(100, []).row(0, named=True)
    assert row["next_due_on"] == START + timedelta(days=182)
    assert (row["visits"], row["segments"], row["overdue"]) == (2, 1, False)
    assert row["speaks_for"] == row["next_due_on"]


def test_past_its_due_date_a_meter_is_overdue_and_spoken_of_today() -> None:
    """The forecast of an overdue meter is for the review's own date."""
    row = schedule(183, []).row(0, named=True)
    assert row["overdue"]
    assert row["speaks_for"] == START + timedelta(days=183)


def test_on_its_due_date_a_meter_is_not_overdue() -> None:
    """The due date itself still counts as in time."""
    assert not schedule(182, []).row(0, named=True)["overdue"]


def test_a_meters_own_interval_counts() -> None:
    """The meters table may say how often this one is seen."""
    row = schedule(100, [{"meter_id": "A", "interval_days": 30}]).row(0, named=True)
    assert row["next_due_on"] == START + timedelta(days=121)


def test_a_retired_meter_is_never_due() -> None:
    """Nothing is due for a meter out of use."""
    row = schedule(900, [{"meter_id": "A", "status": "retired"}]).row(0, named=True)
    assert row["next_due_on"] is None
    assert not row["overdue"]
