"""This module says whether a bias conforms to a tolerance, and at what risk."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.special import ndtr

from drift.arrays import Floats
from drift.meter.tolerance import UNITS_PER_PCT, within_tolerance


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
    clear_pass = size <= tolerance - band + 1 / UNITS_PER_PCT
    if not rule.four_way:
        return pl.when(clear_pass).then(pl.lit(PASS)).when(~clear_pass).then(pl.lit(FAIL))
    clear_fail = size > tolerance + band + 1 / UNITS_PER_PCT
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
