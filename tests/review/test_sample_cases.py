"""The sample history: every planted truth is in the files, found by plain means."""

import math
from datetime import date, timedelta
from itertools import pairwise
from statistics import fmean, stdev

import pytest

from sample_history import scenario
from tests.sample_files import (
    Row,
    as_found,
    before_and_after,
    good_readings,
    moved_marks,
    path,
    planted,
    rows,
    service_dates,
    sittings,
    slope_per_year,
)

SOUTH_STEADY = ("AM-13", "AM-14", "AM-15", "AM-16", "AM-17", "AM-18", "AM-22", "AM-23", "AM-24")
NORTH_STEADY = ("AM-01", "AM-02", "AM-03")


@pytest.mark.parametrize("meter_id", ["AM-04", "AM-05", "AM-06", "AM-07"])
@pytest.mark.parametrize("point", [0, 5, 10])
def test_a_plain_fit_finds_the_planted_drift(meter_id: str, point: int) -> None:
    """The unadjusted path rises as planted: by a + k through the mark, by a (a + k) by the hand.

    Each adjustment leaves the noise of two means of readings, about 0.02 % air, in the path for
    good; over n adjustments in six years that is a slope error of 0.02 √n / 6, beside the fit's.
    """
    meter = planted(meter_id)
    mark = meter.drift_pct_per_year * (point + 5) / 15
    hand = meter.hand_drift_pct_per_year * point * (point + 5) / 150
    slope, se = slope_per_year(path(meter_id, point))
    adjustments = len(moved_marks(meter_id)) + len(service_dates(meter_id, "hand_reset"))
    assert slope == pytest.approx(mark + hand, abs=3 * math.hypot(se, 0.02 * adjustments**0.5 / 6))


@pytest.mark.parametrize("meter_id", NORTH_STEADY)
def test_steady_meters_do_not_drift(meter_id: str) -> None:
    """Each stays within tolerance with a slope below 0.01 % air per year."""
    found = as_found(meter_id, 10)
    assert max(map(abs, found.values())) < 0.1
    assert abs(slope_per_year(found)[0]) < 0.01


def test_one_drift_crosses_soon_and_was_never_adjusted() -> None:
    """AM-04 stands close under the tolerance and would pass it within about a year."""
    found = as_found("AM-04", 10)
    slope, _ = slope_per_year(found)
    assert not moved_marks("AM-04")
    assert 0.05 < fmean(list(found.values())[-3:]) < 0.1
    assert fmean(list(found.values())[-3:]) + 1.5 * slope > 0.1


def test_adjustments_hide_a_drift_whose_every_visit_passes() -> None:
    """AM-06 passes as found and as left at each visit, while its path climbs by most of 0.9."""
    for biases in sittings("AM-06").values():
        assert abs(fmean(biases)) < 0.1
    assert len(service_dates("AM-06", "hand_reset")) >= 8
    assert abs(slope_per_year(as_found("AM-06", 10))[0]) < 0.02
    assert list(path("AM-06", 10).values())[-1] > 0.7


def test_a_mark_is_moved_the_same_way_every_time() -> None:
    """AM-07's mark only ever goes down the dial, at least five times."""
    marks = [planted("AM-07").mark_pct, *moved_marks("AM-07")]
    assert len(marks) > 5
    assert all(b < a for a, b in pairwise(marks))


def test_a_dropped_meter_steps_without_failing() -> None:
    """AM-08 falls by about 0.12 at the 10 % point and stays within ±0.1 all the time."""
    (dropped,) = service_dates("AM-08", "dropped")
    before, after = before_and_after("AM-08", 10, dropped)
    assert fmean(after) - fmean(before) == pytest.approx(-0.12, abs=0.03)
    assert max(map(abs, before + after)) < 0.1
    assert after[0] < fmean(before) - 4 * stdev(before)


def test_water_scatters_in_proportion_until_it_is_dried() -> None:
    """AM-10 reads high at 5 and 10 % but not at 0 %, with more scatter at 10 %, and then is dry."""
    (dried,) = service_dates("AM-10", "chamber_dried")
    start = date(2024, 6, 1)
    wet = {
        p: {d: b for d, b in as_found("AM-10", p).items() if start < d <= dried} for p in (0, 5, 10)
    }
    assert fmean(wet[10].values()) == pytest.approx(0.08, abs=0.02)
    assert fmean(wet[5].values()) == pytest.approx(0.04, abs=0.015)
    assert abs(fmean(wet[0].values())) < 0.015
    spread = {
        wetness: fmean(
            stdev(biases)
            for (on, stage, at), biases in sittings("AM-10").items()
            if at == 10 and stage == "as_found" and (start < on <= dried) is wetness
        )
        for wetness in (True, False)
    }
    assert spread[True] > 1.5 * spread[False]
    assert abs(fmean(sittings("AM-10")[dried, "as_left", 10])) < 0.05


def test_a_shifted_hand_leaves_the_zero_alone() -> None:
    """AM-11 fails once, by 0 : 1 : 3 over 0, 5 and 10 %, and its hand is reset that day."""
    (reset,) = service_dates("AM-11", "hand_reset")
    shift = [as_found("AM-11", point)[reset] for point in (0, 5, 10)]
    assert shift == pytest.approx([0.0, -0.053, -0.16], abs=0.03)
    assert abs(fmean(sittings("AM-11")[reset, "as_left", 10])) < 0.05


def test_a_leak_reads_high_and_erratic_and_withdraws_the_meter() -> None:
    """AM-12 reads high since its leak, scatters more, is out at last and withdrawn."""
    before, after = before_and_after("AM-12", 10, date(2025, 9, 1))
    assert fmean(after) - fmean(before) > 0.06
    assert min(after) > fmean(before)
    spread = {True: [0.0], False: [0.0]}
    for (on, _, at), biases in sittings("AM-12").items():
        if at == 10:
            spread[on >= date(2025, 9, 1)].append(stdev(biases))
    assert fmean(spread[True]) > 2 * fmean(spread[False])
    assert after[-1] > 0.1
    status = {row["meter_id"]: row["status"] for row in rows("meters")}
    assert status["AM-12"] == "withdrawn"
    assert [m for m, s in status.items() if s == "retired"] == ["AM-20"]


@pytest.mark.parametrize(("point", "shift"), [(0, 0.0), (5, 0.03), (10, 0.06)])
def test_a_new_vessel_shifts_every_meter_it_touches(point: int, shift: float) -> None:
    """South meters step by 0.6 % of the air content with CV-B; north meters do not."""
    first = date(2025, 10, 1)

    def steps(meters: tuple[str, ...]) -> list[float]:
        found = [list(path(meter, point).items()) for meter in meters]
        sides = [
            ([b for d, b in one if d < first][-8:], [b for d, b in one if d >= first])
            for one in found
        ]
        return [fmean(after) - fmean(before) for before, after in sides if before and after]

    south = steps(SOUTH_STEADY)
    assert fmean(south) == pytest.approx(shift, abs=0.015)
    assert fmean(steps(NORTH_STEADY)) == pytest.approx(0.0, abs=0.02)
    if point == 10:
        assert min(south) > 0.01
    touched = {row["meter_id"] for row in rows("readings") if row["vessel_id"] == "CV-B"}
    assert touched == {m.meter_id for m in scenario.METERS if m.site == "south"} - {"AM-20"}


@pytest.mark.parametrize("point", [0, 5, 10])
def test_one_operator_reads_high(point: int) -> None:
    """Before the new vessel, tech-3 reads 0.03 above the colleagues on the same meters."""
    differences = []
    for meter in SOUTH_STEADY:
        mine: dict[bool, list[float]] = {True: [], False: []}
        for row in good_readings(meter):
            correct = float(row["correct_air_pct"])
            if round(correct) == point and row["performed_on"] < "2025-10-01":
                bias = float(row["reading_air_pct"]) - correct
                mine[row["operator"] == "tech-3"].append(bias)
        if mine[True] and mine[False]:
            differences.append(fmean(mine[True]) - fmean(mine[False]))
    assert len(differences) >= 8
    assert fmean(differences) == pytest.approx(0.03, abs=0.012)


def test_who_is_overdue_new_or_gone() -> None:
    """Of the active meters only AM-18 is past its due date on the review's date."""
    overdue = set()
    for row in rows("meters"):
        last = max(on for on, _, _ in sittings(row["meter_id"]))
        due = last + timedelta(days=int(row["interval_days"]))
        if row["status"] == "active" and due < scenario.AS_OF:
            overdue.add(row["meter_id"])
    assert overdue == {"AM-18"}
    assert len(as_found("AM-19", 10)) == 4
    assert max(as_found("AM-20", 10)) < date(2025, 1, 1)


def test_an_as_found_failure_has_field_tests_in_its_suspect_period() -> None:
    """AM-09 fails at its last visit; its error could turn the verdict of some tests since."""
    found = as_found("AM-09", 5)
    *_, good, failed = found
    assert abs(found[good]) < 0.1 < found[failed]
    assert abs(fmean(sittings("AM-09")[failed, "as_left", 5])) < 0.1
    suspect = [
        row
        for row in rows("field_tests")
        if row["meter_id"] == "AM-09" and good.isoformat() < row["tested_on"] <= failed.isoformat()
    ]
    assert len(suspect) == 14

    def passes(air: float, row: Row) -> bool:
        return float(row["spec_min_pct"]) <= air <= float(row["spec_max_pct"])

    turned = [
        row["air_pct"]
        for row in suspect
        if passes(float(row["air_pct"]), row)
        is not passes(float(row["air_pct"]) - found[failed], row)
    ]
    assert sorted(turned) == ["4.5", "4.6", "7.6"]


def test_one_as_found_is_missing_and_one_gauge_was_replaced() -> None:
    """Only AM-21 has as-left readings without as-found; AM-22 has one new gauge."""
    lost = [
        (meter.meter_id, on)
        for meter in scenario.METERS
        for on in {on for on, _, _ in sittings(meter.meter_id)}
        if on not in as_found(meter.meter_id, 10)
    ]
    assert lost == [("AM-21", date(2025, 6, 13))]
    assert len(service_dates("AM-22", "gauge_replaced")) == 1
    assert len(moved_marks("AM-21")) == 1


def test_a_zero_check_stands_in_the_marks_of_one_meter() -> None:
    """AM-23 has no reading at 0 % but a zero reading at every visit in the marks."""
    assert not as_found("AM-23", 0)
    zeros = [row["zero_reading_pct"] for row in rows("marks") if row["meter_id"] == "AM-23"]
    assert len(zeros) == 12
    assert all(abs(float(zero)) <= 0.1 for zero in zeros)
