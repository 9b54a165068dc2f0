"""Standings: which rule speaks, with what reason and action."""

import dataclasses
from datetime import date, timedelta

import pytest

from drift.decisions.standing import STANDINGS, Facts, decide
from drift.policy import Policy

AS_OF = date(2026, 3, 1)
STEADY = Facts(
    status="active",
    overdue=False,
    next_due_on=AS_OF + timedelta(days=60),
    speaks_for=AS_OF + timedelta(days=60),
    as_of=AS_OF,
    last_visit_on=AS_OF - timedelta(days=31),
    visits=20,
    out_point=None,
    out_found=None,
    out_left=None,
    out_limit=None,
    failed_point=None,
    failed_found=None,
    failed_limit=None,
    good_on=date(2025, 10, 30),
    point=5.0,
    level=0.01,
    drift=0.005,
    drift_low=-0.01,
    drift_high=0.02,
    p_out=0.01,
    confirmed_point=None,
    confirmed_drift=None,
    confirmed_low=None,
    confirmed_high=None,
    crossing_on=None,
    crossing_early=None,
    open_signals=0,
    resolution_limited=False,
)

CONFIRMED = {
    "confirmed_point": 10.0,
    "confirmed_drift": 0.03,
    "confirmed_low": 0.01,
    "confirmed_high": 0.05,
}


@pytest.mark.parametrize(
    ("change", "standing", "reason", "action"),
    [
        ({}, "holding", "no signal of the last 365 days is unanswered", "Keep to the schedule"),
        ({"p_out": 0.2}, "watch", "P(out) 20", "by the due date"),
        (
            {"failed_point": 10.0, "failed_found": 0.17},
            "watch",
            "+0.170 % air at 10 % on 29 Jan 2026, outside ±0.1 % air, and put right",
            "Review results since 30 Oct 2025, when it was last known to be in tolerance.",
        ),
        ({"open_signals": 1}, "watch", "1 signal of the last 365 days has no", "Record what was"),
        ({"open_signals": 3}, "watch", "3 signals of the last 365 days have no", "Record what was"),
        ({**CONFIRMED}, "holding", "when last seen", "Keep to the schedule"),
        (
            {**CONFIRMED, "crossing_on": AS_OF + timedelta(days=300)},
            "drifting",
            "at 10 %; the 5 % point crosses the tolerance",
            "further use",
        ),
        (
            {**CONFIRMED, "crossing_on": AS_OF + timedelta(days=500)},
            "watch",
            "inside",
            "cause",
        ),
        (
            {"p_out": 0.7, "crossing_early": AS_OF + timedelta(days=20)},
            "drifting",
            "P(out) 70",
            "Calibrate it by 21 Mar 2026",
        ),
        (
            {"p_out": 0.7, "crossing_early": AS_OF + timedelta(days=90)},
            "drifting",
            "P(out) 70",
            "Calibrate it by 30 Apr 2026 and look for the cause",
        ),
        ({"p_out": 0.7, "crossing_early": AS_OF}, "drifting", "P(out)", "before further use"),
        ({"visits": 4, "p_out": None, "level": 0.0}, "unproven", "4 visits so far", "schedule"),
        ({"level": None, "p_out": None}, "unproven", "not known", "Read it as left"),
        ({"p_out": None}, "unproven", "Nothing can be forecast", ""),
        (
            {"out_point": 5.0, "out_found": 0.15, "out_left": 0.12},
            "out",
            "left at +0.120",
            "Take it out of use",
        ),
        (
            {"out_point": 5.0, "out_found": 0.15, "p_out": 0.9},
            "out",
            "not shown to be put right",
            "Take it out of use",
        ),
        (
            {"out_point": 5.0, "out_found": 0.15, "out_left": 0.12, "good_on": None},
            "out",
            "left at +0.120",
            "review all its results",
        ),
        (
            {
                "failed_point": 10.0,
                "failed_found": 0.17,
                "overdue": True,
                "next_due_on": AS_OF - timedelta(days=9),
            },
            "watch",
            "put right",
            "Overdue by 9 days: calibrate before any further use. Review results since",
        ),
        (
            {"status": "withdrawn", "out_point": 5.0, "out_found": 0.15, "out_left": 0.12},
            "out",
            "and withdrawn",
            "Keep it out of use",
        ),
        ({"status": "withdrawn"}, "out", "Withdrawn", "out of use"),
        ({"status": "retired", "p_out": 0.9}, "holding", "Retired", "None"),
        (
            {"overdue": True, "next_due_on": AS_OF - timedelta(days=9)},
            "holding",
            "",
            "Overdue by 9",
        ),
    ],
)
def test_one_rule_speaks_with_its_reason_and_action(
    change: dict[str, object], standing: str, reason: str, action: str
) -> None:
    """The first rule that applies gives standing, reason and action."""
    verdict = decide(dataclasses.replace(STEADY, **change), Policy())  # type: ignore[arg-type]  # fields by name
    assert verdict.standing == standing
    assert reason.replace(" ", "") in verdict.reason.replace("\u00a0", "").replace(" ", "")
    assert action in verdict.action.replace("\u00a0", " ")
    assert verdict.standing in STANDINGS


def test_an_unknown_drift_is_said_to_hide_behind_the_dial() -> None:
    """Where the slope is not identifiable the reason says so and prints no number for it."""
    facts = dataclasses.replace(
        STEADY, p_out=0.3, drift=None, drift_low=None, drift_high=None, resolution_limited=True
    )
    assert "dial's resolution hides" in decide(facts, Policy()).reason


JUMP = {
    "point_pct": 10.0,
    "size": 0.18,
    "size_low": 0.14,
    "size_high": 0.22,
    "after": date(2025, 11, 3),
    "by": date(2026, 1, 29),
    "event": "dropped",
    "event_on": date(2025, 12, 9),
}


@pytest.mark.parametrize(
    ("jump", "words"),
    [
        (
            JUMP,
            "between 3 Nov 2025 and 29 Jan 2026, the time of a recorded drop (9 Dec 2025).",
        ),
        (
            JUMP | {"event": "gauge_replaced"},
            "the time of a replacement of the gauge (9 Dec 2025).",
        ),
        (JUMP | {"event": None, "event_on": None}, "between 3 Nov 2025 and 29 Jan 2026."),
    ],
)
def test_a_jump_of_late_is_part_of_the_reason(jump: dict[str, object], words: str) -> None:
    """With the drop or replacement recorded at its time, and without where there is none."""
    failed = dataclasses.replace(STEADY, failed_point=10.0, failed_found=0.17, jump=jump)
    reason = decide(failed, Policy()).reason.replace("\N{NO-BREAK SPACE}", " ")
    assert "and put right; P(out) 1 %" in reason
    assert "; at 10 % it jumped by +0.180 % air (+0.140 to +0.220) between 3 Nov" in reason
    assert reason.endswith(words)
    assert "jumped" not in decide(dataclasses.replace(STEADY, jump=jump), Policy()).reason


@pytest.mark.parametrize(
    ("limit", "says"),
    [
        (0.1, "outside ±0.1 % air and"),
        (0.047, "outside ±0.047 % air (what its uncertainty leaves of ±0.1) and"),
        (-0.01, "outside any limit (its uncertainty leaves nothing of ±0.1) and"),
    ],
)
def test_the_reason_names_the_limit_in_force(limit: float, says: str) -> None:
    """Outside the tolerance, or what the guard band of the decision rule leaves of it."""
    facts = dataclasses.replace(
        STEADY,
        status="withdrawn",
        out_point=5.0,
        out_found=0.13,
        out_left=0.13,
        out_limit=limit,
    )
    assert says in decide(facts, Policy()).reason.replace("\u00a0", " ")
