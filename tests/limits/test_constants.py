"""Constants of control charts: equal to their definitions and to printed tables, for any size."""

import numpy as np
import pytest

from drift.limits.charts import constants
from tests.limits import table_factors
from tests.published.reference_tables import column, rows

EXACT, PRINTED = "c_constants_exact_n2_25", "c_constants_published_n2_25"


def _computed(name: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return a constant of the tables for sizes 2 to 25."""
    n = np.arange(2, 26)
    values = {
        "d2": constants.d2(n),
        "d3": constants.d3(n),
        "c4": constants.c4(n),
        "A": table_factors.mean_factor(n),
        "A2": table_factors.mean_factor_range(n),
        "A3": table_factors.mean_factor_spread(n),
        "B3": table_factors.spread_factors_estimated(n)[0],
        "B4": table_factors.spread_factors_estimated(n)[1],
        "B5": table_factors.spread_factors(n)[0],
        "B6": table_factors.spread_factors(n)[1],
        "D1": table_factors.range_factors(n)[0],
        "D2": table_factors.range_factors(n)[1],
        "D3": table_factors.range_factors_estimated(n)[0],
        "D4": table_factors.range_factors_estimated(n)[1],
        "E2": table_factors.individuals_factor_range(n),
        "E3": table_factors.individuals_factor_spread(n),
    }
    return values[name]


@pytest.mark.parametrize(
    "name",
    [
        *("d2", "d3", "c4", "A", "A2", "A3", "B3", "B4", "B5", "B6"),
        *("D1", "D2", "D3", "D4", "E2", "E3"),
    ],
)
def test_constants_follow_from_their_definitions(name: str) -> None:
    """Sizes 2 to 25 to the 8 decimals of the exact table, recomputed there by other integrals."""
    assert _computed(name) == pytest.approx(column(EXACT, name), abs=6e-9)


@pytest.mark.parametrize("name", ["d2", "d3", "c4", "A2", "A3", "B3", "B4", "B5", "B6", "D3", "D4"])
def test_constants_agree_with_printed_tables(name: str) -> None:
    """Printed tables of a textbook (n 2-21) and of ASTM as reprinted (n 22-25), within 1e-3.

    SOURCES.md lists where tradition rounds otherwise.
    """
    printed = [row[name] for row in rows(PRINTED)]
    given = np.array([text != "" for text in printed])
    values = np.array([float(text) for text in printed if text])
    assert _computed(name)[given] == pytest.approx(values, abs=1e-3)


def test_two_values_have_closed_forms() -> None:
    """For n = 2: E(R) = 2/√π, SD(R) = √(2 − 4/π), c4 = √(2/π)."""
    assert constants.d2(2) == pytest.approx(2 / np.sqrt(np.pi), rel=1e-12)
    assert constants.d3(2) == pytest.approx(np.sqrt(2 - 4 / np.pi), rel=1e-12)
    assert constants.c4(2) == pytest.approx(np.sqrt(2 / np.pi), rel=1e-12)


def test_constants_go_on_past_printed_tables() -> None:
    """Large sizes keep to theory (c4 → 1 − 1/(4n)) and to simulation; shapes are kept."""
    assert constants.c4(100_000) == pytest.approx(1 - 1 / 400_000, abs=1e-9)
    random = np.random.default_rng(3)
    ranges = np.ptp(random.standard_normal((4000, 1000)), axis=1)
    error = ranges.std() / np.sqrt(len(ranges))
    assert constants.d2(1000) == pytest.approx(ranges.mean(), abs=4 * error)
    assert constants.d3(1000) == pytest.approx(ranges.std(), rel=0.05)
    assert constants.d2([[2, 3], [3, 2]]).shape == (2, 2)


@pytest.mark.parametrize("size", [1, 0, -3, 2.5, 10**6])
def test_impossible_sizes_are_refused(size: float) -> None:
    """A group of one reading, a fraction of one or a million has no constant; the size is named."""
    with pytest.raises(ValueError, match=f"{size}"):
        constants.d2(size)
