"""This module says in words what the residuals of a plain line show."""

from typing import Any

from drift import format as text

# A visit that moves the slope by more than this many standard errors is told of (common practice
# for records of this length: Kutner and others, Applied Linear Statistical Models, section 10.4).
_INFLUENTIAL = 1.0
# From so many visits on, limits of a slope hardly lean on normal residuals (common practice).
_ENOUGH_VISITS = 20


def residuals(row: dict[str, Any], *, level: float) -> str:
    """Return what is left of a path about its least-squares line, in sentences.

    Parameters
    ----------
    row : dict
        Of `drift.trend.plain_trends.PLAIN_TRENDS`.
    level : float
        P value up to which something is told as found.
    """
    if row["residual_lag1"] is None:
        return _no_residuals(row)
    told = [_resemblance(row, level=level), _influence(row)]
    if row["visits"] < _ENOUGH_VISITS:
        told.append(_normality(row["normal_p"], level=level))
    return " ".join(told)


def _no_residuals(row: dict[str, Any]) -> str:
    """Say why there are no residuals to look at."""
    if row["slope"] is not None:
        return "All visits lie on the line: there is no scatter to look at."
    if row["resolution_limited"]:
        return "Too few steps of the dial were seen for a line."
    return "Too few visits for a line."


def _resemblance(row: dict[str, Any], *, level: float) -> str:
    """Say whether neighbouring visits resemble each other."""
    by = f"lag-1 autocorrelation {text.fixed(row['residual_lag1'], places=2, signed=True)}"
    test = f"{by}; Ljung–Box p {text.p_value(row['resemblance_p'])}"
    if row["resemblance_p"] > level:
        return f"Neighbouring visits show no likeness ({test})."
    if row["residual_lag1"] > 0:
        return (
            f"Neighbouring visits lie on the same side of the line ({test}): the path wanders, "
            "and the line may be more wander than drift."
        )
    return f"Neighbouring visits tend to lie on opposite sides of the line ({test})."


def _influence(row: dict[str, Any]) -> str:
    """Say whether one visit carries the slope."""
    if abs(row["influence_sds"]) <= _INFLUENTIAL:
        return "No single visit decides the slope: none moves it by more than its standard error."
    without = row["slope"] - row["influence"]
    return (
        f"The visit of {text.day(row['influential_on'])} moves the slope most: without it the "
        f"line would rise by {text.bias_with_unit(without)} a year. Look that visit up."
    )


def _normality(normal_p: float | None, *, level: float) -> str:
    """Say whether residuals look normal, on which limits from few visits lean."""
    if normal_p is None:
        return "The visits are too few to tell whether their scatter is normal."
    test = f"Anderson–Darling p {text.p_value(normal_p)}"
    if normal_p > level:
        return f"Their scatter looks normal ({test}), as limits from few visits need."
    return (
        f"Their scatter is not normal ({test}): with so few visits the limits are rough; go by "
        "the robust line or the median of slopes."
    )
