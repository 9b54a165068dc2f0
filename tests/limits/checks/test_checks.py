"""Checks between calibrations, from written files: placed, judged, charted, counted."""

from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest

from drift.limits.checks.judging import NO_LIMIT, NOT_JUDGED, OTHER_UNIT
from drift.limits.checks.weigh import CheckCharts
from drift.review.policy import Policy
from tests.limits.checks.check_laboratories import (
    FIRST,
    calibrations,
    checks,
    table_of,
    weighed,
)

READINGS = calibrations(1, visits=1)
HEADER = "meter_id,performed_on,check,value,unit,expected,limit"


def _of(folder: Path, *rows: str, policy: Policy | None = None, **more: str) -> CheckCharts:
    """Return what rows of checks of one meter say."""
    text = "\n".join([HEADER, *(f"C-000,{row}" for row in rows), ""])
    return weighed(folder, policy=policy, readings=READINGS, checks=text, **more)


def test_answers_are_counted_and_not_charted(tmp_path: Path) -> None:
    """Yes is as it should be; each no is a signal."""
    found = _of(
        tmp_path,
        *("2024-02-01,leak,yes,,,", "2024-02-09,leak,no,,,", "2024-03-01,leak,yes,,,"),
    )
    row = found.series.row(0, named=True)
    assert (row["passed"], row["failed"], row["outside"], row["numbers"]) == (2, 1, 1, 0)
    assert row["in_control"] is None
    assert found.days["ewma"].null_count() == 3
    assert found.signals["sentence"].str.replace_all("\u00a0", " ").to_list() == [
        "On 9 Feb 2024 the leak check was answered no."
    ]


def test_a_leak_is_judged_by_no_default(tmp_path: Path) -> None:
    """Without a limit nothing is judged; the record's own, then the policy's, judge it."""
    rows = ("2024-02-01,leak,2.0,kPa,,", "2024-02-09,leak,0.4,kPa,,")
    free = _of(tmp_path / "none", *rows)
    assert free.days["judged"].unique().to_list() == [NOT_JUDGED]
    assert free.series["basis"].to_list() == [NO_LIMIT]
    assert "No limit set" in free.series["sentence"][0]
    assert free.signals.is_empty()
    own = _of(tmp_path / "own", "2024-02-01,leak,2.0,kPa,,1.5", "2024-02-09,leak,0.4,kPa,,1.5")
    assert own.days["judged"].to_list() == ["outside", "inside"]
    chosen = Policy().changed(leak_limit=0.2, leak_limit_unit="psi")
    by_policy = _of(tmp_path / "policy", *rows, policy=chosen)
    # 0.2 psi is 1.379 kPa.
    assert by_policy.days["limit"].to_list() == pytest.approx([1.378951, 1.378951], abs=1e-5)
    assert by_policy.days["judged"].to_list() == ["outside", "inside"]
    assert "more than the limit of the policy" in by_policy.signals["sentence"][0]


def test_a_limit_in_another_unit_judges_nothing(tmp_path: Path) -> None:
    """Graduations of the dial are no kPa, and a unit that is not said is not guessed."""
    chosen = Policy().changed(leak_limit=1.0, leak_limit_unit="kpa")
    found = _of(tmp_path, "2024-02-01,leak,3,%,,", "2024-02-02,leak,3,,,", policy=chosen)
    assert found.series["basis"].to_list() == [OTHER_UNIT, OTHER_UNIT]
    assert found.days["judged"].to_list() == [NOT_JUDGED, NOT_JUDGED]


def test_what_was_expected_parts_points_and_not_calibrations_of_one(tmp_path: Path) -> None:
    """5.01 and 5.03 are one point, 10.02 is another, and units part what they cannot compare."""
    found = _of(
        tmp_path,
        *("2024-02-01,point,5.05,,5.01,", "2024-02-02,point,5.20,,5.03,"),
        *("2024-02-03,point,10.0,,10.02,", "2024-02-04,artefact,60,kPa,60.5,"),
    )
    assert found.series["name"].str.replace_all("\u00a0", " ").to_list() == [
        *("artefact check at 60.5 kPa", "point check at 5.01 %", "point check at 10.02 %"),
    ]
    assert found.days["departure"].to_list() == pytest.approx([-0.5, 0.04, 0.17, -0.02])
    # The tolerance judges points, an artefact only its own limit.
    assert found.days["judged"].to_list() == ["not_judged", "inside", "outside", "inside"]


def test_a_day_is_one_point_of_its_chart(tmp_path: Path) -> None:
    """Two checks of a day are its mean, and the worse of them is judged."""
    found = _of(tmp_path, "2024-02-01,zero,0.00,,,", "2024-02-01,zero,0.15,,,")
    row = found.days.row(0, named=True)
    assert (row["replicates"], row["judged"]) == (2, "outside")
    assert row["departure"] == pytest.approx(0.075)


def test_limits_are_frozen(tmp_path: Path) -> None:
    """What comes later moves no limit, and no signal's id."""
    rows = checks(1, "zero", number=30, truth=lambda n, _: 0.006 * max(n - 10, 0))
    whole = weighed(tmp_path / "all", readings=READINGS, checks=table_of(rows))
    early = weighed(tmp_path / "early", readings=READINGS, checks=table_of(rows[:24]))
    assert whole.days.head(24).equals(early.days)
    kept = set(early.signals["signal_id"])
    assert kept
    assert kept <= set(whole.signals["signal_id"])


def test_a_chart_is_no_other_meters(tmp_path: Path) -> None:
    """A series is charted alike alone and beside others, as a fleet in parts asks."""
    one = checks(1, "zero", number=12)
    others = [row.replace("C-000", "C-001") for row in checks(1, "zero", number=12, sigma=0.1)]
    alone = weighed(tmp_path / "one", readings=calibrations(2), checks=table_of(one))
    beside = weighed(tmp_path / "two", readings=calibrations(2), checks=table_of(one, others))
    assert beside.days.filter(pl.col("meter_id") == "C-000").equals(alone.days)


def test_work_on_the_meter_begins_a_new_stretch(tmp_path: Path) -> None:
    """A reset moves zero by 0.2: no signal by its charts, which are set anew, and that is told."""
    on = FIRST + timedelta(days=200)
    rows = checks(1, "zero", number=40, truth=lambda _, days: 0.2 if days >= 200 else 0.0)
    service = f"meter_id,performed_on,action\nC-000,{on},hand_reset\n"
    told = weighed(tmp_path / "told", readings=READINGS, checks=table_of(rows), service=service)
    silent = weighed(tmp_path / "silent", readings=READINGS, checks=table_of(rows))
    assert told.series["restarts"].to_list() == [1]
    assert "set anew once" in told.series["sentence"][0]
    assert told.series["in_control"].to_list() == [True]
    charts = silent.signals.filter(pl.col("rule") == "beyond_limits")
    assert set(charts["chart"]) == {"zero_check_ewma", "zero_check_cusum_high"}
    assert min(charts["visit_on"]) >= on
    assert silent.series["in_control"].to_list() == [False]


def test_too_few_checks_set_no_limits(tmp_path: Path) -> None:
    """Six of seven: charted, no limit, and it says so."""
    found = weighed(tmp_path, readings=READINGS, checks=table_of(checks(1, "zero", number=6)))
    assert found.days["ewma_upper"].null_count() == 6
    assert "No control limits yet: 6 of the 7" in found.series["sentence"][0]


def test_a_meter_that_was_never_read_is_left_to_the_register(tmp_path: Path) -> None:
    """Its checks are charted with the readings of its own, or not at all."""
    found = weighed(
        tmp_path,
        readings=READINGS,
        checks=f"{HEADER}\nNOBODY,{date(2024, 2, 1)},zero,0.0,,,\n",
    )
    assert found.series.is_empty()
