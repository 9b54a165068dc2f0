"""This module holds what a laboratory may choose about keeping or retiring a meter."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class RetirementChoices:
    """Thresholds and prices; each is the laboratory's choice, and no standard sets one.

    Defaults are common practice, no source, unless said otherwise.

    Attributes
    ----------
    target : float
        Share of checks that should pass: the target of intervals.
    adjustments_per_year : float
        Rate of adjustments from which a meter is adjusted too often.
    adjustment_rise_level : float
        p value below which adjustments are said to become more frequent.
    same_direction_moves : int
        Adjustments in a row that move the readings the same way.
    mark_travel_pct : float
        Distance of the mark from where it was established, % on the dial.
    repeatability_level : float
        Chance of calling a repeatability worse that is not: sets the limit √F.
    baseline_visits, recent_visits : int
        First visits that set a meter's repeatability, and last visits compared with them.
    recent_adjustments, left_out_visits : int
        Of so many last adjustments, how many may not leave a point outside the tolerance.
    shortest_days, longest_days : int
        Shortest practicable interval, and the longest that was worked out.
    fault_years, recurring_faults : float, int
        Leaks or water put right so often within so many years.
    cause_probability : float
        Chance of a leak or of water from which the readings suggest it.
    age_years : float
        Age that supports other grounds.
    fewest_visits : int
        Visits below which a rate of adjustments is not given.
    confidence : float
        Of exact intervals.
    grounds_to_retire : int
        Grounds that call for service and, met together after a service, call for retirement.
    service_tried_years : float
        How long a service counts as tried.
    adjust_early_share : float
        Share of the tolerance past which a meter checked more often is adjusted.
    cost_ratio : float
        Cost of keeping it, as a multiple of that with a new meter, from which to replace it.
    horizon_years : float
        Over which costs are counted.
    cost_coverage : float
        Of the range of costs.
    check_price, adjustment_price, failure_price, service_price, replacement_price : float
        One visit; putting a meter right; following up a failed check; one service; a new meter
        ready for use.  In one currency; 0 where not given, which is no price.
    """

    target: float = 0.95
    adjustments_per_year: float = 1.0
    adjustment_rise_level: float = 0.05
    same_direction_moves: int = 5
    mark_travel_pct: float = 0.5
    repeatability_level: float = 0.05
    baseline_visits: int = 7
    recent_visits: int = 4
    recent_adjustments: int = 3
    left_out_visits: int = 2
    shortest_days: int = 30
    longest_days: int = 1826
    fault_years: float = 2.0
    recurring_faults: int = 2
    cause_probability: float = 0.8
    age_years: float = 10.0
    fewest_visits: int = 6
    confidence: float = 0.95
    grounds_to_retire: int = 2
    service_tried_years: float = 2.0
    adjust_early_share: float = 0.5
    cost_ratio: float = 1.0
    horizon_years: float = 5.0
    cost_coverage: float = 0.8
    check_price: float = 0.0
    adjustment_price: float = 0.0
    failure_price: float = 0.0
    service_price: float = 0.0
    replacement_price: float = 0.0
