"""This module names what pages hold of uncertainty and conformity; it computes nothing.

Numbers and dates stay numbers and dates, and None is "cannot say", as in `drift.pages.data`.
"""

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class VerdictRow:
    """One bias of the last visit, % air, with its limit in force and what is said of it."""

    point_pct: float
    stage: str
    bias: float
    expanded_u: float | None
    limit: float | None
    verdict: str
    p_conform: float | None


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """One input quantity of a budget; value is a standard uncertainty or a half-width, % air."""

    component: str
    value: float
    distribution: str
    sensitivity: float
    freedom: float | None
    contribution: float
    share: float
    basis: str


@dataclass(frozen=True, slots=True)
class BudgetPart:
    """The budget of one bias, and the bias with its expanded uncertainty.

    Attributes
    ----------
    rows : tuple of BudgetRow
    combined, factor, expanded : float or None
        Combined standard uncertainty, coverage factor and expanded uncertainty, % air.
    freedom : float or None
        Effective degrees of freedom, None where infinite.
    """

    point_pct: float
    stage: str
    rows: tuple[BudgetRow, ...]
    combined: float | None
    freedom: float | None
    factor: float | None
    expanded: float | None


@dataclass(frozen=True, slots=True)
class Judged:
    """A verdict in words with its conformance probability."""

    verdict: str
    p_conform: float | None


@dataclass(frozen=True, slots=True)
class JudgedVisit:
    """The verdicts of one visit: for each point as found and as left, None where not read."""

    performed_on: date
    points: tuple[tuple[Judged | None, Judged | None], ...]


@dataclass(frozen=True, slots=True)
class ConformityPart:
    """What the dossier of one meter says of uncertainty and conformity.

    Attributes
    ----------
    rule : tuple of str
        Sentences on the rule in force.
    last_on : date
        The last visit.
    steps, successive : str
        Sentences on the steps since the visit before, and on two successive readings as left.
    """

    rule: tuple[str, ...]
    last_on: date
    last: tuple[VerdictRow, ...]
    budgets: tuple[BudgetPart, ...]
    steps: str
    successive: str
    points_pct: tuple[float, ...]
    visits: tuple[JudgedVisit, ...]


@dataclass(frozen=True, slots=True)
class RiskRow:
    """What checking the fleet risks at one point; shares of all as-found checks.

    Attributes
    ----------
    accept_low, accept_high, reject_low, reject_high : float or None
        95 % intervals of the two risks.
    """

    point_pct: float
    checks: int
    mean: float | None
    sd: float | None
    u: float
    limit: float
    false_accept: float | None
    accept_low: float | None
    accept_high: float | None
    false_reject: float | None
    reject_low: float | None
    reject_high: float | None


@dataclass(frozen=True, slots=True)
class VesselValue:
    """What one calibration of a vessel stands for, % air, with its standard uncertainty."""

    vessel_id: str
    calibrated_on: date
    air: float
    u: float


@dataclass(frozen=True, slots=True)
class ExceptionRow:
    """One sitting as left whose last two readings did not both pass and agree."""

    meter_id: str
    file: str
    performed_on: date
    point_pct: float


@dataclass(frozen=True, slots=True)
class FleetConformity:
    """What the fleet review says of uncertainty and conformity.

    Attributes
    ----------
    rule : tuple of str
        Sentences on the rule in force.
    counts, risk, successive, alike : str
        Sentences on the last visits' verdicts, on what checking risks, on two successive readings
        as left and on names of operators that may be one; the last is empty where there are none.
    """

    rule: tuple[str, ...]
    counts: str
    risk: str
    risks: tuple[RiskRow, ...]
    vessels: tuple[VesselValue, ...]
    vessels_total: int
    successive: str
    exceptions: tuple[ExceptionRow, ...]
    exceptions_total: int
    alike: str
