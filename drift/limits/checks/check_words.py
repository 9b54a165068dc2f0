"""This module says what checks between calibrations show, in words."""

from typing import Any

from drift.format import NO_BREAK, count, day, fixed, how_often, plain
from drift.limits.checks.judging import (
    BY_ANSWER,
    BY_POLICY,
    BY_RECORD,
    BY_TOLERANCE,
    NO_LIMIT,
    OTHER_UNIT,
)
from drift.limits.checks.placing import AIR, CHECK_WORDS, LEAK

_PLACES = 3
_LIMIT_WORDS = {
    BY_POLICY: "the limit of the policy",
    BY_RECORD: "the limit on their records",
    BY_TOLERANCE: "the tolerance",
}
_UNJUDGED = {
    NO_LIMIT: "No limit set: they are charted and not judged.",
    OTHER_UNIT: "The policy's limit is in another unit than they are: they are not judged.",
}


def series_words(check: str, unit: str, aim: float | None) -> str:
    """Return what a series of checks is of, such as "point check at 5 %"."""
    name = CHECK_WORDS[check]
    if aim is None:
        return name
    return f"{name} at {plain(aim)}{NO_BREAK}{'%' if unit == AIR else unit}"


def said_of_series(row: dict[str, Any], *, needed: int) -> str:
    """Say what a series of checks shows: its answers, its limit, its charts.

    Parameters
    ----------
    row : dict
        Of `drift.limits.checks.weigh.CHECK_SERIES`, but for ``sentence``.
    needed : int
        Days that a baseline needs.
    """
    many = count(row["days"], series_words(row["check"], row["unit"], None))
    span = f"{day(row['first_on'])} to {day(row['last_on'])}"
    told = [f"{many}, {span}." if row["days"] > 1 else f"{many}, {day(row['last_on'])}."]
    if row["passed"] + row["failed"]:
        told.append(f"Answered yes {how_often(row['passed'])}, no {how_often(row['failed'])}.")
    told.append(_limits_said(row))
    if row["numbers"]:
        told.append(_control_said(row, needed))
    return " ".join(one for one in told if one)


def _limits_said(row: dict[str, Any]) -> str:
    """Say what the series is judged by, and how often it was outside."""
    if row["basis"] in _UNJUDGED:
        return _UNJUDGED[row["basis"]]
    outside = f"{row['outside']} of {row['days']} outside"
    if row["basis"] == BY_ANSWER:
        return ""
    sign = "" if row["check"] == LEAK else "±"
    limit = f"{sign}{plain(row['limit'])}{NO_BREAK}{row['unit'].replace(' ', NO_BREAK)}"
    return f"{outside} {limit}, {_LIMIT_WORDS[row['basis']]}."


def _control_said(row: dict[str, Any], needed: int) -> str:
    """Say what the charts of a series show."""
    if row["in_control"] is None:
        if row["numbers"] < needed:
            return f"No control limits yet: {row['numbers']} of the {needed} that they need."
        return "No control limits: its numbers do not scatter, or a new level is too young."
    from_days = f"limits from {count(row['baseline'], 'day')}"
    anew = f", set anew {how_often(row['restarts'])}" if row["restarts"] else ""
    state = "Its level is stable" if row["in_control"] else "Its level has moved"
    centre = fixed(row["centre"], places=_PLACES, signed=True)
    return (
        f"{state}: EWMA and CUSUM about {centre}{NO_BREAK}{row['unit'].replace(' ', NO_BREAK)}, "
        f"{from_days}{anew}."
    )
