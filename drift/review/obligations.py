"""This module holds the one rule of what must still be done about a meter, and where it stands.

Everything that is said of a meter (standing, reason, action, order, headline) follows from its
facts by this rule, so that no two statements can contradict each other.  Obligations name the
urgency, strongest first; the standing names the state:

==========  =====================================================================================
out         left outside or not shown to be put right, or withdrawn
drifting    a drift confirmed at a point that takes that point out within `drift_reach_days`, or
            `p_due` at least `drifting_probability`
watch       `p_due` at least 1 − `intervals.target`; a drift confirmed further off; found outside,
            or a signal without a response, within `signal_days`; a row held back that is newer
            than the last calibration
unproven    too few visits, or nothing that can be forecast
holding     none of these
retired     stands apart
==========  =====================================================================================
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from drift.format import day
from drift.frames import Schema
from drift.review import briefs
from drift.review import obligation_words as words
from drift.review.meter_facts import Facts
from drift.review.policy import Policy

STANDINGS = ("out", "drifting", "watch", "unproven", "holding", "retired")

DO_NOT_USE, OVERDUE, SEE_EARLY = "do_not_use", "overdue", "see_early"
RESET, FIND_CAUSE = "reset_though_passing", "find_cause"
REVIEW, CLOSE, KEEP_IN_USE = "review_results", "close_file", "keep"
# Strongest first.
TOKENS = (DO_NOT_USE, OVERDUE, SEE_EARLY, RESET, FIND_CAUSE, REVIEW, CLOSE, KEEP_IN_USE)
# Until these are met the meter is not to be used.
BARRED = (DO_NOT_USE, OVERDUE)
# What concerns the meter itself or its results; the rest is the file's, or the schedule's.
PRESSING = (DO_NOT_USE, OVERDUE, SEE_EARLY, RESET, FIND_CAUSE, REVIEW)
# Whose reason says the chance of being out by itself.
_SAYS_CHANCE = {DO_NOT_USE, SEE_EARLY, RESET, KEEP_IN_USE}

# One row per meter and obligation, in the order of the review: `data/obligations.csv`.  since_on
# is the day from which it holds, by_on the day by which it is to be met; null where none is set.
OBLIGATIONS: Schema = {
    "meter_id": pl.String,
    "obligation": pl.String,
    "since_on": pl.Date,
    "by_on": pl.Date,
    "brief": pl.String,
    "sentence": pl.String,
}


@dataclass(frozen=True, slots=True)
class Obligation:
    """Something that must still be done about a meter.

    Attributes
    ----------
    token : str
        One of `TOKENS`.
    since_on, by_on : date or None
        As of `OBLIGATIONS`.
    brief : str
        What is to be done in a few words.
    todo, why : str
        The same in full and the reason, clauses without a full stop.
    """

    token: str
    since_on: date | None
    by_on: date | None
    brief: str
    todo: str
    why: str

    @property
    def sentence(self) -> str:
        """Return both in one sentence."""
        return f"{self.todo}: {self.why}."


@dataclass(frozen=True, slots=True)
class Verdict:
    """Where a meter stands, what must be done about it, and both in words."""

    standing: str
    obligations: tuple[Obligation, ...]
    reason: str
    action: str
    act_by: date | None


def decide(facts: Facts, policy: Policy) -> Verdict:
    """Decide all that is said of one meter.

    Parameters
    ----------
    facts : Facts
        What is known of it.
    policy : Policy
        The thresholds.
    """
    owed = tuple(_owed(facts, policy))
    tokens = [one.token for one in owed]
    parts = [one.why for one in owed]
    if not {*tokens} & _SAYS_CHANCE:
        parts.insert(1 if facts.overdue else 0, words.state(facts, policy))
    parts += words.notes(facts, told_partial=facts.overdue)
    days = [one.by_on for one in owed if one.by_on is not None]
    return Verdict(
        standing=standing_of(facts, policy),
        obligations=owed,
        reason=f"{words.capital('; '.join(parts))}.",
        action=" ".join(f"{one.todo}." for one in owed) or "Nothing: not in use.",
        act_by=min(days) if days else None,
    )


def standing_of(facts: Facts, policy: Policy) -> str:
    """Return the standing of one meter, see the head of this module."""
    if facts.status == "retired":
        return "retired"
    if facts.outside is not None or facts.status == "withdrawn":
        return "out"
    risk = facts.p_due or 0.0
    if risk >= policy.drifting_probability or _soon_out(facts, policy):
        return "drifting"
    if _watched(facts, policy):
        return "watch"
    if facts.visits < policy.trend_visits or facts.level is None or facts.p_due is None:
        return "unproven"
    return "holding"


def _soon_out(facts: Facts, policy: Policy) -> bool:
    """Whether a drift confirmed at a point takes that point out soon."""
    return any(
        drift.crossing is not None
        and (drift.crossing - facts.as_of).days <= policy.drift_reach_days
        for drift in facts.confirmed
    )


def _watched(facts: Facts, policy: Policy) -> bool:
    """Whether something about a meter asks to be kept in view."""
    recent = any((facts.as_of - one.on).days <= policy.signal_days for one in facts.failures)
    return (
        _falls_early(facts, policy)
        or bool(facts.confirmed)
        or recent
        or facts.recent_signals > 0
        or facts.unread
    )


def _falls_early(facts: Facts, policy: Policy) -> bool:
    """Whether the chance of being in falls to the target before the meter is next due."""
    if facts.p_due is None:
        return False
    early = facts.falls_on is not None and facts.falls_on < facts.speaks_for
    return early or facts.p_due >= 1 - policy.intervals.target


def _owed(facts: Facts, policy: Policy) -> Iterator[Obligation]:
    """Yield the obligations of a meter, strongest first."""
    if facts.status == "retired":
        yield from _close_file(facts, policy, unused=True)
        return
    found = [
        *_do_not_use(facts, policy),
        *_overdue(facts),
        *_see_early(facts, policy),
        *_find_cause(facts, policy),
        *_review(facts, policy),
        *_close_file(facts, policy, unused=False),
    ]
    yield from found
    if not found:
        yield Obligation(
            KEEP_IN_USE,
            facts.last_visit_on,
            facts.next_due_on,
            f"due {day(facts.next_due_on)}" if facts.next_due_on else "keep to the schedule",
            words.keep(facts, policy),
            words.state(facts, policy),
        )


def _do_not_use(facts: Facts, policy: Policy) -> Iterator[Obligation]:
    """Bar a meter that is outside, withdrawn, or more likely out than in."""
    withdrawn = facts.status == "withdrawn"
    if facts.outside is not None:
        yield Obligation(
            DO_NOT_USE,
            facts.outside.on,
            facts.as_of,
            "keep it out until it is put right",
            "Do not use it until it has been put right and read as left",
            words.outside(facts.outside, policy, withdrawn=withdrawn),
        )
    elif withdrawn:
        yield Obligation(
            DO_NOT_USE,
            None,
            facts.as_of,
            "keep it out until it is taken back",
            "Do not use it: keep it marked until it has been calibrated and taken back",
            words.withdrawn(facts),
        )
    elif facts.p_now is not None and facts.p_now >= policy.stop_probability:
        yield Obligation(
            DO_NOT_USE,
            facts.as_of,
            facts.as_of,
            "keep it out until it is calibrated",
            "Do not use it until a calibration shows it within tolerance",
            words.likely_out(facts),
        )


def _overdue(facts: Facts) -> Iterator[Obligation]:
    """Bar a meter past its own interval."""
    if facts.overdue and facts.next_due_on is not None:
        yield Obligation(
            OVERDUE,
            facts.next_due_on,
            facts.as_of,
            "calibrate it before any use",
            "Do not use it until it is calibrated",
            words.overdue(facts),
        )


def _see_early(facts: Facts, policy: Policy) -> Iterator[Obligation]:
    """Ask to see a meter before it is due, or to set anew one that rests near the limit."""
    if facts.status == "withdrawn" or facts.outside is not None:
        return
    if facts.level is None:
        yield Obligation(
            SEE_EARLY,
            facts.last_visit_on,
            facts.as_of,
            "read it as left before further use",
            "Read it as left before further use",
            words.unknown_level(facts),
        )
        return
    if facts.p_now is not None and facts.p_now >= policy.stop_probability:
        return
    early, asked = _falls_early(facts, policy), _check_asks(facts, policy)
    rests = early and facts.p_then is not None and facts.p_then >= 1 - policy.intervals.target
    # Where it will be more likely out than is accepted, waiting for the next visit will not do.
    waits = rests and (facts.p_due or 0.0) < policy.stop_probability
    days, whys = [], []
    if early and not waits:
        days.append(min(max(facts.falls_on or facts.as_of, facts.as_of), facts.speaks_for))
        whys.append(words.early(facts, policy))
    if asked is not None:
        days.append(asked)
        whys.append(words.checked(facts))
    if days:
        by = min(days)
        todo = words.see_by(facts, by)
        brief = briefs.see_briefly(facts, by)
        yield Obligation(SEE_EARLY, facts.as_of, by, brief, todo, "; ".join(whys))
    if rests:
        yield Obligation(
            RESET,
            facts.last_visit_on,
            _next_seen(facts),
            "re-set it though it passes",
            f"Re-set it {'at its next visit' if waits else 'then'} though it passes",
            words.rests(facts, waits=waits),
        )


def _check_asks(facts: Facts, policy: Policy) -> date | None:
    """Return by when a check between calibrations asks to see a meter; None where none does.

    A check that failed asks for it now, a level that moved within the shortest interval that is
    practicable.  Neither moves the day on which the meter is due, and neither asks for it later.
    """
    if not facts.checked:
        return None
    patience = timedelta(days=policy.intervals.shortest_days)
    days = [facts.as_of if one.failed else one.on + patience for one in facts.checked]
    by = max(min(days), facts.as_of)
    return by if by < facts.speaks_for else None


def _next_seen(facts: Facts) -> date | None:
    """Return the day of the next visit at the latest: the due date, today where that is past."""
    return None if facts.next_due_on is None else facts.speaks_for


def _find_cause(facts: Facts, policy: Policy) -> Iterator[Obligation]:
    """Ask why a meter moves, jumps, is always set the same way, or keeps failing."""
    reasons = words.causes(facts, policy)
    if reasons:
        yield Obligation(
            FIND_CAUSE,
            facts.last_visit_on,
            _next_seen(facts),
            briefs.cause_briefly(facts, policy),
            "Find the cause",
            "; ".join(reasons),
        )


def _review(facts: Facts, policy: Policy) -> Iterator[Obligation]:
    """Ask what a failed check means for earlier results."""
    unanswered = [failure for failure in facts.failures if not failure.answered]
    if not unanswered:
        return
    first = min(unanswered, key=lambda failure: failure.on)
    yield Obligation(
        REVIEW,
        first.good_on,
        None,
        words.small(words.review_since(first)),
        words.review_since(first),
        words.failed(unanswered, facts, policy),
    )


def _close_file(facts: Facts, policy: Policy, *, unused: bool) -> Iterator[Obligation]:
    """Ask for what the file of a meter lacks."""
    reasons = words.open_file(facts, policy, unused=unused)
    if reasons:
        brief = briefs.file_briefly(facts, policy, unused=unused)
        yield Obligation(CLOSE, None, None, brief, "Close the file", "; ".join(reasons))


# What an obligation asks for first, whatever the interval.
_BEFORE = {
    DO_NOT_USE: "Not to be used now. ",
    OVERDUE: "Overdue: not to be used until it is calibrated. ",
    SEE_EARLY: "See it now. ",
    RESET: "Re-set it at its next visit though it passes. ",
}


def with_obligations(
    intervals: pl.DataFrame, obligations: pl.DataFrame, *, as_of: date
) -> pl.DataFrame:
    """Put before each meter's recommendation what must be done before any interval counts.

    Parameters
    ----------
    intervals : pl.DataFrame
        Of `build_intervals`.
    obligations : pl.DataFrame
        Frame of `drift.review.obligations.OBLIGATIONS`.
    as_of : date
        The date the review speaks for.
    """
    now = pl.col("by_on") <= as_of
    asked = obligations.filter(pl.col("obligation").is_in(list(_BEFORE))).unique(
        "meter_id", keep="first", maintain_order=True
    )
    by = pl.Series("by", [None if on is None else day(on) for on in asked["by_on"]], pl.String)
    first = asked.with_columns(by).select(
        "meter_id",
        method=pl.lit("recommendation"),
        first=pl.when((pl.col("obligation") == SEE_EARLY) & ~now)
        .then(pl.format("See it by {}. ", "by"))
        .otherwise(pl.col("obligation").replace_strict(_BEFORE, return_dtype=pl.String)),
    )
    told = intervals.join(first, on=["meter_id", "method"], how="left", maintain_order="left")
    return told.with_columns(basis=pl.concat_str("first", "basis", ignore_nulls=True)).drop("first")
