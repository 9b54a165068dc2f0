"""Budgets of a fleet's biases, held equal to the budget of one."""

from datetime import date

import numpy as np
import polars as pl
import pytest

from drift.conformity.bias_budget import (
    COVERAGE,
    UNCERTAINTY,
    budget_rows,
    coverage_factors,
    step_rows,
    with_uncertainty,
)
from drift.reference.uncertainty import Component, make_budget
from tests.conformity.budgets import bias_components

SITTING: dict[str, object] = {
    "meter_id": "A",
    "performed_on": date(2026, 1, 1),
    "point_pct": 5.0,
    "stage": "as_found",
    "reference_u_pct": 0.006,
    "reference_basis": "vessel V",
    "bowl_u_pct": 0.004,
    "bowl_basis": "bowl",
    "air_left_pct": 0.01,
    "resolution_pct": 0.05,
    "repeatability_pct": 0.02,
    "repeatability_freedom": 40.0,
    "repeatability_basis": "replicates",
    "replicates": 3,
    "operator_u_pct": 0.014,
    "operator_freedom": 3.0,
    "operator_basis": "operators",
}


def test_budget_of_a_fleet_equals_the_budget_of_one() -> None:
    """Every column of the table equals what the scalar budget gives (JCGM 100:2008)."""
    one = make_budget(
        bias_components(
            reference_u=0.006,
            bowl_u=0.004,
            air_left=0.01,
            resolution=0.05,
            repeatability=0.02,
            replicates=3,
            repeatability_freedom=40,
            operator=0.014,
            operator_freedom=3,
        ),
        level=COVERAGE,
    )
    rows = budget_rows(with_uncertainty(pl.DataFrame([SITTING])))
    assert rows.schema == pl.Schema(UNCERTAINTY)
    parts, whole = rows.head(6), rows.row(6, named=True)
    for name, other in (
        ("component", "component"),
        ("distribution", "distribution"),
        ("sensitivity", "sensitivity"),
        ("degrees_of_freedom", "degrees_of_freedom"),
    ):
        assert parts[name].to_list() == one.table[other].to_list()
    for name, other in (
        ("value", "value"),
        ("standard_u_pct", "standard_uncertainty"),
        ("contribution_pct", "contribution"),
        ("share", "share"),
    ):
        np.testing.assert_allclose(parts[name], one.table[other], rtol=1e-12)
    assert whole["component"] == "combined"
    assert whole["standard_u_pct"] == pytest.approx(one.combined, rel=1e-12)
    assert whole["degrees_of_freedom"] == pytest.approx(one.degrees_of_freedom, rel=1e-12)
    assert whole["coverage_factor"] == pytest.approx(one.coverage_factor, rel=1e-12)
    assert whole["expanded_u_pct"] == pytest.approx(one.expanded, rel=1e-12)


def test_without_finite_freedom_k_is_two() -> None:
    """Nothing estimated from few data: infinite degrees of freedom, k = 2 (JCGM 100, Table G.2)."""
    sure = SITTING | {"repeatability_freedom": None, "operator_freedom": None}
    frame = pl.DataFrame([sure], schema_overrides={"repeatability_freedom": pl.Float64})
    whole = budget_rows(with_uncertainty(frame)).row(6, named=True)
    assert whole["coverage_factor"] == 2.0
    assert whole["degrees_of_freedom"] is None


def test_coverage_factors_of_the_published_table() -> None:
    """JCGM 100:2008 Table G.2, p = 95.45 %: 4.53 at 2, 2.65 at 5, 2.28 at 10, 2.13 at 20, 2.00."""
    factors = coverage_factors([2, 5, 10, 20, np.inf, np.nan])
    np.testing.assert_allclose(factors[:5], [4.53, 2.65, 2.28, 2.13, 2.0], atol=0.005)
    assert np.isnan(factors[5])


def _step(**changes: object) -> pl.DataFrame:
    before = {
        f"{name}_before": SITTING[name]
        for name in (
            "reference_u_pct",
            "bowl_u_pct",
            "air_left_pct",
            "resolution_pct",
            "repeatability_pct",
            "operator_u_pct",
        )
    }
    row = SITTING | before | {"replicates_before": 2} | changes
    return step_rows(pl.DataFrame([row]))


def test_what_serves_both_sides_of_a_step_cancels() -> None:
    """One vessel and one operator: the budget with r = 1 between the sides (JCGM 100, eq. 16)."""
    step = _step(one_reference=True, one_bowl=True, one_operator=True).row(6, named=True)
    parts = [
        Component("reference", 0.006),
        Component("reference before", 0.006, sensitivity=-1),
        Component("bowl", 0.004),
        Component("bowl before", 0.004, sensitivity=-1),
        Component("air left", 0.01, "rectangular"),
        Component("air left before", 0.01, "rectangular", sensitivity=-1),
        Component("resolution", 0.025, "rectangular"),
        Component("resolution before", 0.025, "rectangular", sensitivity=-1),
        Component("repeatability", 0.02 / np.sqrt(3)),
        Component("repeatability before", 0.02 / np.sqrt(2), sensitivity=-1),
        Component("operator", 0.014),
        Component("operator before", 0.014, sensitivity=-1),
    ]
    pairs = [(name, f"{name} before", 1.0) for name in ("reference", "bowl", "operator")]
    shared = make_budget(parts, correlations=pairs)
    assert step["stage"] == "step"
    assert step["standard_u_pct"] == pytest.approx(shared.combined, rel=1e-12)
    apart = _step(one_reference=False, one_bowl=False, one_operator=False).row(6, named=True)
    assert apart["standard_u_pct"] == pytest.approx(make_budget(parts).combined, rel=1e-12)
    told = _step(one_reference=True, one_bowl=False, one_operator=False)["basis"].to_list()
    assert "cancels" in told[0]
    assert "both count" in told[1]
    assert "both count" in told[5]


@pytest.mark.parametrize(("step", "replicates"), [(0.05, 3), (0.05, 1), (0.1, 3), (0.1, 1)])
def test_expanded_uncertainty_covers_the_truth(step: float, replicates: int) -> None:
    """Of 40,000 simulated biases 95 % or more lie within U of the truth, and not all of them.

    A true reference, operator and reading are drawn from the components, the dial is rounded; 95 %
    is the coverage that U is stated for (JCGM 100:2008, 6.2).  Rounding is bounded: the U of
    a coarse dial covers more.
    """
    rng, number = np.random.default_rng(12), 40_000
    truth = rng.normal(0, 0.05, number)
    offsets = rng.normal(0, 0.006, number) + rng.normal(0, 0.014, number)
    offsets += rng.normal(0, 0.004, number) + rng.uniform(-0.01, 0.01, number)
    read = (truth + offsets)[:, None] + rng.normal(0, 0.02, (number, replicates))
    correct = rng.uniform(-step / 2, step / 2, (number, 1))  # where the content lies on the dial
    biases = (np.round((read + correct) / step) * step - correct).mean(axis=1)
    sure = {"repeatability_freedom": None, "operator_freedom": None}
    row = SITTING | sure | {"resolution_pct": step, "replicates": replicates}
    types = {"repeatability_freedom": pl.Float64, "operator_freedom": pl.Float64}
    expanded = with_uncertainty(pl.DataFrame([row], schema_overrides=types))["expanded_u_pct"][0]
    covered = (np.abs(biases - truth) <= expanded).mean()
    assert 0.945 < covered < 0.999
