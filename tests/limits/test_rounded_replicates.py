"""Spread and range of rounded replicates: exact laws equal simulation and general libraries."""

import numpy as np
import pytest
from scipy import stats

from drift.limits.rounding.replicate_spread import (
    normal_range_tail,
    normal_spread_tail,
    range_law,
    spread_law,
)


@pytest.mark.parametrize(("size", "sigma"), [(2, 0.3), (3, 0.5), (5, 0.4), (7, 0.8)])
def test_laws_of_spread_and_range_equal_simulation(size: int, sigma: float) -> None:
    """Chance of at least each standard deviation and range, worst place, against 100,000 draws."""
    random = np.random.default_rng(size)
    worst_spread, worst_range = [], []
    places = np.linspace(0, 0.5, 11 if size < 5 else 3)
    values, chance, _ = spread_law(size, (sigma,))
    widths, range_chance, mean_range = range_law(size, (sigma,))
    ranges = []
    for place in places:
        x = np.rint(place + sigma * random.standard_normal((100_000, size)))
        spread, extent = x.std(axis=1, ddof=1), np.ptp(x, axis=1)
        worst_spread.append([(spread >= value - 1e-9).mean() for value in values[:12]])
        worst_range.append([(extent >= width).mean() for width in widths[:5]])
        ranges.append(extent.mean())
    assert chance[0, :12] == pytest.approx(np.max(worst_spread, axis=0), abs=0.007)
    assert range_chance[0, :5] == pytest.approx(np.max(worst_range, axis=0), abs=0.007)
    assert mean_range[0] == pytest.approx(np.mean(ranges), abs=0.01)


def test_unrounded_laws_of_spread_and_range() -> None:
    """Tails of s equal χ²'s and tails of the range scipy's studentized range with σ known."""
    at = np.array([0.5, 1.0, 2.0, 3.5])
    assert normal_spread_tail(4, at) == pytest.approx(stats.chi2.sf(3 * at**2, 3), rel=1e-12)
    known = stats.studentized_range.sf(at, 5, np.inf)
    assert normal_range_tail(5, at) == pytest.approx(known, abs=1e-9)


def test_one_reading_has_no_law_of_spread() -> None:
    """A single reading has no spread."""
    with pytest.raises(ValueError, match="at least 2 readings"):
        spread_law(1, (0.3,))
