"""This module names the ways in which a fleet is watched.

A *monitor* is one way to notice: the tolerance check of each visit, a rule by itself, the rules
in force together, an EWMA or a CUSUM chart.
"""

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass

import numpy as np

from drift.arrays import Floats
from drift.limits.rules import rules_named
from drift.limits.runs.rule_run_length import rule_run_lengths
from drift.limits.runs.run_length import RunLengths, cusum_run_lengths, ewma_run_lengths

TOLERANCE_CHECK, BEYOND, RULE_MONITOR, EWMA, CUSUM = (
    "tolerance_check",
    "beyond_limits",
    "rules",
    "ewma",
    "cusum",
)
# This many sigmas past its limit a chart has signalled: a point within it does not occur.
PAST_LIMIT_SIGMAS = 6.0

Follow = Callable[[Floats], RunLengths]


@dataclass(frozen=True, slots=True)
class Monitor:
    """One way to notice.

    Attributes
    ----------
    follow : Follow
        From paths of means, in sigmas, to run lengths.
    certain_sigmas : float
        Distance of the mean from the centre at which it signals at once.
    """

    follow: Follow
    certain_sigmas: float


@dataclass(frozen=True, slots=True)
class Watch:
    """How a fleet is watched; one series is one meter at one verification point.

    Attributes
    ----------
    sigma_pct : float
        Standard deviation of one plotted point of a sound meter, % air.
    interval_days : float
        Days between visits.
    tolerance_pct : float
        Largest bias that passes, % air.
    meters, points_per_meter : int
        Size of the fleet, and verification points charted for each meter.
    baseline_visits : int
        Visits that set the centre of a chart.
    rules : tuple of str
        Rules in force on the individuals chart.
    limit_sigmas : float
        Distance of its limits from the centre, in sigmas.
    ewma_weight, ewma_limit_sigmas : float
        Weight of the newest point, and limits in standard deviations of the weighted mean.
    cusum_reference_sigmas, cusum_decision_sigmas : float
        Reference value k and decision interval h.
    resolution_pct : float
        Step that a plotted point is rounded to, % air; 0 for unrounded.  It enters the tolerance
        check and the rules, with the centre on a step; EWMA and CUSUM are computed unrounded.
    """

    sigma_pct: float
    interval_days: float
    tolerance_pct: float
    meters: int
    points_per_meter: int
    baseline_visits: int
    rules: tuple[str, ...]
    limit_sigmas: float
    ewma_weight: float
    ewma_limit_sigmas: float
    cusum_reference_sigmas: float
    cusum_decision_sigmas: float
    resolution_pct: float = 0.0


def monitors_of(watch: Watch) -> Mapping[str, Monitor]:
    """Return the monitors of a fleet by name, in the order of the constants above.

    The rules in force are one of them only where they are more than the rule that is shown anyway.

    Raises
    ------
    ValueError
        If a setting is out of range or a rule unknown.
    """
    _check(watch)
    step = watch.resolution_pct / watch.sigma_pct

    def by_rules(names: tuple[str, ...], limit: float) -> Follow:
        return lambda means: rule_run_lengths(
            means, rules=names, limit_sigmas=limit, resolution_sigmas=step
        )

    tolerance = watch.tolerance_pct / watch.sigma_pct
    chosen = tuple(rule.name for rule in rules_named(watch.rules))
    followed: dict[str, tuple[Follow, float]] = {
        TOLERANCE_CHECK: (by_rules((BEYOND,), tolerance), tolerance + step),
        BEYOND: (by_rules((BEYOND,), watch.limit_sigmas), watch.limit_sigmas + step),
    }
    if chosen not in {(), (BEYOND,)}:
        followed[RULE_MONITOR] = (by_rules(chosen, watch.limit_sigmas), watch.limit_sigmas + step)
    followed[EWMA] = (
        lambda means: ewma_run_lengths(
            means,
            weight=watch.ewma_weight,
            limit_sigmas=watch.ewma_limit_sigmas,
            early_limits=False,
        ),
        watch.ewma_limit_sigmas,
    )
    followed[CUSUM] = (
        lambda means: cusum_run_lengths(
            means,
            reference_sigmas=watch.cusum_reference_sigmas,
            decision_sigmas=watch.cusum_decision_sigmas,
        ),
        watch.cusum_reference_sigmas + watch.cusum_decision_sigmas,
    )
    return {
        name: Monitor(follow=follow, certain_sigmas=limit + PAST_LIMIT_SIGMAS)
        for name, (follow, limit) in followed.items()
    }


def _check(watch: Watch) -> None:
    """Raise if a setting cannot be meant."""
    for name in (
        "sigma_pct",
        "interval_days",
        "tolerance_pct",
        "limit_sigmas",
        "meters",
        "points_per_meter",
        "baseline_visits",
    ):
        value = asdict(watch)[name]
        if not (np.isfinite(value) and value > 0):
            raise ValueError(f"{name} = {value!r} is not over 0")
    if not (np.isfinite(watch.resolution_pct) and watch.resolution_pct >= 0):
        raise ValueError(f"resolution_pct = {watch.resolution_pct!r} is under 0")
