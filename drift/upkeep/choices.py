"""This module holds what a laboratory may choose about intervals and retirement."""

from dataclasses import dataclass

from drift.conformity.choices import ConformityChoices
from drift.forecast.choices import ForecastChoices
from drift.trend.choices import TrendChoices


@dataclass(frozen=True, slots=True)
class IntervalChoices:
    """What a laboratory may choose about how long a meter may go unseen.

    Attributes
    ----------
    target : float
        Chance of being in tolerance that is to be left at the end of an interval.  The best
        interval is the time at which reliability falls to it (NASA RP-1342); its size is the
        laboratory's choice.
    ceiling_days : int
        Longest interval that is recommended, whatever the data say.  ASTM C231 and AASHTO T 152
        ask for at most three months; from memory, to be checked against the current edition.
    shortest_days : int
        Shortest interval that is practicable.  Common practice, no source.
    longest_days : int
        Longest interval that is worked out.
    confidence : float
        Confidence of exact and of fitted intervals.
    staircase_within : float
        Share of the tolerance within which a check must lie before the staircase lengthens the
        interval.  ILAC-G24 names 80 % as an example.
    staircase_extension : float
        Share by which the staircase lengthens an interval after a good check.
    staircase_reduction : float
        Share by which the staircase shortens an interval after a failed check.
    """

    target: float = 0.95
    ceiling_days: int = 91
    shortest_days: int = 30
    longest_days: int = 1826
    confidence: float = 0.95
    staircase_within: float = 0.8
    staircase_extension: float = 0.1
    staircase_reduction: float = 0.5


# Bounds outside which a value cannot be meant: field, lowest, highest (both inclusive).
INTERVAL_BOUNDS: tuple[tuple[str, float, float], ...] = (
    ("target", 0.5, 0.9999),
    ("ceiling_days", 1, 3660),
    ("shortest_days", 1, 3660),
    ("longest_days", 1, 3660),
    ("confidence", 0.5, 0.9999),
    ("staircase_within", 0.01, 1.0),
    ("staircase_extension", 0.001, 10.0),
    ("staircase_reduction", 0.001, 0.999),
)


@dataclass(frozen=True, slots=True)
class RetirementChoices:
    """Thresholds and prices; each is the laboratory's choice, and no standard sets one.

    Defaults are common practice, no source, unless said otherwise.

    Attributes
    ----------
    adjustments_per_year : float
        From so many adjustments a year on, a meter is adjusted too often.
    adjustment_rise_level : float
        p value below which adjustments are said to become more frequent.
    same_direction_moves : int
        From so many adjustments in a row on, all moving the readings the same way, they count.
    mark_travel_pct : float
        From so far on, the distance of the mark from its first place counts, % on the dial.
    repeatability_level : float
        Chance, for the whole fleet, of calling the repeatability of a meter worse though none is.
        Shared out over the meters in use, it sets how much worse a meter must be (limit √F).
    baseline_visits : int
        First visits, which set a meter's own repeatability.
    recent_visits : int
        Last visits, whose repeatability is compared with that of the first.
    recent_adjustments : int
        Last adjustments, after which all points should be within the tolerance.
    left_out_visits : int
        From so many of those adjustments on that left a point outside, it counts.
    fault_years : float
        For so many years back, leaks and water count.
    recurring_faults : int
        From so many leaks or cases of water in those years on, they recur.
    cause_probability : float
        From this probability of a leak or of water on, the readings suggest one.
    age_years : float
        From so many years in service on, age supports other grounds.
    fewest_visits : int
        With fewer visits no rate of adjustments is given.
    grounds_to_retire : int
        So many grounds that call for service, met together after a service, call for retirement.
    service_tried_years : float
        For so many years a service counts as tried.
    adjust_early_share : float
        A meter that is checked more often is adjusted past this share of the tolerance.
    cost_ratio : float
        Replace a meter when keeping it costs this many times as much as a new meter, or more.
    horizon_years : float
        Years over which costs are counted.
    cost_coverage : float
        Share of the outcomes that lie within the range of a cost.
    check_price : float
        Price of one visit, in the laboratory's currency; 0 is not given.
    adjustment_price : float
        Price of putting a meter right.
    failure_price : float
        Price of following up a failed check: results looked at, customers told, tests repeated.
    service_price : float
        Price of one service; 0 is not given.
    replacement_price : float
        Price of a new meter ready for use; 0 is not given.
    """

    adjustments_per_year: float = 1.0
    adjustment_rise_level: float = 0.05
    same_direction_moves: int = 5
    mark_travel_pct: float = 0.5
    repeatability_level: float = 0.01
    baseline_visits: int = 7
    recent_visits: int = 4
    recent_adjustments: int = 3
    left_out_visits: int = 2
    fault_years: float = 2.0
    recurring_faults: int = 2
    cause_probability: float = 0.8
    age_years: float = 10.0
    fewest_visits: int = 6
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


# Bounds outside which a value cannot be meant: field, lowest, highest (both inclusive).
RETIREMENT_BOUNDS: tuple[tuple[str, float, float], ...] = (
    ("adjustments_per_year", 0.01, 1000.0),
    ("adjustment_rise_level", 1e-4, 0.5),
    ("same_direction_moves", 2, 1000),
    ("mark_travel_pct", 0.001, 100.0),
    ("repeatability_level", 1e-4, 0.5),
    ("baseline_visits", 1, 1000),
    ("recent_visits", 1, 1000),
    ("recent_adjustments", 1, 1000),
    ("left_out_visits", 1, 1000),
    ("fault_years", 0.1, 100.0),
    ("recurring_faults", 1, 1000),
    ("cause_probability", 0.01, 1.0),
    ("age_years", 0.1, 1000.0),
    ("fewest_visits", 2, 1000),
    ("grounds_to_retire", 1, 12),
    ("service_tried_years", 0.1, 100.0),
    ("adjust_early_share", 0.01, 1.0),
    ("cost_ratio", 0.01, 100.0),
    ("horizon_years", 0.25, 30.0),
    ("cost_coverage", 0.5, 0.999),
    ("check_price", 0.0, 1e12),
    ("adjustment_price", 0.0, 1e12),
    ("failure_price", 0.0, 1e12),
    ("service_price", 0.0, 1e12),
    ("replacement_price", 0.0, 1e12),
)


_INTERVALS, _RETIREMENT = IntervalChoices(), RetirementChoices()


@dataclass(frozen=True)
class UpkeepChoices(ConformityChoices, ForecastChoices, TrendChoices):
    """What a laboratory may choose of how long meters may go unseen, and what keeping them costs.

    Attributes
    ----------
    interval_days : int
        Days between visits of a meter whose own interval is not given.  Common practice, three
        months; from memory, to be checked against the current edition.
    intervals : IntervalChoices
        How long meters may go unseen: the table ``[intervals]``.
    retirement : RetirementChoices
        Whether to keep a meter: the table ``[retirement]``.
    """

    interval_days: int = 91
    intervals: IntervalChoices = _INTERVALS
    retirement: RetirementChoices = _RETIREMENT
