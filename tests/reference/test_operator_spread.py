"""How far operators differ, as a component of an uncertainty."""

import numpy as np
import pytest

from drift.reference.crossed_fit import fit_crossed
from drift.reference.operators import NO_DIFFERENCE, NOT_COMPARABLE, OperatorSpread, operator_spread
from drift.reference.shared_effects import find_shared_effects
from tests.meter.cause_simulator import Plan, simulate_fleet


def _spread(*effects: float, meters: int = 24) -> OperatorSpread:
    fleet = simulate_fleet(4, Plan(meters=meters, visits=16, operator_effects=effects))
    fit = fit_crossed(fleet.ledger, sessions=fleet.sessions, vessels=fleet.vessels)
    assert fit is not None
    return operator_spread(fit, find_shared_effects(fit), rate=0.05)


def test_spread_of_operators_that_differ() -> None:
    """Six planted operators: their standard deviation within the interval of 5 degrees of freedom.

    The ratio of a sample's variance to the true one lies within 0.17 and 2.57 in 95 % of cases (χ²
    of 5, any table); the planted effects are the sample, so that the fit must come closer.
    """
    planted = (0.03, -0.02, 0.0, 0.025, -0.03, -0.005)
    found = _spread(*planted)
    assert found.sd == pytest.approx(np.std(planted, ddof=1), rel=0.3)
    assert found.freedom == 5
    assert found.basis == "difference between 6 operators"


def test_two_operators_that_differ() -> None:
    """Two effects of ±0.02 about their mean have the standard deviation 0.02·√2."""
    found = _spread(0.02, -0.02)
    assert found.sd == pytest.approx(0.02 * np.sqrt(2), rel=0.3)
    assert found.freedom == 1


def test_no_difference_and_nothing_to_compare_are_told_apart() -> None:
    """Alike operators add nothing, and one operator cannot be told of: neither is counted."""
    assert _spread(0.0, 0.0, 0.0) == NO_DIFFERENCE
    assert _spread(0.01) == NOT_COMPARABLE
    assert NO_DIFFERENCE.sd == NOT_COMPARABLE.sd == 0
    assert "not in the budget" in NOT_COMPARABLE.basis
