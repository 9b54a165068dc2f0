"""Risks of a fleet."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import multivariate_normal, norm

from drift.conformity.global_risk import bivariate_normal, global_risks


def test_bivariate_normal_equals_scipy() -> None:
    """Owen's formula equals scipy's numerical integral, also at zero and far arguments."""
    for h, k, r in [(0.3, -1.2, 0.7), (0, 0.5, -0.4), (-2, 0, 0.9), (0, 0, 0.5), (8, -1, 0.2)]:
        expected = multivariate_normal(cov=[[1, r], [r, 1]]).cdf([h, k])
        assert bivariate_normal(h, k, correlation=r) == pytest.approx(expected, abs=1e-7)
    assert bivariate_normal(0, 0, correlation=0.5) == pytest.approx(
        0.25 + np.arcsin(0.5) / 2 / np.pi
    )


def test_global_risks_of_a_resistor_lot() -> None:
    """JCGM 106:2012, 9 (inputs from memory): 1500 ± 0.2 Ω, prior 0.12; integrals redone apart."""
    for u, expected in ((0.02, (0.01114, 0.01574)), (0.04, (0.01894, 0.03721))):
        risks = global_risks(mean=0, sd=0.12, u=u, tolerance=0.2, acceptance=0.2)
        np.testing.assert_allclose(risks, expected, atol=5e-6)


def test_global_risks_of_a_fleet_of_meters() -> None:
    """N(0, 0.05), u 0.03, ±0.1, accepting up to 0.1 and 0.04: integrals redone apart."""
    false_accept, false_reject = global_risks(
        mean=0, sd=0.05, u=0.03, tolerance=0.1, acceptance=[0.1, 0.04]
    )
    np.testing.assert_allclose(false_accept, [0.013568, 0.000380], atol=5e-7)
    np.testing.assert_allclose(false_reject, [0.054416, 0.447597], atol=5e-7)


def test_global_risks_equal_the_integrals() -> None:
    """The areas equal the defining integrals, for a fleet off centre too (scipy quad)."""
    mean, sd, u, good, taken = 0.03, 0.06, 0.02, 0.1, 0.08

    def accepted(true: float) -> float:
        return float(norm.cdf((taken - true) / u) - norm.cdf((-taken - true) / u))

    def bad(true: float) -> float:
        return float(norm.pdf(true, mean, sd)) * accepted(true)

    def lost(true: float) -> float:
        return float(norm.pdf(true, mean, sd)) * (1 - accepted(true))

    expected_accept = quad(bad, -1, -good)[0] + quad(bad, good, 1)[0]
    expected_reject = quad(lost, -good, good, points=[-taken, taken])[0]
    found = global_risks(mean=mean, sd=sd, u=u, tolerance=good, acceptance=taken)
    np.testing.assert_allclose(found, [expected_accept, expected_reject], atol=1e-9)


@pytest.mark.parametrize(
    ("reliability", "worst"), [(0.85, 0.0272), (0.89, 0.0195), (0.95, 0.00855)]
)
def test_worst_false_acceptance_at_an_observed_reliability(
    reliability: float, worst: float
) -> None:
    """At 89 % observed end-of-period reliability at most 2 % are falsely accepted (rule M)."""
    total = 1 / norm.ppf((1 + reliability) / 2)  # spread of what is observed, tolerance 1

    def false_accept(share: float) -> float:
        u = share * total
        sd = np.sqrt(total**2 - u**2)
        return float(global_risks(mean=0, sd=sd, u=u, tolerance=1, acceptance=1)[0])

    highest = max(false_accept(share) for share in np.linspace(0.02, 0.98, 193))
    assert highest == pytest.approx(worst, abs=2e-4)


def test_risks_without_spread_or_uncertainty_are_not_numbers() -> None:
    """A fleet spread or an uncertainty of 0 cannot be meant and gives no risk."""
    assert np.isnan(global_risks(mean=0, sd=0, u=0.03, tolerance=0.1, acceptance=0.1)).all()
    assert np.isnan(global_risks(mean=0, sd=0.05, u=0, tolerance=0.1, acceptance=0.1)).all()
