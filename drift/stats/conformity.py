"""This module says whether a bias conforms to a tolerance, and at what risk; it charts nothing."""

from dataclasses import dataclass
from decimal import Decimal

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.special import ndtr, ndtri

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


def conformance_probability(
    estimate: npt.ArrayLike,
    *,
    u: npt.ArrayLike,
    lower: npt.ArrayLike = -np.inf,
    upper: npt.ArrayLike = np.inf,
) -> Floats:
    """Return the probability that a true value lies within its limits.

    Parameters
    ----------
    estimate : array_like
        Measured values; NaN gives NaN.
    u : array_like
        Their standard uncertainties, above 0; NaN is returned where one is not, since a result
        without uncertainty cannot be meant.
    lower, upper : array_like
        Tolerance limits in the unit of the estimate; infinite where there is none.

    References
    ----------
    JCGM 106:2012, clause 7 (normal distribution, no prior knowledge).
    """
    y, s = np.broadcast_arrays(np.asarray(estimate, np.float64), np.asarray(u, np.float64))
    sure = np.where(s > 0, s, np.nan)
    above = ndtr((np.asarray(upper) - y) / sure)
    below = ndtr((np.asarray(lower) - y) / sure)
    return np.asarray(above - below)


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """How a bias and its uncertainty become a verdict.

    Attributes
    ----------
    name : str
    guard_factor : float
        Guard band over the expanded uncertainty U = 2u: w = guard_factor · U.
    four_way : bool
        Whether a result within the guard band on either side of the limit is named conditional.
    meaning : str
        One sentence for the page.
    """

    name: str
    guard_factor: float
    four_way: bool
    meaning: str


# Guard bands and the four-way form: ILAC-G8:09/2019, pages 8 to 10 (read); the factor 0.83 is that
# of ISO 14253-1:2017 for a conformance probability of 95 % (from memory).
DECISION_RULES: tuple[DecisionRule, ...] = (
    DecisionRule(
        "simple_acceptance",
        0.0,
        four_way=False,
        meaning="A bias within the tolerance passes; its uncertainty is reported beside it.",
    ),
    DecisionRule(
        "guarded_by_u",
        1.0,
        four_way=False,
        meaning="A bias passes only if it stays within the tolerance when its expanded "
        "uncertainty is added.",
    ),
    DecisionRule(
        "guarded_by_083_u",
        0.83,
        four_way=False,
        meaning="A bias passes only if it stays within the tolerance when 0.83 of its expanded "
        "uncertainty is added: a conformance probability of about 95 %.",
    ),
    DecisionRule(
        "four_way",
        1.0,
        four_way=True,
        meaning="A bias within its expanded uncertainty of the tolerance passes or fails "
        "conditionally.",
    ),
)

PASS, CONDITIONAL_PASS = "pass", "conditional_pass"
CONDITIONAL_FAIL, FAIL = "conditional_fail", "fail"
# A conditional pass is no fail: its bias lies within the tolerance.
ACCEPTED = (PASS, CONDITIONAL_PASS)


def decision_rule(name: str) -> DecisionRule:
    """Return the rule of that name.

    Raises
    ------
    ValueError
        If there is none.
    """
    for rule in DECISION_RULES:
        if rule.name == name:
            return rule
    names = ", ".join(rule.name for rule in DECISION_RULES)
    raise ValueError(f"decision rule {name!r} must be one of {names}")


def verdict(
    bias: pl.Expr, *, u: pl.Expr, tolerance: float, comparison: str, rule: DecisionRule
) -> pl.Expr:
    """Return the verdict of a decision rule on each bias.

    Parameters
    ----------
    bias : pl.Expr
        Biases, % air.
    u : pl.Expr
        Their standard uncertainties, % air; unused by simple acceptance.
    tolerance : float
        Largest bias that passes, % air.
    comparison : str
        E29 method, as for `within_tolerance`; with a guard band the limit is no round number and
        the bias is compared as it stands.
    rule : DecisionRule

    Returns
    -------
    pl.Expr
        "pass", "conditional_pass", "conditional_fail" or "fail"; null where the bias is unknown,
        or its uncertainty is and the rule needs it, or is not above 0.

    References
    ----------
    ILAC-G8:09/2019, binary and non-binary statements with guard bands.
    """
    inside = within_tolerance(bias, tolerance=tolerance, comparison=comparison)
    if rule.guard_factor == 0:
        return pl.when(inside).then(pl.lit(PASS)).when(~inside).then(pl.lit(FAIL))
    band = 2 * rule.guard_factor * pl.when(u > 0).then(u)
    size = pl.when(bias.is_finite()).then(bias.abs())
    clear_pass = size <= tolerance - band + 1 / _UNITS
    if not rule.four_way:
        return pl.when(clear_pass).then(pl.lit(PASS)).when(~clear_pass).then(pl.lit(FAIL))
    clear_fail = size > tolerance + band + 1 / _UNITS
    return (
        pl.when(clear_pass)
        .then(pl.lit(PASS))
        .when(clear_fail)
        .then(pl.lit(FAIL))
        .when(inside & ~clear_fail)
        .then(pl.lit(CONDITIONAL_PASS))
        .when(~inside & ~clear_fail)
        .then(pl.lit(CONDITIONAL_FAIL))
    )


def acceptance_limit(u: pl.Expr, *, tolerance: float, rule: DecisionRule) -> pl.Expr:
    """Return the largest bias that passes by a rule, conditionally or not, % air.

    Parameters
    ----------
    u : pl.Expr
        Standard uncertainties of the biases, % air; a rule with a guard band gives null where one
        is unknown or not above 0.
    tolerance : float
        Largest bias that is good, % air.
    rule : DecisionRule

    Returns
    -------
    pl.Expr
        0 or less where the guard band takes up the whole tolerance, so that nothing passes.

    References
    ----------
    ILAC-G8:09/2019: acceptance limit = tolerance limit − guard band; a conditional pass is named
    apart but lies within the tolerance.
    """
    if rule.guard_factor == 0 or rule.four_way:
        return pl.lit(tolerance)
    return tolerance - 2 * rule.guard_factor * pl.when(u > 0).then(u)


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
    steps, step = _limit_and_step(tolerance, comparison)
    return (steps + 0.5) * step / _UNITS if step > 1 else limit


def guard_factor(risk: npt.ArrayLike) -> Floats:
    """Return w/U (U = 2u) for which a bias at the acceptance limit is out with probability `risk`.

    References
    ----------
    ILAC-G8:09/2019, Table 1: one limit, normal distribution, r = z/2.
    """
    return np.asarray(-ndtri(np.asarray(risk, dtype=np.float64)) / 2)


def successive_readings(biases: pl.Expr, *, tolerance: float, comparison: str) -> pl.Expr:
    """Say whether the last two successive readings of a sitting held.

    Parameters
    ----------
    biases : pl.Expr
        Lists of the biases of successive readings at one point, in order, % air.
    tolerance : float
        Largest bias that passes, and largest difference of two readings that agree, % air.
    comparison : str
        E29 method, as for `within_tolerance`.

    Returns
    -------
    pl.Expr
        True where the last two are both within the tolerance and agree; false where they do not;
        null where fewer than two were recorded, so that the rule cannot be checked.

    References
    ----------
    ASTM C231 annex A1: adjust and repeat until two successive readings agree; from memory, to be
    checked against the current edition.
    """
    last, before = biases.list.get(-1, null_on_oob=True), biases.list.get(-2, null_on_oob=True)
    within = [
        within_tolerance(value, tolerance=tolerance, comparison=comparison)
        for value in (last, before, last - before)
    ]
    held: pl.Expr = pl.when(before.is_not_null() & last.is_not_null()).then(
        within[0] & within[1] & within[2]
    )
    return held
