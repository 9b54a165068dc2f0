"""This module says whether a bias conforms to a tolerance, and at what risk; it charts nothing."""

from decimal import Decimal

import numpy as np
import numpy.typing as npt
import polars as pl

Floats = npt.NDArray[np.float64]

# Recorded values carry a few decimals; their differences and means, once floats, are off by about
# 1e-16.  Counting in whole billionths of 1 % air undoes that, so that 3.1 − 3.0 is 0.1 again.
PLACES = 9
_UNITS = 10**PLACES

COMPARISONS = ("absolute", "rounding")


def within_tolerance(bias: pl.Expr, *, tolerance: float, comparison: str) -> pl.Expr:
    """Say for each bias whether it lies within ± `tolerance`, as the values stand in decimal.

    Parameters
    ----------
    bias : pl.Expr
        Biases, % air; null and NaN give null.
    tolerance : float
        Largest bias that passes, % air, above 0.
    comparison : {"absolute", "rounding"}
        The absolute method compares the unrounded value; the rounding method first rounds it, half
        to even, to the last decimal place of the tolerance.

    Returns
    -------
    pl.Expr
        Boolean, null where there is no bias.

    Raises
    ------
    ValueError
        If `comparison` is no such method or `tolerance` is not above 0.

    Notes
    -----
    The last place of the tolerance is that of its shortest decimal form: 0.1 and 0.10 are one
    number here, and both are rounded to tenths.

    References
    ----------
    ASTM E29, Standard Practice for Using Significant Digits in Test Data to Determine Conformance
    with Specifications: absolute and rounding methods; half to even from memory, to be checked
    against the current edition.
    """
    limit, step = _limit_and_step(tolerance, comparison)
    finite = pl.when(bias.is_finite()).then(bias)
    units = (finite.abs() * _UNITS).round(0).cast(pl.Int64)
    quotient, remainder = units // step, units % step
    up = (2 * remainder > step) | ((2 * remainder == step) & (quotient % 2 == 1))
    steps: pl.Expr = quotient + up.cast(pl.Int64)
    return steps <= limit


def within_tolerance_values(
    bias: npt.ArrayLike, *, tolerance: float, comparison: str
) -> npt.NDArray[np.bool_]:
    """Do what `within_tolerance` does for an array of any shape; NaN is not within.

    Raises
    ------
    ValueError
        If `comparison` is no such method or `tolerance` is not above 0.
    """
    limit, step = _limit_and_step(tolerance, comparison)
    values = np.abs(np.asarray(bias, dtype=np.float64))
    known = np.isfinite(values)
    return np.where(known, _whole_steps(np.where(known, values, 0.0), step) <= limit, False)


def round_half_even(values: npt.ArrayLike, *, places: int) -> Floats:
    """Round finite numbers to `places` decimals as they stand in decimal, a half to even.

    Parameters
    ----------
    values : array_like
        Finite numbers of any shape.
    places : int
        Decimals to keep, 0 to 9.

    References
    ----------
    ASTM E29, rounding method; half to even from memory, to be checked against the current edition.
    """
    numbers = np.asarray(values, dtype=np.float64)
    steps = _whole_steps(np.abs(numbers), 10 ** (PLACES - places))
    return np.asarray(np.copysign(steps / 10**places, numbers), dtype=np.float64)


def _whole_steps(values: Floats, step: int) -> npt.NDArray[np.int64]:
    """Count how many steps of `step` units non-negative `values` are, a half to even."""
    units = np.rint(values * _UNITS).astype(np.int64)
    quotient, remainder = np.divmod(units, step)
    up = (2 * remainder > step) | ((2 * remainder == step) & (quotient % 2 == 1))
    return np.asarray(quotient + up, dtype=np.int64)


def _limit_and_step(tolerance: float, comparison: str) -> tuple[int, int]:
    """Return the tolerance as a whole number of steps, and the step in units."""
    if not tolerance > 0:
        raise ValueError(f"tolerance {tolerance!r} must be above 0")
    if comparison not in COMPARISONS:
        raise ValueError(f"comparison {comparison!r} must be one of {', '.join(COMPARISONS)}")
    exponent = Decimal(repr(float(tolerance))).normalize().as_tuple().exponent
    places = min(max(-int(exponent), 0), PLACES) if comparison == "rounding" else PLACES
    step = 10 ** (PLACES - places)
    return round(tolerance * 10**places), step
