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
    field_u_pct : float
        Standard uncertainty of one result in use beyond the meter's bias (sampling, consolidation,
        operator), % air; with 0 it is not stated, and a difference beyond the bench's uncertainty
        alone is no disagreement.  The precision of Type B meters is not determined in ASTM C231
        (from memory, to be checked against the current edition).
    comparison_sd_pct : float
        Standard deviation for proficiency assessment of a z score, % air; with 0 it is not stated,
        and the robust one of at least eight comparisons of a kind is used.
    bowl_spread_pct : float
        How far a bowl that was not measured may differ from the one that its vessel was set
        against, as ± % of its volume; used while fewer than five bowls are measured.  Common
        practice, no source.
    unknown_bowl : {"told", "counted"}
        Whether the doubt that an unmeasured bowl leaves is told beside a budget or counted in it.
    air_left_pct : float
        Most air that stays in a bowl called full of water, % air; a component of every budget, as
        a half-width about the reading.  ASTM C231 annex A1 warns of bubbles on inner surfaces and
        gives no number (from memory, to be checked against the current edition); the size is common
        practice, no source.
    scatter_study : str
        Study of repeatability, by its id, whose scatter of readings and difference between
        operators enter budgets; empty, or not on record yet, for what the fleet's readings show.
    """

    tolerance_pct: float = 0.1
    comparison: str = "absolute"
    decision_rule: str = "simple_acceptance"
    vessel_uncertainty: str = "stated"
    scatter_study: str = ""
    bowl_spread_pct: float = 0.6
    field_u_pct: float = 0.0
    comparison_sd_pct: float = 0.0
    unknown_bowl: str = "told"
    air_left_pct: float = 0.01
