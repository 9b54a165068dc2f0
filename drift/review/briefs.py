"""This module says what must be done about a meter in a few words, for a row of a table."""

from datetime import date

from drift.format import NO_BREAK, bias, count, day, point
from drift.review.meter_facts import Facts
from drift.review.policy import Policy

# Checks failed one after another from which a cause is asked for.
_ROW = 2


def see_briefly(facts: Facts, by: date) -> str:
    """Say until when to see a meter, and when it would be due."""
    when = "today" if by <= facts.as_of else f"by {day(by)}"
    late = f", not {day(facts.speaks_for)}" if by < facts.speaks_for else ""
    return f"see it {when}{late}"


def cause_briefly(facts: Facts, policy: Policy) -> str:
    """Say of what a cause is to be found: what shows first, and what hides it."""
    drifts = [each for each in facts.confirmed if each.drift is not None]
    rate = ""
    if drifts:
        largest = max(drifts, key=lambda each: abs(each.drift or 0.0))
        rate = f"{bias(largest.drift)}{NO_BREAK}%/year at {point(largest.point)}"
    if abs(facts.one_way) >= policy.retirement.same_direction_moves:
        way = "up" if facts.one_way > 0 else "down"
        moves = f"{count(abs(facts.one_way), 'adjustment')} {way}"
        return f"find the cause: {moves} hide {rate}" if rate else f"find why it took {moves}"
    if rate:
        return f"find why it drifts {rate}"
    if facts.jump is not None:
        at = point(facts.jump["point_pct"])
        return f"find why it jumped {bias(facts.jump['size'])}{NO_BREAK}% at {at}"
    if facts.failed_in_row >= _ROW:
        return f"find why it failed {count(facts.failed_in_row, 'check')} in a row"
    return "find the cause"


def file_briefly(facts: Facts, policy: Policy, *, unused: bool) -> str:
    """Say what would close the file of a meter."""
    told = []
    if facts.misused:
        told.append(f"explain {count(len(facts.misused), 'use')} while barred")
    if facts.held:
        told.append(f"put {count(len(facts.held), 'unread row')} right")
    if facts.alike:
        told.append("settle how its name is written")
    if not unused and facts.open_signals:
        told.append(f"answer {count(facts.open_signals, 'signal')}")
    if not unused and facts.lost:
        told.append("note what was lost")
    if not unused and facts.interval_days > policy.intervals.ceiling_days:
        told.append("shorten its interval")
    return ", ".join(told)
