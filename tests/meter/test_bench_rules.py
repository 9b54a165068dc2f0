"""The rules of the bench: the law of the dial by hand, and the page's rules against these."""

import math
import shutil
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import sync_playwright

from drift.conformity.tolerance import successive
from drift.folders import report
from drift.meter.bench_rules import (
    BenchDial,
    BenchPoint,
    advise_move,
    hand_changes,
    weigh_faults,
)
from drift.meter.dial import bias_of_mark, pressure_error_of_move
from drift.meter.tolerance import limit_and_step
from drift.review.bench_verdicts import tolerance_of
from drift.review.policy import Policy
from tests.meter.bench_cases import Case, draw_cases, law
from tests.meter.mark_benches import try_advice
from tests.report.test_pages_browser import ARGUMENTS

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
PURE = ("bench_rules.js", "bench_law.js")
CASES = (1_000, pytest.param(10_000, marks=pytest.mark.long))
DIAL = BenchDial(k=5.0, k_sd=0.1, repeatability=0.02, mark=-0.2)


def points_of(biases: dict[float, float], *, step: float = 0.01) -> list[BenchPoint]:
    """Return two equal readings at each point, to a hundredth."""
    return [BenchPoint(air, (off, off), step) for air, off in biases.items()]


def test_a_move_undoes_what_a_misplaced_mark_does() -> None:
    """By hand from p2 = p1/(1 + a/k): the move back to where the mark was is found at both ends."""
    for right, now in ((-0.35, -0.20), (-0.10, -0.45), (0.05, 0.30)):
        error = pressure_error_of_move(right, now, k=5.0)
        found = {air: float(bias_of_mark(error, air_pct=air, k=5.0)) for air in (0.0, 4.99, 9.99)}
        dial = BenchDial(k=5.0, k_sd=0.01, repeatability=0.02, mark=now)
        advice = advise_move(points_of(found), dial, set_step=0.01)
        assert advice is not None
        assert advice.exact == pytest.approx(right, abs=0.012)
        assert abs(advice.zero_after_pct) < 0.012
        for air, change in zip(found, advice.changes_pct, strict=True):
            assert found[air] + change == pytest.approx(0, abs=0.04)


def test_a_scale_of_pressure_is_moved_in_proportion() -> None:
    """A dial at z had k/(k + z) of its pressure: 50 kPa and 0.5 % ask for 55 kPa."""
    dial = BenchDial(k=5.0, k_sd=0.01, repeatability=0.01, mark=50.0, mark_unit="kpa")
    found = {air: 0.1 * (air + 5.0) for air in (0.0, 5.0, 10.0)}
    advice = advise_move(points_of(found), dial, set_step=0.1)
    assert advice is not None
    assert advice.exact == pytest.approx(55.0, abs=0.15)


@pytest.mark.parametrize(
    ("fault", "biases"),
    [
        ("mark", {0.0: 0.15, 5.0: 0.30, 10.0: 0.45}),
        ("hand", {0.0: 0.0, 5.0: 0.15, 10.0: 0.45}),
        ("volume", {0.0: 0.0, 5.0: 0.15, 10.0: 0.30}),
        ("nothing", {0.0: 0.01, 5.0: 0.0, 10.0: -0.01}),
    ],
)
def test_each_pattern_points_to_its_fault(fault: str, biases: dict[float, float]) -> None:
    """The proportions 1 : 2 : 3, 0 : 1 : 3 and 0 : 1 : 2 for a chamber of k = 5."""
    weights = weigh_faults(points_of(biases, step=0.05), DIAL)
    assert max(weights, key=lambda name: weights[name]) == fault
    assert weights[fault] > 0.5
    assert sum(weights.values()) == pytest.approx(1)


def test_readings_that_are_high_and_erratic_point_to_a_leak() -> None:
    """No two readings agree, all are high, zero as well."""
    points = [
        BenchPoint(0.0, (0.05, 0.20), 0.05),
        BenchPoint(5.0, (0.20, 0.05), 0.05),
        BenchPoint(10.0, (0.40, 0.10), 0.05),
    ]
    assert weigh_faults(points, DIAL)["leak"] > 0.9


def test_a_reset_of_the_hand_leaves_zero_and_trebles_at_ten() -> None:
    changes = hand_changes(points_of({0.0: 0.0, 5.0: 0.15, 10.0: 0.45}), k=5.0)
    assert changes == pytest.approx((0.0, -0.15, -0.45))


def test_without_zero_or_mark_no_move_is_advised() -> None:
    """What cannot be said is not said."""
    dial = BenchDial(k=5.0, k_sd=0.1, repeatability=0.02, mark=None)
    assert advise_move(points_of({0.0: 0.2}), dial, set_step=0.05) is None
    assert advise_move(points_of({5.0: 0.2}), DIAL, set_step=0.05) is None


@pytest.mark.parametrize("unit", ["dial_pct", "kpa"])
@pytest.mark.parametrize("known", [True, False], ids=["chamber within 2 %", "chamber unknown"])
def test_the_advised_move_brings_zero_within_tolerance_at_once(unit: str, *, known: bool) -> None:
    """On 1,000 simulated benches in at least 95 %, and its stated uncertainty holds."""
    trial, _ = try_advice(benches=1000, unit=unit, known=known, seed=3)
    assert trial.truly >= 0.95
    assert trial.as_read >= 0.95
    assert trial.covered >= 0.95


def as_script(case: Case) -> dict[str, Any]:
    """Return a case as the script takes it."""
    limit, step = limit_and_step(case.tolerance, case.comparison)
    dial = case.dial
    return {
        "points": [
            {"air": each.air_pct, "biases": each.biases_pct, "step": each.resolution_pct}
            for each in case.points
        ],
        "dial": {
            "k": dial.k,
            "kSd": dial.k_sd,
            "sigma": dial.repeatability,
            "mark": dial.mark,
            "unit": dial.mark_unit,
        },
        "setStep": case.set_step,
        "readings": case.readings,
        "correct": case.correct,
        "stage": case.stage,
        "rules": {"limit": limit, "step": step},
    }


RUN = """
return cases.map((c) => {
  const biases = c.readings.map((value) => tidy(value - c.correct));
  const code = successiveCode(biases, c.stage, c.rules);
  return {
    biases, code, tolerance: toleranceCode(biases, c.stage, c.rules),
    within: biases.map((bias) => isWithin(bias, c.rules)),
    weights: weighFaults(c.points, c.dial, law),
    move: adviseMove(c.points, c.dial, c.setStep, law),
    hand: c.points.some((point) => point.air > 0) ? handChanges(c.points, c.dial.k) : null,
  };
});
"""


@pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
@pytest.mark.parametrize("many", CASES)
def test_the_pages_rules_are_these_rules(many: int) -> None:
    """Of drawn visits every verdict is the same word, every number the same to 1e-7."""
    cases = draw_cases(many, seed=20)
    script = "\n".join(report(name) for name in PURE)
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        page = browser.new_page()
        told = page.evaluate(
            f"([cases, law]) => {{ {script}\n{RUN} }}", [[as_script(case) for case in cases], law()]
        )
        browser.close()
    assert len(told) == many
    for case, found in zip(cases, told, strict=True):
        policy = Policy(tolerance_pct=case.tolerance, comparison=case.comparison)
        biases = [round(value - case.correct, 9) for value in case.readings]
        assert found["biases"] == pytest.approx(biases, abs=1e-12)
        code, _ = successive(biases, case.stage, policy)
        row = {
            "stage": case.stage,
            "biases_pct": biases,
            "bias_pct": sum(biases) / len(biases),
            "successive": code,
        }
        assert (found["code"], found["tolerance"]) == (code, tolerance_of(row, policy)[0])
        same_law(case, found)


def same_law(case: Case, found: dict[str, Any]) -> None:
    """Compare what the law of the dial says of one case."""
    weights = weigh_faults(case.points, case.dial)
    names = list(weights)
    assert np.allclose(
        [found["weights"][name] for name in names], list(weights.values()), atol=1e-7
    )
    if found["hand"] is not None:
        assert np.allclose(found["hand"], hand_changes(case.points, k=case.dial.k), atol=1e-9)
    advice = advise_move(case.points, case.dial, set_step=case.set_step)
    move = found["move"]
    assert (advice is None) == (move is None)
    if advice is None:
        return
    assert move["exact"] == pytest.approx(advice.exact, abs=1e-7)
    assert move["sd"] == pytest.approx(advice.sd, abs=1e-7)
    ratio = advice.exact / case.set_step + 0.5
    if abs(ratio - math.floor(ratio + 0.5)) > 1e-6:
        assert move["to"] == advice.to
        assert np.allclose(move["changes"], advice.changes_pct, atol=1e-7)
        assert move["zeroAfter"] == pytest.approx(advice.zero_after_pct, abs=1e-7)
        assert move["zeroAfterSd"] == pytest.approx(advice.zero_after_sd, abs=1e-7)


VALUES = """
const facts = {vessels: [{vessel_id: "V-1", air_pct: 5.0141, calibrated_on: "2022-02-01"}]};
const own = {bowl: {"V-1": {air: 5.0, on: "2022-03-01"}, "V-2": {air: 2.4648, on: "2022-03-01"}}};
const told = (name, pct, meter) => {
  const value = vesselValue(name, pct, {facts, meter});
  return value && [value.correct, value.fills, value.own];
};
return [told("V-1", 10, {}), told("V-1", 10, own), told("V-2", 5, own), told("V-2", 5, {})];
"""


@pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
def test_a_vessel_counts_by_the_bowl_of_the_meter() -> None:
    """Twice 5.0141 on any bowl, twice 5.0 on that of the meter; nothing of an unknown vessel."""
    script = "\n".join(report(name) for name in (*PURE, "bench_visit.js"))
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        told = browser.new_page().evaluate(f"() => {{ {script}\n{VALUES} }}")
        browser.close()
    assert told == [[10.03, 2, False], [10, 2, True], [4.93, 2, True], None]
