"""This module puts into words what must be done about a meter and why.

Everything here is a clause without a full stop: a reason is made of several.
"""

from datetime import date

from drift.format import (
    NO_BREAK,
    bias,
    bias_with_unit,
    count,
    day,
    in_days,
    jumped,
    listed,
    plain,
    point,
    probability,
    rare,
    share,
    spread,
)
from drift.review.level_changes import level_words
from drift.review.meter_facts import ConfirmedDrift, Facts, Failure, Noted, Outside
from drift.review.policy import Policy

# Checks failed one after another from which a cause is asked for.
_ROW = 2
# Notes of one kind that a reason names; the data files and the dossier have all.
_MOST_NOTED = 2


def capital(text: str) -> str:
    """Return text with its first letter large."""
    return text[:1].upper() + text[1:]


def small(text: str) -> str:
    """Return text with its first letter small."""
    return text[:1].lower() + text[1:]


def state(facts: Facts, policy: Policy) -> str:
    """Say how a meter was last left, and how sure it is to be in."""
    if facts.status == "retired":
        return f"retired; last seen {day(facts.last_visit_on)}"
    if facts.visits < policy.trend_visits:
        young = f"{count(facts.visits, 'visit')} so far; a drift is first looked for at "
        return f"{young}{policy.trend_visits}{_chance(facts)}"
    if facts.p_due is None:
        return "nothing can be forecast from its readings"
    if facts.calibrated_on is None:
        left = "no calibration that it passed is on record"
    else:
        left = (
            f"left in tolerance ({_tolerance(policy)}) at its last calibration, "
            f"{day(facts.calibrated_on)}"
        )
    limited = "; its dial is too coarse to show a drift" if facts.resolution_limited else ""
    return f"{left}{_chance(facts)}{limited}"


def keep(facts: Facts, policy: Policy) -> str:
    """Say that nothing more is asked than the schedule asks."""
    if facts.visits < policy.trend_visits or facts.p_due is None:
        return "Keep to the schedule and record as found before any adjustment"
    return "Keep to the schedule"


def outside(out: Outside, policy: Policy, *, withdrawn: bool) -> str:
    """Say where a meter was left outside, or found so and not shown to be put right."""
    if out.left is not None:
        seen = f"left at {bias_with_unit(out.left)}"
    else:
        seen = f"found at {bias_with_unit(out.found)} and not shown to be put right"
    return (
        f"at {point(out.point)} it was {seen} on {day(out.on)}, outside "
        f"{_limit(out.limit, policy)}" + (", and withdrawn" if withdrawn else "")
    )


def withdrawn(facts: Facts) -> str:
    """Say that a meter was withdrawn."""
    return f"withdrawn from use; last seen {day(facts.last_visit_on)}"


def likely_out(facts: Facts) -> str:
    """Say that a meter is more likely out than a laboratory accepts."""
    return f"the chance that it is out is {probability(facts.p_now)} today, {_forecast(facts)}"


def overdue(facts: Facts) -> str:
    """Say by how much a meter is overdue, and what it was read at since."""
    due = facts.next_due_on or facts.as_of
    late = count((facts.as_of - due).days, "day")
    since = _noted(facts.partial)
    # What a row that could not be read says may be a calibration.
    read = " as far as its rows could be read, and newer ones could not" if facts.unread else ""
    return f"overdue by {late}{read} (due {day(due)}{'; ' if since else ''}{since})"


def unknown_level(facts: Facts) -> str:
    """Say that nobody has read a meter since it was adjusted."""
    return (
        f"its level since {day(facts.last_visit_on)} is not known: it was adjusted without a "
        "reading as left"
    )


def rests(facts: Facts, *, waits: bool) -> str:
    """Say that a meter was near the limit when it was last read."""
    told = (
        f"it rests near the limit: the chance that it is out was {probability(facts.p_then)} "
        "already on the day it was last read"
    )
    if not waits:
        return told
    return (
        f"{told} and is {probability(facts.p_due)} on {day(facts.speaks_for)}, "
        f"{_forecast(facts)}; seeing it sooner does not help"
    )


def see_by(facts: Facts, by: date) -> str:
    """Say until when to see a meter."""
    if by <= facts.as_of:
        return "See it now"
    return (
        f"See it by {day(by)}, before it is due"
        if by < facts.speaks_for
        else (f"See it by {day(by)}, not later")
    )


def early(facts: Facts, policy: Policy) -> str:
    """Say when the chance that a meter is out gets too large."""
    limit = share(1 - policy.intervals.target)
    due = f"{probability(facts.p_due)} on {day(facts.speaks_for)}"
    if facts.speaks_for == facts.as_of or facts.falls_on is None:
        return f"the chance that it is out is {due}, {_forecast(facts)}"
    reached = "reached" if facts.falls_on <= facts.as_of else "reaches"
    return (
        f"the chance that it is out {reached} {limit} on {day(facts.falls_on)} and is {due}, "
        f"{_forecast(facts)}"
    )


def checked(facts: Facts) -> str:
    """Say what checks between calibrations ask for."""
    told = [
        (
            f"its {one.what} check of {day(one.on)} failed"
            if one.failed
            else f"its {one.what} checks have moved (signal of {day(one.on)})"
        )
        for one in facts.checked[:_MOST_NOTED]
    ]
    more = len(facts.checked) - _MOST_NOTED
    return f"{'; '.join(told)}; and {more} more" if more > 0 else "; ".join(told)


def causes(facts: Facts, policy: Policy) -> list[str]:
    """Say what asks for a cause: drift, jump, adjustments one way, failures."""
    told = [_drifts(drift, facts) for drift in facts.confirmed]
    if facts.jump is not None:
        told.append(f"at {point(facts.jump['point_pct'])} it {jumped(facts.jump)}")
    if abs(facts.one_way) >= policy.retirement.same_direction_moves:
        way = "up" if facts.one_way > 0 else "down"
        told.append(f"the last {count(abs(facts.one_way), 'adjustment')} all moved it {way}")
    if facts.failed_in_row >= _ROW:
        told.append(f"it failed its last {count(facts.failed_in_row, 'check')} in a row")
    return told


def review_since(failure: Failure) -> str:
    """Say from when on results are in doubt."""
    if failure.good_on is None:
        return "Review all its results"
    return f"Review results since {day(failure.good_on)}"


def failed(failures: list[Failure], facts: Facts, policy: Policy) -> str:
    """Say which checks found a meter outside, and what is on record about them."""
    newest = failures[0]
    right = "" if facts.outside is not None else ", since left in tolerance"
    told = (
        f"found at {bias_with_unit(newest.found)} at {point(newest.point)} on {day(newest.on)}, "
        f"outside {_limit(newest.limit, policy)}"
    )
    if others := [day(one.on) for one in failures[1:]]:
        told += f" (also outside on {listed(others)})"
    first = min(failures, key=lambda failure: failure.on)
    good = (
        "no earlier calibration shows it in tolerance"
        if first.good_on is None
        else f"last known to be in tolerance on {day(first.good_on)}"
    )
    return f"{told}{right}, with no decision on record; {good}"


def open_file(facts: Facts, policy: Policy, *, unused: bool) -> list[str]:
    """Say what the file of a meter lacks."""
    told = []
    if facts.misused:
        used = f"used {count(len(facts.misused), 'time')} when it should not have been"
        told.append(f"{used} ({_noted(facts.misused)})")
    if facts.held:
        told.append(
            f"{count(len(facts.held), 'row')} that names it could not be read "
            f"({_noted(facts.held)})".replace("rows that names", "rows that name")
        )
    told += [row.words for row in facts.alike]
    if unused:
        return told
    if facts.open_signals:
        have = "has" if facts.open_signals == 1 else "have"
        newest = (
            f", the newest of {day(facts.signalled_on)}"
            if facts.open_signals > 1
            else (f" ({day(facts.signalled_on)})")
        )
        told.append(f"{count(facts.open_signals, 'signal')} {have} no response{newest}")
    if facts.lost:
        on = listed([day(each) for each in facts.lost])
        told.append(f"adjusted before it was read on {on}: how far it had drifted is lost")
    if facts.interval_days > policy.intervals.ceiling_days:
        told.append(
            f"its interval of {in_days(facts.interval_days)} is longer than the practice allows "
            f"({in_days(policy.intervals.ceiling_days)})"
        )
    return told


def notes(facts: Facts, *, told_partial: bool) -> list[str]:
    """Say what level changed, which visits were no calibrations and which points are given up."""
    if facts.status == "retired":
        return []
    partial = [] if told_partial or not facts.partial else [_noted(facts.partial)]
    # A change that a jump already tells is not told twice.
    changed = facts.level_change if facts.jump is None else None
    level = [] if changed is None else [level_words(changed)]
    return level + partial + [each.words for each in facts.given_up]


def partial_words(points: list[float], on: date) -> str:
    """Say what was read at a visit that is no calibration."""
    read = f"read at {listed([point(each) for each in points])} only" if points else "adjusted"
    return f"{read} on {day(on)}: not a calibration"


def given_up_words(at: float, last_on: date) -> str:
    """Say that a point is no longer read."""
    return f"no longer read at {point(at)}, last on {day(last_on)}"


def _chance(facts: Facts) -> str:
    """Say the chance of being out, where it is known."""
    if facts.p_due is None:
        return ""
    return f"; the chance that it is out is {probability(facts.p_due)} on {day(facts.speaks_for)}"


def _noted(rows: tuple[Noted, ...]) -> str:
    """Name the newest of several notes, and how many more there are."""
    told = "; ".join(row.words for row in rows[:_MOST_NOTED])
    more = len(rows) - _MOST_NOTED
    return f"{told}; and {more} more" if more > 0 else told


def _forecast(facts: Facts) -> str:
    """Say what a chance comes from: the worst point, its level and its drift."""
    return (
        f"most likely at {point(facts.point)} (now {bias_with_unit(facts.level)}, drift "
        f"{_rate(facts.drift, facts.drift_low, facts.drift_high)})"
    )


def _drifts(drift: ConfirmedDrift, facts: Facts) -> str:
    """Say which drift is confirmed, and when it takes its own point out."""
    told = (
        f"confirmed drift at {point(drift.point)}: {_rate(drift.drift, drift.low, drift.high)} "
        f"({_at_most(drift.q)} of such findings are false alarms)"
    )
    if drift.crossing is None:
        return told
    if drift.crossing <= facts.as_of:
        return f"{told}, perhaps out of tolerance by now"
    return f"{told}, out of tolerance about {day(drift.crossing)}"


def _at_most(rate: float | None) -> str:
    """Return the most that a small rate can be."""
    told = rare(rate)
    return f"up to {told}" if told[0].isdigit() else told


def _rate(drift: float | None, low: float | None, high: float | None) -> str:
    """Say a drift with its interval, or that the dial cannot show it."""
    if drift is None or low is None or high is None:
        return "of a size that its dial is too coarse to show"
    return f"{bias(drift)}{NO_BREAK}% air a year, {bias(low)} to {bias(high)}"


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
