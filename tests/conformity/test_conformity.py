"""Tolerance comparison, decision rules and risks."""

import csv
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from drift.conformity.decision_rules import (
    DECISION_RULES,
    conformance_probability,
    decision_rule,
    verdict,
)
from drift.conformity.tolerance import successive_readings
from drift.meter.tolerance import within_tolerance, within_tolerance_values

REFERENCE = Path(__file__).parents[1] / "published"


def _within(biases: list[float | None], tolerance: float, comparison: str) -> list[bool | None]:
    frame = pl.DataFrame({"bias": biases}, schema={"bias": pl.Float64})
    expression = within_tolerance(pl.col("bias"), tolerance=tolerance, comparison=comparison)
    return frame.select(expression).to_series().to_list()


@pytest.mark.parametrize("comparison", ["absolute", "rounding"])
def test_tolerance_is_compared_in_decimal(comparison: str) -> None:
    """3.1 − 3.0 exceeds 0.1 in binary but not on paper (ASTM E29: values as recorded)."""
    trap = 3.1 - 3.0
    assert trap > 0.1  # the trap is real
    assert _within([trap, -trap, 0.1, 5.1 - 5.0], 0.1, comparison) == [True] * 4
    assert within_tolerance_values([trap, -trap], tolerance=0.1, comparison=comparison).all()


def test_mean_of_replicates_at_the_tolerance_passes() -> None:
    """The mean of three readings that are all 0.1 high is 0.1, whatever binary makes of it."""
    mean = sum([5.1 - 5.0, 5.1 - 5.0, 5.1 - 5.0]) / 3
    assert _within([mean, mean + 1e-6], 0.1, "absolute") == [True, False]


def test_absolute_and_rounding_methods_differ() -> None:
    """E29: 0.14 fails ±0.1 unrounded and passes rounded to tenths; 0.15 rounds to 0.2."""
    biases: list[float | None] = [0.14, 0.15, -0.14, 0.05, 0.11]
    assert _within(biases, 0.1, "absolute") == [False, False, False, True, False]
    assert _within(biases, 0.1, "rounding") == [True, False, True, True, True]
    assert _within([0.055, 0.045, 0.054], 0.05, "rounding") == [False, True, True]
    assert _within([1.4, 1.5], 1.0, "rounding") == [True, False]


def test_missing_bias_is_no_verdict() -> None:
    """A null or NaN bias is neither in nor out of tolerance."""
    biases = [None, float("nan"), float("inf"), 0.0]
    assert _within(biases, 0.1, "absolute") == [None, None, None, True]
    values = within_tolerance_values([np.nan, 0.0], tolerance=0.1, comparison="absolute")
    assert values.tolist() == [False, True]


def test_half_to_even() -> None:
    """ASTM E29 (half to even, from memory): halves go to the even last digit, as in decimal."""
    values: list[float | None] = [0.05, 0.15, 0.25, 0.35, -0.15, -0.05]
    assert _within(values, 0.1, "rounding") == [True, False, False, False, False, True]
    assert _within(values, 0.2, "rounding") == [True, True, True, False, True, True]
    assert _within([5.15, 5.25, 5.35], 5.2, "rounding") == [True, True, False]


def test_expression_and_array_agree() -> None:
    """The polars and the numpy form give the same verdict on every grid value and its halves."""
    values = [k / 1000 for k in range(-300, 301)]
    for comparison in ("absolute", "rounding"):
        for tolerance in (0.1, 0.05, 0.15):
            arrays = within_tolerance_values(values, tolerance=tolerance, comparison=comparison)
            assert _within([*values], tolerance, comparison) == arrays.tolist()


@pytest.mark.parametrize(("tolerance", "comparison"), [(0.1, "nearest"), (0.0, "absolute")])
def test_impossible_comparison_is_refused(tolerance: float, comparison: str) -> None:
    """An unknown method or a tolerance that is not above 0 raises instead of passing."""
    with pytest.raises(ValueError, match="must be"):
        within_tolerance(pl.col("bias"), tolerance=tolerance, comparison=comparison)


def test_conformance_probability_of_published_examples() -> None:
    """JCGM 106:2012, clause 7: breakdown voltage 0.92, burst strength 0.99, oil viscosity 0.66."""
    with (REFERENCE / "l_jcgm106_conformance.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            p = conformance_probability(
                float(row["estimate"]),
                u=float(row["standard_uncertainty"]),
                lower=float(row["lower_tolerance"] or "-inf"),
                upper=float(row["upper_tolerance"] or "inf"),
            )
            assert p == pytest.approx(float(row["p_conform_published"]), abs=0.005)
            assert p == pytest.approx(float(row["p_conform_exact"]), abs=5e-7)


def test_conformance_probability_at_the_trades_tolerance() -> None:
    """±0.1 % air with u 0.03 and 0.05: normal areas computed apart from this package."""
    p = conformance_probability([0, 0.05, 0.06, 0.08, 0.10], u=0.03, lower=-0.1, upper=0.1)
    expected = [0.999142, 0.952209, 0.908789, 0.747507, 0.500000]
    np.testing.assert_allclose(p, expected, atol=5e-7)
    p = conformance_probability([0, 0.05], u=0.05, lower=-0.1, upper=0.1)
    np.testing.assert_allclose(p, [0.954500, 0.839995], atol=5e-7)


def test_a_result_without_uncertainty_has_no_probability() -> None:
    """An uncertainty of 0, below 0 or unknown gives no probability rather than 0 or 1."""
    p = conformance_probability(0.05, u=[0.0, -0.1, np.nan], lower=-0.1, upper=0.1)
    assert np.isnan(p).all()


def test_guard_bands_leave_the_risks_of_the_published_table() -> None:
    """ILAC-G8:09/2019 Table 1 (from memory): at the limit 5 % are out by 0.83 U, 2.5 % by U.

    U = 2u, one limit, normal distribution: the factors as rounded there leave 4.8 % and 2.3 %.
    """
    for name, risk in (("guarded_by_083_u", 0.05), ("guarded_by_u", 0.025)):
        limit = 1 - 2 * decision_rule(name).guard_factor * 0.03
        inside = conformance_probability(limit, u=0.03, upper=1.0)
        assert 1 - inside == pytest.approx(risk, abs=0.003)


def test_acceptance_limit_of_a_speed() -> None:
    """JCGM 106:2012 (from memory): 100 km/h, relative u 2 %, 99.9 %: enforce from 107 km/h."""
    p = conformance_probability([106, 107], u=[2.12, 2.14], lower=100.0)
    assert p[0] < 0.999 < p[1]


def _verdicts(name: str, biases: list[float | None], u: float | None) -> list[str | None]:
    frame = pl.DataFrame({"bias": biases}, schema={"bias": pl.Float64})
    expression = verdict(
        pl.col("bias"),
        u=pl.lit(u, dtype=pl.Float64),
        tolerance=0.1,
        comparison="absolute",
        rule=decision_rule(name),
    )
    return frame.select(expression).to_series().to_list()


def test_decision_rules() -> None:
    """With U = 0.04: T − U = 0.06, T − 0.83 U = 0.0668, T + U = 0.14 (ILAC-G8 definitions)."""
    biases: list[float | None] = [3.1 - 3.0, 0.06, -0.065, 0.07, 0.14, -0.15, None]
    ok, no = "pass", "fail"
    assert _verdicts("simple_acceptance", biases, None) == [ok, ok, ok, ok, no, no, None]
    assert _verdicts("guarded_by_u", biases, 0.02) == [no, ok, no, no, no, no, None]
    assert _verdicts("guarded_by_083_u", biases, 0.02) == [no, ok, ok, no, no, no, None]
    near = ["conditional_pass", ok, "conditional_pass", "conditional_pass", "conditional_fail"]
    assert _verdicts("four_way", biases, 0.02) == [*near, no, None]


def test_guarded_verdict_needs_an_uncertainty() -> None:
    """Without an uncertainty above 0 a guarded rule says nothing."""
    for rule in DECISION_RULES[1:]:
        assert _verdicts(rule.name, [0.0, 0.5], 0.0) == [None, None]
        assert _verdicts(rule.name, [0.0, 0.5], None) == [None, None]


def test_one_reading_of_a_coarse_dial_only_passes_at_zero_under_w_equal_u() -> None:
    """δ = 0.1: u ≥ 0.029 from resolution alone (GUM F.2.2.1), so w = U leaves 0.0 only."""
    u = 0.1 / np.sqrt(12)
    assert _verdicts("guarded_by_u", [0.0, 0.1, -0.1], u) == ["pass", "fail", "fail"]


def test_unknown_decision_rule_is_refused() -> None:
    """A rule that does not exist raises and lists those that do."""
    with pytest.raises(ValueError, match="simple_acceptance"):
        decision_rule("rule 7")


def test_two_successive_readings() -> None:
    """The last two readings must both pass and agree; one reading alone cannot be judged."""
    lists = [[0.3, 0.05, 0.0], [0.0, 0.15], [3.1 - 3.0, 0.0], [-0.05, 0.1], [0.0], [], None]
    frame = pl.DataFrame({"biases": lists}, schema={"biases": pl.List(pl.Float64)})
    held = frame.select(
        successive_readings(pl.col("biases"), tolerance=0.1, comparison="absolute")
    ).to_series()
    assert held.to_list() == [True, False, True, False, None, None, None]
