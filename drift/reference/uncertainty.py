"""This module combines standard uncertainties into budgets by the GUM.

A budget is a table of input quantities.  Independent inputs combine with effective degrees of
freedom by Welch–Satterthwaite; correlated ones combine with their correlation coefficients.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.special import ndtri, stdtrit

from drift.arrays import Floats
from drift.frames import Schema

# Half-width to standard uncertainty.  Source: JCGM 100:2008, 4.3.7 and 4.3.9; page read for the
# rectangular one, the triangular one from memory.
_DIVISORS = {"normal": 1.0, "rectangular": float(np.sqrt(3)), "triangular": float(np.sqrt(6))}
# One row per input quantity, in the order given.  value is the standard uncertainty (normal) or the
# half-width (rectangular, triangular) in the input's own unit; degrees_of_freedom null where taken
# as infinite; contribution is |sensitivity · standard uncertainty| in the unit of the result;
# share its square over the sum of squares.
BUDGET: Schema = {
    "component": pl.String,
    "value": pl.Float64,
    "distribution": pl.String,
    "standard_uncertainty": pl.Float64,
    "sensitivity": pl.Float64,
    "degrees_of_freedom": pl.Float64,
    "contribution": pl.Float64,
    "share": pl.Float64,
}


@dataclass(frozen=True, slots=True)
class Component:
    """One input quantity of a budget.

    Attributes
    ----------
    name : str
    value : float
        Standard uncertainty for ``normal``, half-width otherwise, ≥ 0; in the input's unit.
    distribution : {"normal", "rectangular", "triangular"}
    sensitivity : float
        ∂result/∂input.
    degrees_of_freedom : float
        Of the standard uncertainty, > 0; infinite where it is not estimated from data.
    """

    name: str
    value: float
    distribution: str = "normal"
    sensitivity: float = 1.0
    degrees_of_freedom: float = np.inf


def coverage_factor(degrees_of_freedom: float, *, level: float) -> float:
    """Return the t quantile for a coverage probability; the normal one for infinite freedom.

    Notes
    -----
    Degrees of freedom that are not whole are used as they are (JCGM 100:2008, G.4.1 allows this or
    truncation to the next lower whole number).
    """
    if np.isnan(degrees_of_freedom):
        return float("nan")
    if np.isinf(degrees_of_freedom):
        return float(ndtri(0.5 + level / 2))
    return float(stdtrit(degrees_of_freedom, 0.5 + level / 2))


@dataclass(frozen=True, slots=True)
class Budget:
    """A result's uncertainty and where it comes from.

    Attributes
    ----------
    table : pl.DataFrame
        Frame of `BUDGET`.
    combined : float
        Combined standard uncertainty, unit of the result.
    degrees_of_freedom : float
        Effective ones; infinite where no input has finite ones, NaN where the formula does not
        hold (a correlated input with finite ones).
    coverage_factor : float
        For `level`; NaN where the degrees of freedom are.
    expanded : float
        coverage_factor · combined.
    level : float
        Coverage probability.
    """

    table: pl.DataFrame
    combined: float
    degrees_of_freedom: float
    coverage_factor: float
    expanded: float
    level: float


def make_budget(
    components: Sequence[Component],
    *,
    correlations: Sequence[tuple[str, str, float]] = (),
    level: float = 0.95,
) -> Budget:
    """Combine input quantities.

    Parameters
    ----------
    components : sequence of Component
        With different names, at least one of them above 0.
    correlations : sequence of (name, name, r)
        Correlation coefficients between two inputs, −1 to 1; the others are independent.
    level : float
        Coverage probability of the expanded uncertainty.

    Raises
    ------
    ValueError
        If a name is repeated or unknown, a value is negative or not finite, a distribution is not
        known, a coefficient lies outside ±1, or nothing in the budget is above 0.

    References
    ----------
    JCGM 100:2008 (GUM), equations 10 (independent), 16 (correlated) and G.2b
    (Welch–Satterthwaite).  The last holds for independent inputs; where a correlated input has
    finite degrees of freedom the effective ones are not given.
    """
    u = _standard_uncertainties(components)
    r = _correlation_matrix(components, correlations)
    signed = u * np.array([component.sensitivity for component in components])
    freedom = np.array([component.degrees_of_freedom for component in components])
    variance = float(signed @ r @ signed)
    squares = float(signed @ signed)
    if squares <= 0:
        raise ValueError("a budget must hold a component above 0")
    combined = float(np.sqrt(max(variance, 0.0)))
    correlated = (np.abs(r - np.eye(len(u))) > 0).any(axis=1)
    effective = (
        float("nan")
        if np.isfinite(freedom[correlated]).any()
        else effective_freedom(signed, freedom=freedom, combined=combined)
    )
    factor = coverage_factor(effective, level=level)
    table = pl.DataFrame(
        {
            "component": [component.name for component in components],
            "value": [component.value for component in components],
            "distribution": [component.distribution for component in components],
            "standard_uncertainty": u,
            "sensitivity": [component.sensitivity for component in components],
            "degrees_of_freedom": [
                value if np.isfinite(value) else None for value in freedom.tolist()
            ],
            "contribution": np.abs(signed),
            "share": signed**2 / squares,
        },
        schema=BUDGET,
    )
    return Budget(
        table=table,
        combined=combined,
        degrees_of_freedom=effective,
        coverage_factor=factor,
        expanded=factor * combined,
        level=level,
    )


def _standard_uncertainties(components: Sequence[Component]) -> Floats:
    """Return the standard uncertainty of each input, or raise."""
    names = [component.name for component in components]
    if len(set(names)) < len(names):
        raise ValueError("component names must differ")
    for component in components:
        if component.distribution not in _DIVISORS:
            raise ValueError(
                f"distribution {component.distribution!r} must be one of {', '.join(_DIVISORS)}"
            )
        if not (np.isfinite(component.value) and component.value >= 0):
            raise ValueError(f"{component.name} is {component.value!r}; it must be 0 or above")
        if not component.degrees_of_freedom > 0:
            raise ValueError(f"the degrees of freedom of {component.name} must be above 0")
    return np.array([c.value / _DIVISORS[c.distribution] for c in components], dtype=np.float64)


def _correlation_matrix(
    components: Sequence[Component], correlations: Sequence[tuple[str, str, float]]
) -> Floats:
    """Return the correlation matrix of the inputs, or raise."""
    place = {component.name: index for index, component in enumerate(components)}
    r = np.eye(len(components))
    for one, other, value in correlations:
        if one not in place or other not in place or one == other:
            raise ValueError(f"correlation of {one!r} and {other!r} must name two components")
        if not -1 <= value <= 1:
            raise ValueError(f"correlation {value!r} must lie within ±1")
        r[place[one], place[other]] = r[place[other], place[one]] = value
    return r


def effective_freedom(contributions: Floats, *, freedom: Floats, combined: float) -> float:
    """Return the Welch–Satterthwaite degrees of freedom, infinite where no input has finite ones.

    References
    ----------
    JCGM 100:2008, equation G.2b.
    """
    finite = np.isfinite(freedom)
    below = float((contributions[finite] ** 4 / freedom[finite]).sum())
    return combined**4 / below if below > 0 else float("inf")
