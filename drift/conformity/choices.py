"""This module holds what a laboratory may choose of what passes, and how sure that must be."""

from dataclasses import dataclass


@dataclass(frozen=True)
class ConformityChoices:
    """What a laboratory may choose of what passes, and how sure that must be.

    Attributes
    ----------
    tolerance_pct : float
        Largest bias that passes, % air.  Common practice; ASTM C231 annex A1 and AASHTO T 152,
        from memory, to be checked against the current edition.
    comparison : {"absolute", "rounding"}
        How a bias is compared with the tolerance (ASTM E29, names of its two methods).
    decision_rule : {"simple_acceptance", "guarded_by_u", "guarded_by_083_u", "four_way"}
        How a bias and its uncertainty become a verdict: within the tolerance; the same with U, or
        0.83 of U, added; or with conditional verdicts within U of the tolerance (ILAC-G8).
    vessel_uncertainty : {"stated", "larger"}
        Which uncertainty of a vessel enters a budget where calibrations or meters contradict the
        stated one (E_n above 1, ISO/IEC 17043): the stated one, which is then said to be
        contradicted, or one as much larger as E_n asks.
    """

    tolerance_pct: float = 0.1
    comparison: str = "absolute"
    decision_rule: str = "simple_acceptance"
    vessel_uncertainty: str = "stated"
