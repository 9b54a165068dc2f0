"""Jumps of a path beside what was recorded at their time."""

from datetime import date, timedelta

import polars as pl
import pytest

from drift.frames import DAYS_PER_YEAR, EPOCH
from drift.meter.ledger import LEDGER
from drift.trend.change_points import CHANGES, JUMP_EVENTS, link_jumps
from tests.sittings import table

AFTER, BY = date(2025, 3, 3), date(2025, 3, 19)


def linked(*events: tuple[str, date, str]) -> dict[str, object]:
    """Return the one jump of meter A with what it is linked to."""
    t_low, t_high = ((day - EPOCH).days / DAYS_PER_YEAR for day in (AFTER, BY))
    jump = dict.fromkeys(CHANGES) | {
        "series": 4,
        "t_before": t_low,
        "t_after": t_high,
        "t_low": t_low,
        "t_high": t_high,
        "size": 0.18,
        "size_low": 0.14,
        "size_high": 0.22,
    }
    row = dict.fromkeys(LEDGER) | {"series": 4, "meter_id": "A", "point_pct": 5.0}
    service = table(
        "service",
        [{"meter_id": m, "performed_on": on, "action": action} for action, on, m in events],
    )
    made = link_jumps(
        pl.DataFrame([jump], schema=CHANGES),
        ledger=pl.DataFrame([row, row], schema=LEDGER),
        service=service,
    )
    assert made.schema == pl.Schema(JUMP_EVENTS)
    assert made.height == 1
    return made.row(0, named=True)


@pytest.mark.parametrize("day", [AFTER, AFTER + timedelta(days=5), BY])
def test_a_drop_within_the_interval_is_linked(day: date) -> None:
    """Its ends count, and the dates come back as days."""
    made = linked(("dropped", day, "A"))
    assert (made["event"], made["event_on"]) == ("dropped", day)
    assert (made["after"], made["by"]) == (AFTER, BY)


def test_a_drop_goes_before_a_replacement() -> None:
    """Where both lie in the interval, the drop is named."""
    both = ("gauge_replaced", AFTER, "A"), ("dropped", BY, "A")
    assert linked(*both)["event"] == "dropped"
    assert linked(both[0])["event"] == "gauge_replaced"


@pytest.mark.parametrize(
    "event",
    [
        ("dropped", AFTER - timedelta(days=1), "A"),
        ("dropped", BY + timedelta(days=1), "A"),
        ("dropped", BY, "B"),
        ("seal_replaced", BY, "A"),
    ],
)
def test_what_lies_elsewhere_is_not_linked(event: tuple[str, date, str]) -> None:
    """Another time, another meter, or work that does not make a meter jump."""
    assert linked(event)["event"] is None
