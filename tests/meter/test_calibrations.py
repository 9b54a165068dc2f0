"""Which visits are calibrations, looking back and looking forward."""

from collections.abc import Sequence
from datetime import date, timedelta

import polars as pl
import pytest

from drift.meter.calibrations import CalibrationRule, kept_points, points_given_up
from drift.meter.ledger import build_ledger
from drift.review.schedule import build_schedule
from drift.review.suspicion import suspect
from drift.upkeep.reliability.censored_intervals import (
    censored_intervals,
    judged_visits,
    periods_of,
)
from tests.sittings import START, sessions, sitting, table

FULL = (0.0, 5.0, 10.0)
Rows = list[dict[str, object]]


def visit(
    day: int,
    points: Sequence[float] = FULL,
    *,
    bias: float = 0.02,
    stage: str = "as_found",
    meter: str = "A",
) -> Rows:
    return [sitting(day, [bias], point=at, stage=stage, meter=meter) for at in points]


def ledger_of(
    *visits: Rows, required: tuple[float, ...] = (), service: Rows | None = None
) -> pl.DataFrame:
    return build_ledger(
        sessions([row for one in visits for row in one]),
        marks=table("marks"),
        service=table("service", service or []),
        meters=table("meters"),
        resolution_pct=0.1,
        rule=CalibrationRule(required_points_pct=required),
    )


def said(*visits: Rows, **more: object) -> list[tuple[str, str | None]]:
    """Return what each visit is, and what it lacks, in time order."""
    found = ledger_of(*visits, **more)  # type: ignore[arg-type]  # as named above
    rows = found.sort("performed_on").unique("visit_id", keep="first", maintain_order=True)
    return rows.select("calibration", "points_missing").rows()


def quarterly(points: Sequence[float], visits: int, *, start: int = 0) -> list[Rows]:
    return [visit(start + 91 * at, points) for at in range(visits)]


@pytest.mark.parametrize(
    ("points", "lacks"), [((5.0,), "0, 10"), ((0.0,), "5, 10"), ((5.0, 10.0), "0")]
)
def test_a_visit_that_reads_less_is_no_calibration(points: Sequence[float], lacks: str) -> None:
    """Zero and as many span points as the meter is kept at, or it answers for nothing."""
    assert said(*quarterly(FULL, 4), visit(300, points))[-1] == ("neither", lacks)


def test_a_meter_only_ever_read_at_one_point_is_calibrated_by_that_point() -> None:
    """Its first visit sets its points, and all later ones agree."""
    assert said(*quarterly((5.0,), 6)) == [("both", None)] * 6


def test_vessels_that_alternate_are_one_span_point() -> None:
    """4.9 and 6.1 % are nearer than 2 % air; 5 and 7 are not, and both are asked for."""
    turns = [visit(91 * at, (0.0, (5.0, 6.0)[at % 2], 10.0)) for at in range(8)]
    assert said(*turns) == [("both", None)] * 8
    apart = [visit(91 * at, (0.0, (5.0, 7.0)[at % 2])) for at in range(3)]
    assert said(*apart)[-1] == ("neither", "7")
    assert said(*apart, visit(273, (0.0, 5.0, 7.0)))[-1] == ("both", None)


def test_a_change_of_practice_takes_over_after_half_of_eight_visits() -> None:
    """Four visits at 5 % alone lack a point; from then on it is what the laboratory does."""
    kinds = said(*quarterly(FULL, 8), *quarterly((0.0, 5.0), 6, start=728))
    assert kinds[8:] == [("neither", "10")] * 5 + [("both", None)]
    grid = kept_points(
        ledger_of(*quarterly(FULL, 8), *quarterly((0.0, 5.0), 6, start=728)), CalibrationRule()
    )
    given_up = points_given_up(grid)
    assert given_up.rows() == [
        ("A", 10.0, START + timedelta(days=637), START + timedelta(days=728 + 455))
    ]


def test_meters_have_points_of_their_own() -> None:
    """What one meter is kept at asks nothing of another."""
    rows = [*quarterly(FULL, 3), visit(10, (5.0,), meter="B"), visit(101, (5.0,), meter="B")]
    found = ledger_of(*rows)
    assert found.filter(pl.col("meter_id") == "B")["calibration"].unique().to_list() == ["both"]


def test_the_policy_may_name_the_points() -> None:
    """A laboratory that asks for 0, 5 and 10 gets no calibration out of 0 and 5, ever."""
    assert said(*quarterly((0.0, 5.0), 3), required=FULL) == [("neither", "10")] * 3
    assert said(*quarterly((0.0, 6.0, 10.0), 3), required=FULL) == [("both", None)] * 3


def test_a_new_gauge_recorded_as_left_alone_looks_forward() -> None:
    """Nobody read it before the work, so it answers for nothing earlier."""
    work = [{"meter_id": "A", "performed_on": START + timedelta(days=91)}]
    kinds = said(
        visit(0),
        visit(91, stage="as_left"),
        visit(182),
        service=[work[0] | {"action": "gauge_replaced"}],
    )
    assert kinds == [
        ("both", None),
        ("looks_forward", "as found 0, 5, 10"),
        ("both", None),
    ]


def test_left_outside_looks_back_only() -> None:
    """It was checked and failed; nothing says when it is next due."""
    assert said(visit(0), visit(91, bias=0.2))[-1] == ("looks_back", None)


def test_an_adjustment_read_at_one_point_looks_back_only() -> None:
    """What it was left with at the others nobody knows."""
    mended = [*visit(91, bias=0.2), *visit(91, (5.0,), bias=0.0, stage="as_left")]
    assert said(visit(0), mended)[-1] == ("looks_back", "as left 0, 10")


def test_a_partial_visit_moves_no_due_date() -> None:
    """Overdue since the interval after the last calibration, whatever was read at 5 % since."""
    ledger = ledger_of(*quarterly(FULL, 3), visit(330, (5.0,)))
    row = build_schedule(
        ledger, table("meters"), as_of=START + timedelta(days=340), interval_days=91
    ).row(0, named=True)
    assert row["calibrated_on"] == START + timedelta(days=182)
    assert row["next_due_on"] == START + timedelta(days=273)
    assert row["last_visit_on"] == START + timedelta(days=330)
    assert row["overdue"]


def test_a_partial_visit_ends_no_suspect_period() -> None:
    """One reading at 0 % a fortnight before the failure acquits nothing."""
    inside = pl.col("as_found_bias_pct").abs() <= 0.1
    ledger = ledger_of(visit(0), visit(91), visit(167, (0.0,)), visit(181, bias=0.2)).with_columns(
        found_inside=inside, left_inside=inside
    )
    assert suspect(ledger, closed=date(2024, 7, 9)).started == START + timedelta(days=91)


def test_a_partial_visit_counts_as_a_check_only_where_it_condemns() -> None:
    """Passing at one point ends no period; failing at it ends one, and the spell."""
    passing = ledger_of(visit(0), visit(50, (5.0,)), visit(91))
    failing = ledger_of(visit(0), visit(50, (5.0,), bias=0.2), visit(91, bias=0.2))
    checked = [
        periods_of(judged_visits(frame, tolerance=0.1, comparison="absolute", by="meter"))
        .select("days", "passed")
        .rows()
        for frame in (passing, failing)
    ]
    assert checked == [[(91.0, True)], [(50.0, False)]]
    held = [
        censored_intervals(frame, tolerance=0.1, comparison="absolute")
        for frame in (passing, failing)
    ]
    days = [frame.select("lower_days", "upper_days").row(0) for frame in held]
    assert days == [(91.0, None), (0.0, 50.0)]
