"""Uncertainty budgets by the GUM."""

import csv
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from drift.conformity.bias_budget import bias_uncertainty
from drift.reference.uncertainty import BUDGET, Component, coverage_factor, make_budget
from tests.conformity.budgets import bias_components

REFERENCE = Path(__file__).parents[1] / "published"


def test_end_gauge() -> None:
    """JCGM 100:2008 H.1 (inputs and results from memory): u 32 nm, ν 16, t 2.92, U99 93 nm."""
    budget = make_budget(
        [
            Component("standard", 25.0, degrees_of_freedom=18),
            Component("repeated observations", 5.8, degrees_of_freedom=24),
            Component("comparator, random", 3.9, degrees_of_freedom=5),
            Component("comparator, systematic", 6.7, degrees_of_freedom=8),
            Component("expansion difference", 2.9, degrees_of_freedom=50),
            Component("temperature difference", 16.6, degrees_of_freedom=2),
        ],
        level=0.99,
    )
    assert round(budget.combined) == 32
    assert int(budget.degrees_of_freedom) == 16
    factor = coverage_factor(16, level=0.99)
    assert factor == pytest.approx(2.92, abs=0.005)
    assert round(factor * 32) == 93
    assert budget.table["share"].sum() == pytest.approx(1)


def test_resistance_and_reactance() -> None:
    """JCGM 100:2008 H.2 (from memory), correlated inputs: u(R) 0.071, u(X) 0.295, u(Z) 0.236 Ω."""
    v, i, phi = 4.9990, 19.6610e-3, 1.04446
    correlations = [("V", "I", -0.36), ("V", "phi", 0.86), ("I", "phi", -0.65)]
    r, x, z = v / i * np.cos(phi), v / i * np.sin(phi), v / i
    assert [r, x, z] == pytest.approx([127.732, 219.847, 254.260], abs=6e-3)
    for sensitivities, published in (
        ((r / v, -r / i, -x), 0.071),
        ((x / v, -x / i, r), 0.295),
        ((z / v, -z / i, 0.0), 0.236),
    ):
        names = zip(("V", "I", "phi"), (0.0032, 0.0095e-3, 0.00075), sensitivities, strict=True)
        parts = [Component(name, u, sensitivity=c) for name, u, c in names]
        combined = make_budget(parts, correlations=correlations).combined
        assert combined == pytest.approx(published, abs=0.002)  # inputs printed to two digits


def test_thermometer_correction() -> None:
    """JCGM 100:2008 H.3: intercept and slope with r −0.930 give u(b(30 °C)) = 0.0041 °C."""
    with (REFERENCE / "l_gum_h3_thermometer_expected.csv").open(encoding="utf-8") as file:
        known = {row["quantity"]: row for row in csv.DictReader(file)}
    recomputed = {key: float(row["recomputed"]) for key, row in known.items()}
    budget = make_budget(
        [
            Component("intercept", recomputed["s_y1"]),
            Component("slope", recomputed["s_y2"], sensitivity=30.0 - recomputed["t0_C"]),
        ],
        correlations=[("intercept", "slope", recomputed["correlation"])],
    )
    assert budget.combined == pytest.approx(float(known["u_b_at_30C"]["published"]), abs=5e-5)
    assert budget.combined == pytest.approx(recomputed["u_b_at_30C"], abs=5e-9)


def test_coverage_factors() -> None:
    """JCGM 100:2008 Table G.2: t for 95 % at 5, 7, 11, 19 degrees of freedom; 1.96 for infinity."""
    factors = [coverage_factor(freedom, level=0.95) for freedom in (5, 7, 11, 19, np.inf)]
    assert factors == pytest.approx([2.57, 2.36, 2.20, 2.09, 1.96], abs=0.005)


def test_distributions_become_standard_uncertainties() -> None:
    """Half-widths divide by √3 and √6 (GUM 4.3.7, 4.3.9); δ = 0.1 gives 0.0289 (GUM F.2.2.1)."""
    budget = make_budget(
        [Component("a", 0.05, "rectangular"), Component("b", 0.06, "triangular"), Component("c", 0)]
    )
    assert budget.table.schema == BUDGET
    expected = [0.0288675, 0.06 / np.sqrt(6), 0.0]
    assert budget.table["standard_uncertainty"].to_list() == pytest.approx(expected, abs=1e-7)
    assert budget.degrees_of_freedom == np.inf
    assert budget.expanded == pytest.approx(1.959964 * budget.combined)
    assert budget.table["degrees_of_freedom"].null_count() == 3


def test_fully_correlated_inputs_cancel_in_a_difference() -> None:
    """One vessel on both sides: r = 1 with sensitivities ±1 leaves what is not shared."""
    budget = make_budget(
        [
            Component("reference now", 0.03),
            Component("reference before", 0.03, sensitivity=-1),
            Component("repeatability", 0.02),
        ],
        correlations=[("reference now", "reference before", 1.0)],
    )
    assert budget.combined == pytest.approx(0.02)


def test_correlated_inputs_of_finite_freedom_have_no_effective_one() -> None:
    """Welch–Satterthwaite is for independent inputs; nothing is claimed beyond it."""
    budget = make_budget(
        [Component("a", 1.0, degrees_of_freedom=9), Component("b", 1.0)],
        correlations=[("a", "b", 0.5)],
    )
    assert budget.combined == pytest.approx(np.sqrt(3))
    assert np.isnan(budget.degrees_of_freedom)
    assert np.isnan(budget.expanded)


def test_budget_of_a_bias_equals_its_expression() -> None:
    """The table of one bias and the fleet's expression combine the same inputs alike."""
    parts = bias_components(
        reference_u=0.01, resolution=0.1, repeatability=0.03, replicates=3, operator=0.015
    )
    frame = pl.DataFrame({"ref": [0.01, None], "res": [0.1, 0.1], "sd": [0.03, 0.03], "n": [3, 3]})
    u = frame.select(
        bias_uncertainty(
            reference_u=pl.col("ref"),
            resolution=pl.col("res"),
            repeatability=pl.col("sd"),
            replicates=pl.col("n"),
            operator_sd=0.015,
        )
    ).to_series()
    assert u[0] == pytest.approx(make_budget(parts).combined, rel=1e-12)
    assert u[1] is None


@pytest.mark.parametrize(
    ("parts", "correlations", "word"),
    [
        ([Component("a", 0.0)], [], "above 0"),
        ([Component("a", 1.0), Component("a", 2.0)], [], "differ"),
        ([Component("a", -1.0)], [], "0 or above"),
        ([Component("a", float("nan"))], [], "0 or above"),
        ([Component("a", 1.0, "uniform")], [], "rectangular"),
        ([Component("a", 1.0, degrees_of_freedom=0)], [], "freedom"),
        ([Component("a", 1.0)], [("a", "b", 0.1)], "two components"),
        ([Component("a", 1.0), Component("b", 1.0)], [("a", "b", 1.1)], "within"),
    ],
)
def test_impossible_budgets_are_refused(
    parts: list[Component], correlations: list[tuple[str, str, float]], word: str
) -> None:
    """Each impossible input raises with the reason."""
    with pytest.raises(ValueError, match=word):
        make_budget(parts, correlations=correlations)
