"""This module decides each meter's standing, with its reason and one action, in one place.

The rules are tried from the top; the first that applies gives the standing:

==========  =====================================================================================
out         withdrawn; or as found outside (by the decision rule in force) at the last visit and not
            shown put right
drifting    expected outside at the next due date, or a confirmed drift that crosses soon
unproven    too few visits, or nothing that can be forecast
watch       found outside and put right, some risk, a confirmed drift that crosses later, or a
            signal without a response
holding     none of these
==========  =====================================================================================

Overdue is a flag of its own.  A retired meter keeps the standing of its last visit and asks for
nothing.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from drift.decisions.level_changes import level_words
from drift.format import (
    NO_BREAK,
    bias,
    bias_with_unit,
    count,
    day,
    jumped,
    plain,
    point,
    probability,
    spread,
)
from drift.policy import Policy

STANDINGS = ("out", "drifting", "watch", "unproven", "holding")
# Standings for which a jump of late is part of the reason.
_JUMP_MATTERS = ("out", "drifting", "watch")


@dataclass(frozen=True, slots=True)
class Facts:
    """What the standing of one meter rests on; biases and levels in % air.

    Attributes
    ----------
    status : {"active", "withdrawn", "retired"}
        As the laboratory recorded it.
    overdue, next_due_on, speaks_for, last_visit_on, visits
        From `drift.decisions.schedule`.
    out_point, out_found, out_left, out_limit : float or None
        Point, as-found and as-left bias and limit in force where the last visit left the meter
        outside by the decision rule or not shown to be inside; all None where it did not.
    failed_point, failed_found, failed_limit : float or None
        Point, as-found bias and limit in force where the last visit found the meter outside by the
        decision rule, whatever was done then; all None where it did not.
    good_on : date or None
        The last visit before the last one that let every point go within tolerance.
    point, level, drift, drift_low, drift_high, p_out
        The worst point and what is forecast for it.
    confirmed_point, confirmed_drift, confirmed_low, confirmed_high
        The surest of the points whose drift is confirmed (real at the fleet's false discovery
        rate and not shown negligible); all None where none is.
    crossing_on, crossing_early : date or None
        When it is expected to leave the tolerance.
    open_signals : int
        Recent signals without a response.
    resolution_limited : bool
        The dial is too coarse to show the drift's size.
    jump : dict or None
        The largest jump of late, a row of `drift.stats.jump_events.JUMP_EVENTS`.
    level_change : dict or None
        Its surest change of level, of `drift.decisions.level_changes.level_changes`.
    """

    status: str
    overdue: bool
    next_due_on: date | None
    speaks_for: date
    as_of: date
    last_visit_on: date
    visits: int
    out_point: float | None
    out_found: float | None
    out_left: float | None
    out_limit: float | None
    failed_point: float | None
    failed_found: float | None
    failed_limit: float | None
    good_on: date | None
    point: float
    level: float | None
    drift: float | None
    drift_low: float | None
    drift_high: float | None
    p_out: float | None
    confirmed_point: float | None
    confirmed_drift: float | None
    confirmed_low: float | None
    confirmed_high: float | None
    crossing_on: date | None
    crossing_early: date | None
    open_signals: int
    resolution_limited: bool
    jump: Mapping[str, Any] | None = None
    level_change: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """A standing, the one sentence it rests on and the one thing to do."""

    standing: str
    reason: str
    action: str


def decide(facts: Facts, policy: Policy) -> Verdict:
    """Decide the standing of one meter.

    Parameters
    ----------
    facts : Facts
        What is known of it.
    policy : Policy
        The thresholds.
    """
    if facts.status == "retired":
        return _retired(facts)
    for rule in (_out, _drifting, _unproven, _watch):
        verdict = rule(facts, policy)
        if verdict is not None:
            break
    else:
        verdict = _holding(facts, policy)
    if facts.jump is not None and verdict.standing in _JUMP_MATTERS:
        verdict = replace(verdict, reason=f"{verdict.reason[:-1]}; {_jump_words(facts.jump)}.")
    elif facts.level_change is not None:
        said = level_words(facts.level_change)
        verdict = replace(verdict, reason=f"{verdict.reason[:-1]}; {said}.")
    if facts.overdue and facts.next_due_on is not None:
        late = count((facts.as_of - facts.next_due_on).days, "day")
        action = f"Overdue by {late}: calibrate before any further use."
        # That it is overdue does not undo what a failed check asks for.
        if facts.out_point is not None or facts.failed_point is not None:
            action = f"{action} {verdict.action}"
        return Verdict(verdict.standing, verdict.reason, action)
    return verdict


def _retired(facts: Facts) -> Verdict:
    """Keep the standing of the last visit; nothing is asked of a retired meter."""
    left_out = facts.out_point is not None
    return Verdict(
        "out" if left_out else "holding",
        f"Retired; last seen {day(facts.last_visit_on)}"
        + (f" outside tolerance at {point(facts.out_point)}." if left_out else "."),
        "None: not in use.",
    )


def _out(facts: Facts, policy: Policy) -> Verdict | None:
    """Find the meter outside tolerance, or withdrawn."""
    if facts.out_point is None:
        if facts.status != "withdrawn":
            return None
        return Verdict(
            "out",
            f"Withdrawn from use; last seen {day(facts.last_visit_on)}.",
            "Keep it marked and out of use until it has been put right and read as left.",
        )
    beyond = _limit(facts.out_limit, policy)
    if facts.out_left is not None:
        seen = f"left at {bias_with_unit(facts.out_left)}"
    else:
        seen = f"found at {bias_with_unit(facts.out_found)} and not shown to be put right"
    withdrawn = " and withdrawn" if facts.status == "withdrawn" else ""
    use = "Keep it out of use" if withdrawn else "Take it out of use"
    return Verdict(
        "out",
        f"At {point(facts.out_point)} it was {seen} on {day(facts.last_visit_on)}, "
        f"outside {beyond}{withdrawn}.",
        f"{use}, put it right and read it as left; {_since_good(facts)}",
    )


def _drifting(facts: Facts, policy: Policy) -> Verdict | None:
    """Expect the meter to leave the tolerance before it is next seen, or soon and surely."""
    if facts.p_out is None:
        return None
    if facts.p_out >= policy.drifting_probability:
        return Verdict("drifting", _forecast_words(facts), _sooner(facts))
    if (
        facts.confirmed_point is not None
        and facts.crossing_on is not None
        and (facts.crossing_on - facts.as_of).days <= policy.drift_reach_days
    ):
        return Verdict(
            "drifting",
            f"{_confirmed_words(facts)}; the {point(facts.point)} point crosses the tolerance "
            f"about {day(facts.crossing_on)}; P(out) {probability(facts.p_out)} on "
            f"{day(facts.speaks_for)}.",
            _sooner(facts),
        )
    return None


def _unproven(facts: Facts, policy: Policy) -> Verdict | None:
    """Say that the history is too short, or ends in a change that nobody read."""
    if facts.visits < policy.trend_visits:
        return Verdict(
            "unproven",
            f"{count(facts.visits, 'visit')} so far; a trend is first "
            f"tested at {policy.trend_visits}.",
            "Keep to the schedule; record as found before any adjustment.",
        )
    if facts.level is None:
        return Verdict(
            "unproven",
            f"Its level since {day(facts.last_visit_on)} is not known: it was adjusted without a "
            "reading as left.",
            "Read it as left before further use.",
        )
    if facts.p_out is None:
        return Verdict(
            "unproven",
            "Nothing can be forecast from its readings.",
            "Keep to the schedule; record as found before any adjustment.",
        )
    return None


def _watch(facts: Facts, policy: Policy) -> Verdict | None:
    """Find a failure just put right, some risk, a drift that crosses later, or an open signal."""
    if facts.failed_point is not None:
        return Verdict(
            "watch",
            f"Found at {bias_with_unit(facts.failed_found)} at {point(facts.failed_point)} on "
            f"{day(facts.last_visit_on)}, outside {_limit(facts.failed_limit, policy)}, and put "
            f"right; P(out) {probability(facts.p_out)} on {day(facts.speaks_for)}.",
            f"R{_since_good(facts)[1:]}",
        )
    if facts.p_out is not None and facts.p_out >= policy.watch_probability:
        return Verdict("watch", _forecast_words(facts), "Calibrate by the due date, not after it.")
    if facts.confirmed_point is not None and facts.crossing_on is not None:
        return Verdict(
            "watch",
            f"{_confirmed_words(facts)}, still inside: "
            f"P(out) {probability(facts.p_out)} on {day(facts.speaks_for)}.",
            "Look for its cause at the next visit.",
        )
    if facts.open_signals:
        have = "has" if facts.open_signals == 1 else "have"
        return Verdict(
            "watch",
            f"{count(facts.open_signals, 'signal')} of the last {policy.signal_days} days {have} "
            "no response.",
            "Record what was found and what was done about it.",
        )
    return None


def _holding(facts: Facts, policy: Policy) -> Verdict:
    """Say how small the risk is."""
    limited = "; drift limited by the dial's resolution" if facts.resolution_limited else ""
    return Verdict(
        "holding",
        f"In tolerance ({_tolerance(policy)}) when last seen, {day(facts.last_visit_on)}, and no "
        f"signal of the last {policy.signal_days} days is unanswered: P(out) "
        f"{probability(facts.p_out)} on {day(facts.speaks_for)}{limited}.",
        "Keep to the schedule.",
    )


def _since_good(facts: Facts) -> str:
    """Say from when on results are in doubt after a failed check."""
    if facts.good_on is None:
        return "review all its results: no earlier visit shows it in tolerance."
    return f"review results since {day(facts.good_on)}, when it was last known to be in tolerance."


def _tolerance(policy: Policy) -> str:
    """Say the tolerance with its unit."""
    return f"±{plain(policy.tolerance_pct)}{NO_BREAK}%{NO_BREAK}air"


def _limit(limit: float | None, policy: Policy) -> str:
    """Say what a bias lay outside of: the tolerance, or what a guard band leaves of it."""
    if limit is None or limit == policy.tolerance_pct:
        return _tolerance(policy)
    tolerance = f"±{plain(policy.tolerance_pct)}"
    if limit <= 0:
        return f"any limit (its uncertainty leaves nothing of {tolerance})"
    unit = f"{NO_BREAK}%{NO_BREAK}air"
    return f"±{spread(limit)}{unit} (what its uncertainty leaves of {tolerance})"


def _confirmed_words(facts: Facts) -> str:
    """Say which drift is confirmed."""
    words = _drift_words(facts.confirmed_drift, facts.confirmed_low, facts.confirmed_high)
    return f"Confirmed drift of {words} at {point(facts.confirmed_point)}"


def _drift_words(drift: float | None, low: float | None, high: float | None) -> str:
    """Say a drift with its interval, or that the dial cannot show it."""
    if drift is None or low is None or high is None:
        return "a size that the dial's resolution hides"
    return f"{bias(drift)}{NO_BREAK}%/year ({bias(low)} to {bias(high)})"


def _forecast_words(facts: Facts) -> str:
    """Say the probability with the level and drift it comes from."""
    return (
        f"P(out) {probability(facts.p_out)} on {day(facts.speaks_for)}, most likely at "
        f"{point(facts.point)}: level {bias_with_unit(facts.level)} now, drift "
        f"{_drift_words(facts.drift, facts.drift_low, facts.drift_high)}."
    )


def _jump_words(jump: Mapping[str, Any]) -> str:
    """Say where and when it jumped, and what was recorded at the time."""
    return f"at {point(jump['point_pct'])} it {jumped(jump)}"


def _sooner(facts: Facts) -> str:
    """Say until when to calibrate: by the early bound of the crossing, or now if that is past."""
    by = facts.crossing_early
    if by is None or by <= facts.as_of:
        return "Calibrate it before further use."
    if by > facts.speaks_for:
        return f"Calibrate it by {day(facts.speaks_for)} and look for the cause of its drift."
    return f"Calibrate it by {day(by)}."
