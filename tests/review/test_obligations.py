"""The one rule: what must be done about a meter, where it stands, and both in words."""

import dataclasses
from datetime import date, timedelta

import pytest

from drift.review.meter_facts import CheckAsked, ConfirmedDrift, Facts, Failure, Noted, Outside
from drift.review.obligations import STANDINGS, TOKENS, Verdict, decide
from drift.review.policy import Policy

AS_OF = date(2026, 3, 1)
SEEN = AS_OF - timedelta(days=31)
DUE = AS_OF + timedelta(days=60)
GOOD = date(2025, 10, 30)
STEADY = Facts(
    status="active",
    as_of=AS_OF,
    last_visit_on=SEEN,
    calibrated_on=SEEN,
    next_due_on=DUE,
    speaks_for=DUE,
    overdue=False,
    visits=20,
    interval_days=91,
    point=5.0,
    level=0.01,
    drift=0.005,
    drift_low=-0.01,
    drift_high=0.02,
    p_then=0.002,
    p_now=0.005,
    p_due=0.01,
    falls_on=AS_OF + timedelta(days=400),
    resolution_limited=False,
)


def drift(days: int | None, *, point: float = 10.0) -> tuple[ConfirmedDrift, ...]:
    crossing = None if days is None else AS_OF + timedelta(days=days)
    return (ConfirmedDrift(point, 0.03, 0.01, 0.05, 0.012, crossing),)


def failure(days_ago: int, *, answered: bool = False, good: date | None = GOOD) -> Failure:
    return Failure(AS_OF - timedelta(days=days_ago), 10.0, 0.17, 0.1, good, answered)


def out(left: float | None = 0.12, limit: float = 0.1) -> Outside:
    return Outside(SEEN, 5.0, 0.15, left, limit)


def late(days: int) -> dict[str, object]:
    due = AS_OF - timedelta(days=days)
    return {"overdue": True, "next_due_on": due, "speaks_for": AS_OF, "calibrated_on": SEEN}


def judged(**change: object) -> Verdict:
    return decide(dataclasses.replace(STEADY, **change), Policy())  # type: ignore[arg-type]  # by name


def said(verdict: Verdict) -> str:
    text = " ".join(
        [verdict.reason, verdict.action, *(one.sentence for one in verdict.obligations)]
    )
    return text.replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(
    ("change", "standing", "tokens", "words"),
    [
        ({}, "holding", "keep", "Left in tolerance (±0.1 % air) at its last calibration, 29 Jan"),
        ({"p_due": 0.049}, "holding", "keep", "the chance that it is out is 5 % on 30 Apr 2026"),
        (
            {"p_due": 0.2, "falls_on": AS_OF + timedelta(days=20)},
            "watch",
            "see_early",
            (
                "See it by 21 Mar 2026, before it is due: the chance that it is out reaches 5 % on "
                "21 Mar 2026 and is"
            ),
        ),
        (
            {"p_now": 0.1, "p_due": 0.2, "falls_on": AS_OF - timedelta(days=20)},
            "watch",
            "see_early",
            "See it now: the chance that it is out reached 5 % on 9 Feb 2026",
        ),
        (
            {"p_then": 0.08, "p_now": 0.08, "p_due": 0.09, "falls_on": SEEN, "level": 0.09},
            "watch",
            "reset_though_passing",
            "Re-set it at its next visit though it passes: it rests near the limit",
        ),
        (
            {"p_now": 0.3, "p_due": 0.7, "falls_on": AS_OF},
            "drifting",
            "see_early",
            "See it now",
        ),
        (
            {"p_then": 0.06, "p_now": 0.3, "p_due": 0.7, "falls_on": SEEN},
            "drifting",
            "see_early reset_though_passing",
            (
                "Re-set it then though it passes: it rests near the limit: the chance that it is "
                "out was 6 % already"
            ),
        ),
        (
            {"p_now": 0.6, "p_due": 0.7, "falls_on": SEEN},
            "drifting",
            "do_not_use",
            (
                "Do not use it until a calibration shows it within tolerance: the chance that it "
                "is out is 60 % today"
            ),
        ),
        (
            {"confirmed": drift(300)},
            "drifting",
            "find_cause",
            (
                "confirmed drift at 10 %: +0.030 % air a year, +0.010 to +0.050 (up to 1.2 % of "
                "such findings are false alarms), out of tolerance about 26 Dec 2026"
            ),
        ),
        ({"confirmed": drift(500)}, "watch", "find_cause", "out of tolerance about"),
        ({"confirmed": drift(None)}, "watch", "find_cause", "findings are false alarms)."),
        (
            {"failures": (failure(31),)},
            "watch",
            "review_results",
            (
                "Review results since 30 Oct 2025: found at +0.170 % air at 10 % on 29 Jan 2026, "
                "outside ±0.1 % air, since left in tolerance, with no decision on record"
            ),
        ),
        ({"failures": (failure(31, answered=True),)}, "watch", "keep", "Keep to the schedule"),
        (
            {"failures": (failure(31), failure(120, good=None))},
            "watch",
            "review_results",
            "Review all its results",
        ),
        ({"failures": (failure(500),)}, "holding", "review_results", "Review results since"),
        ({"failed_in_row": 2}, "holding", "find_cause", "it failed its last 2 checks in a row"),
        ({"one_way": -7}, "holding", "find_cause", "the last 7 adjustments all moved it down"),
        (
            {"open_signals": 1, "recent_signals": 1, "signalled_on": SEEN},
            "watch",
            "close_file",
            "Close the file: 1 signal has no response (29 Jan 2026).",
        ),
        (
            {"open_signals": 3, "signalled_on": date(2024, 1, 5)},
            "holding",
            "close_file",
            "3 signals have no response, the newest of 5 Jan 2024",
        ),
        ({"lost": (SEEN,)}, "holding", "close_file", "adjusted before it was read on 29"),
        (
            {"held": (Noted(AS_OF, "readings.csv line 9: 5.6 % is no number"),)},
            "watch",
            "close_file",
            "1 row that names it could not be read (readings.csv line 9: 5.6 % is no number)",
        ),
        (
            {"held": (Noted(GOOD, "a"), Noted(GOOD, "b"), Noted(GOOD, "c"))},
            "holding",
            "close_file",
            "3 rows that name it could not be read (a; b; and 1 more)",
        ),
        (
            {"misused": (Noted(AS_OF, "T-9 on 1 Mar 2026, overdue"),)},
            "holding",
            "close_file",
            "used 1 time when it should not have been (T-9 on 1 Mar 2026, overdue)",
        ),
        (
            {"interval_days": 182},
            "holding",
            "close_file",
            "its interval of 182 days is longer than the practice allows (91 days)",
        ),
        ({"visits": 4}, "unproven", "keep", "4 visits so far; a drift is first looked for at 6"),
        ({"p_due": None, "p_now": None}, "unproven", "keep", "Nothing can be forecast"),
        (
            {"level": None, "p_due": None, "p_now": None, "p_then": None},
            "unproven",
            "see_early",
            "Read it as left before further use: its level since 29 Jan 2026 is not known",
        ),
        ({"outside": out()}, "out", "do_not_use", "at 5 % it was left at +0.120 % air on 29 Jan"),
        (
            {"outside": out(left=None), "p_now": 0.9, "p_due": 0.9, "falls_on": SEEN},
            "out",
            "do_not_use",
            "found at +0.150 % air and not shown to be put right",
        ),
        (
            {"outside": out(), "failures": (failure(31),)},
            "out",
            "do_not_use review_results",
            "outside ±0.1 % air, with no decision on record",
        ),
        (
            {"status": "withdrawn", "outside": out(), "next_due_on": None, "speaks_for": AS_OF},
            "out",
            "do_not_use",
            "outside ±0.1 % air, and withdrawn",
        ),
        ({"status": "withdrawn"}, "out", "do_not_use", "Do not use it: keep it marked"),
        (late(9), "holding", "overdue", "Do not use it until it is calibrated: overdue by 9 days"),
        (
            late(9) | {"p_now": 0.3, "p_due": 0.3, "falls_on": AS_OF - timedelta(days=40)},
            "watch",
            "overdue see_early",
            "the chance that it is out is 30 % on 1 Mar 2026",
        ),
        (
            late(9) | {"partial": (Noted(SEEN, "read at 5 % only on 29 Jan 2026: not a"),)},
            "holding",
            "overdue",
            "(due 20 Feb 2026; read at 5 % only on 29 Jan 2026: not a)",
        ),
        (
            {"given_up": (Noted(SEEN, "no longer read at 10 %, last on 5 Jan 2026"),)},
            "holding",
            "keep",
            "no longer read at 10 %, last on 5 Jan 2026.",
        ),
        (
            {"checked": (CheckAsked(SEEN, "leak", True),), "recent_signals": 1},
            "watch",
            "see_early",
            "See it now: its leak check of 29 Jan 2026 failed.",
        ),
        (
            {"checked": (CheckAsked(AS_OF, "zero", False),), "recent_signals": 1},
            "watch",
            "see_early",
            (
                "See it by 31 Mar 2026, before it is due: its zero checks have moved (signal of "
                "1 Mar 2026)."
            ),
        ),
        (
            {
                "checked": (CheckAsked(AS_OF, "zero", False),),
                "p_due": 0.2,
                "falls_on": AS_OF + timedelta(days=20),
            },
            "watch",
            "see_early",
            "See it by 21 Mar 2026, before it is due: the chance that it is out reaches 5 %",
        ),
        (
            {
                "checked": (CheckAsked(AS_OF, "zero", False),),
                "next_due_on": AS_OF + timedelta(days=9),
            }
            | {"speaks_for": AS_OF + timedelta(days=9)},
            "holding",
            "keep",
            "Keep to the schedule",
        ),
        ({"status": "retired", "p_due": 0.9}, "retired", "", "Nothing: not in use."),
        (
            {"status": "retired", "misused": (Noted(AS_OF, "T-9"),)},
            "retired",
            "close_file",
            "used 1 time when it should not have been (T-9)",
        ),
    ],
)
def test_facts_give_standing_obligations_and_words(
    change: dict[str, object], standing: str, tokens: str, words: str
) -> None:
    """One rule: where it stands, what is owed, strongest first, and the sentence."""
    verdict = judged(**change)
    assert verdict.standing == standing
    assert [one.token for one in verdict.obligations] == tokens.split()
    assert words in said(verdict)
    assert standing in STANDINGS


def test_all_obligations_are_told_strongest_first() -> None:
    """A meter that is out, drifts, failed and has open signals hears of all four."""
    verdict = judged(
        outside=out(),
        confirmed=drift(30),
        failures=(failure(31),),
        open_signals=2,
        recent_signals=2,
        signalled_on=SEEN,
        **late(5),
    )
    tokens = [one.token for one in verdict.obligations]
    assert tokens == ["do_not_use", "overdue", "find_cause", "review_results", "close_file"]
    assert tokens == sorted(tokens, key=TOKENS.index)
    for one in verdict.obligations:
        assert f"{one.todo}." in verdict.action
        assert one.why.lower() in verdict.reason.lower()
    assert verdict.act_by == AS_OF


def test_the_day_to_act_by_is_the_first() -> None:
    """Seen early by the day the chance gets too large; kept to the schedule by the due date."""
    early = judged(p_due=0.2, falls_on=AS_OF + timedelta(days=20))
    assert early.act_by == AS_OF + timedelta(days=20)
    assert judged().act_by == DUE
    assert judged(status="retired").act_by is None


def test_the_same_result_read_again_asks_for_no_less() -> None:
    """A meter near its limit is asked for the same whether or not it was seen a second time."""
    resting = {"p_then": 0.14, "p_now": 0.14, "p_due": 0.16, "falls_on": SEEN}
    again = {"p_then": 0.2, "p_now": 0.21, "p_due": 0.25, "falls_on": AS_OF, "visits": 21}
    for change in (resting, again):
        assert [one.token for one in judged(**change).obligations] == ["reset_though_passing"]


def test_an_unknown_drift_is_said_to_hide_behind_the_dial() -> None:
    """Where the slope is not identifiable the reason says so and prints no number for it."""
    verdict = judged(p_due=0.3, falls_on=AS_OF, drift=None, drift_low=None, drift_high=None)
    assert "of a size that its dial is too coarse to show" in verdict.reason
    assert "its dial is too coarse to show a drift" in judged(resolution_limited=True).reason


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
        (JUMP, "29 Jan 2026, the time of a recorded drop (9 Dec 2025)"),
        (JUMP | {"event": "gauge_replaced"}, "the time of a replacement of the gauge (9 Dec 2025)"),
        (JUMP | {"event": None, "event_on": None}, "between 3 Nov 2025 and 29 Jan 2026."),
    ],
)
def test_a_jump_of_late_asks_for_its_cause(jump: dict[str, object], words: str) -> None:
    """With the drop or replacement recorded at its time, and without where there is none."""
    verdict = judged(jump=jump)
    assert [one.token for one in verdict.obligations] == ["find_cause"]
    assert "at 10 % it jumped by +0.180 % air (+0.140 to +0.220) between 3 Nov" in said(verdict)
    assert words in said(verdict)


@pytest.mark.parametrize(
    ("limit", "says"),
    [
        (0.1, "outside ±0.1 % air, and"),
        (0.047, "outside ±0.047 % air (what its uncertainty leaves of ±0.1), and"),
        (-0.01, "outside any limit (its uncertainty leaves nothing of ±0.1), and"),
    ],
)
def test_the_reason_names_the_limit_in_force(limit: float, says: str) -> None:
    """Outside the tolerance, or what the guard band of the decision rule leaves of it."""
    assert says in said(judged(status="withdrawn", outside=out(0.13, limit)))
