"""Tolerance comparison, decision rules and risks."""

import numpy as np
import polars as pl
import pytest

from drift.stats.conformity import round_half_even, within_tolerance, within_tolerance_values


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
    values = [0.05, 0.15, 0.25, 5.05, 5.15, -0.15, -0.05]
    expected = [0.0, 0.2, 0.2, 5.0, 5.2, -0.2, 0.0]
    np.testing.assert_array_equal(round_half_even(values, places=1), expected)


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
