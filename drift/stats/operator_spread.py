"""This module says how far operators differ, as a component of an uncertainty; it names none."""

from dataclasses import dataclass

import polars as pl

from drift.stats.common_cause import CommonCauses
from drift.stats.common_effects import component_sds
from drift.stats.common_fit import CommonFit


@dataclass(frozen=True, slots=True)
class OperatorSpread:
    """How far operators differ.

    Attributes
    ----------
    sd : float
        Standard deviation between them, % air; 0 where no difference was found or none could be.
    freedom : float or None
        Its degrees of freedom; None where sd is 0.
    basis : str
        Where it comes from, in words.
    """

    sd: float
    freedom: float | None
    basis: str


NOT_COMPARABLE = OperatorSpread(0.0, None, "cannot be told from the readings: not in the budget")
NO_DIFFERENCE = OperatorSpread(0.0, None, "no difference between operators was found")


def operator_spread(fit: CommonFit, causes: CommonCauses, *, rate: float) -> OperatorSpread:
    """Estimate the standard deviation between operators where they were found to differ.

    Parameters
    ----------
    fit : CommonFit
    causes : CommonCauses
        Found in that fit.
    rate : float
        False discovery rate up to which an operator counts as found to differ.

    Notes
    -----
    With three operators or more it is the component of the mixed model, by REML, with one degree of
    freedom fewer than operators; with two the standard deviation of their two effects.
    """
    told = causes.frame.filter((pl.col("kind") == "operator") & pl.col("effect_pct").is_not_null())
    if told.is_empty():
        return NOT_COMPARABLE
    if told.filter(pl.col("q") <= rate).is_empty():
        return NO_DIFFERENCE
    sd = component_sds(fit, causes.levels).get("operator") or told["effect_pct"].std()
    if not isinstance(sd, float) or told.height < 2:
        return NOT_COMPARABLE
    return OperatorSpread(sd, told.height - 1.0, f"difference between {told.height} operators")
