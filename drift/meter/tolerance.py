"""This module compares biases with the tolerance, as they stand or rounded, exactly in decimal."""

from decimal import Decimal

import numpy as np
import numpy.typing as npt
import polars as pl

from drift.arrays import Floats

# Recorded values carry a few decimals; their differences and means, once floats, are off by about
# 1e-16.  Counting in whole billionths of 1 % air undoes that, so that 3.1 − 3.0 is 0.1 again.
PLACES = 9
UNITS_PER_PCT = 10**PLACES

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
    limit, step = limit_and_step(tolerance, comparison)
    finite = pl.when(bias.is_finite()).then(bias)
    units = (finite.abs() * UNITS_PER_PCT).round(0).cast(pl.Int64)
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
    limit, step = limit_and_step(tolerance, comparison)
    values = np.abs(np.asarray(bias, dtype=np.float64))
    known = np.isfinite(values)
    return np.where(known, whole_steps(np.where(known, values, 0.0), step) <= limit, False)


def whole_steps(values: Floats, step: int) -> npt.NDArray[np.int64]:
    """Count how many steps of `step` units non-negative `values` are, a half to even."""
    units = np.rint(values * UNITS_PER_PCT).astype(np.int64)
    quotient, remainder = np.divmod(units, step)
    up = (2 * remainder > step) | ((2 * remainder == step) & (quotient % 2 == 1))
    return np.asarray(quotient + up, dtype=np.int64)


def limit_and_step(tolerance: float, comparison: str) -> tuple[int, int]:
    """Return the tolerance as a whole number of steps, and the step in units."""
    if not tolerance > 0:
        raise ValueError(f"tolerance {tolerance!r} must be above 0")
    if comparison not in COMPARISONS:
        raise ValueError(f"comparison {comparison!r} must be one of {', '.join(COMPARISONS)}")
    exponent = Decimal(repr(float(tolerance))).normalize().as_tuple().exponent
    places = min(max(-int(exponent), 0), PLACES) if comparison == "rounding" else PLACES
    step = 10 ** (PLACES - places)
    return round(tolerance * 10**places), step


def largest_accepted(limit: float, *, tolerance: float, comparison: str) -> float:
    """Return the true edge of acceptance: where rounding comes first, half a last place beyond.

    Parameters
    ----------
    limit, tolerance : float
        Acceptance limit of a rule, and the tolerance, % air; a limit moved off the tolerance by a
        guard band is no round number and is compared as it stands.
    comparison : str
        E29 method, as for `within_tolerance`.
    """
    if limit != tolerance:
        return limit
    steps, step = limit_and_step(tolerance, comparison)
    return (steps + 0.5) * step / UNITS_PER_PCT if step > 1 else limit
