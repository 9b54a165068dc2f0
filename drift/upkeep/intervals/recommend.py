"""This module recommends an interval for the fleet, for similar meters and for each meter.

One rule: the method that fits the question and uses most of the evidence answers; nothing exceeds
the ceiling that the governing standard sets.  The data may argue for longer; they do not overrule.

For one meter the question is how long it may go unseen as it stands, so its forecast answers.  For
a group it is the fixed interval at which enough checks pass, so the share of checks passed answers:
meters that are adjusted only when found out fail once in each cycle of drift, at a steady rate in
time whatever law a single cycle follows, which is what the exponential law says.
"""

import math
from collections.abc import Iterable
from dataclasses import replace

import polars as pl

from drift.format import in_days
from drift.frames import Schema
from drift.upkeep.choices import IntervalChoices
from drift.upkeep.intervals.methods import (
    Answer,
    IntervalEvidence,
    chart_answers,
    reliability_answers,
    staircase_answers,
    survival_answers,
)
from drift.upkeep.reliability.censored_intervals import judged_visits

SCOPES = ("fleet", "like", "meter")
# In the order in which they are listed.
_METHODS = (
    "recommendation",
    "forecast",
    "forecast_once_adjusted",
    "control_chart",
    "survival_weibull",
    "survival_stepwise",
    "reliability",
    "staircase",
)
# Who is asked first, by scope.  Not the staircase: it reacts to one result and wanders.
_FIRST = {
    "fleet": ("reliability", "survival_weibull"),
    "like": ("reliability", "survival_weibull"),
    "meter": ("forecast", "control_chart", "reliability", "survival_weibull"),
}
# These rest on counts of events: few of them leave nearly anything possible, and an interval moves
# only where the one in force is excluded (as NASA RP-1's interval test does; from memory).
_BY_COUNTS = ("reliability", "survival_weibull")

_WORDS = {
    "forecast": "the forecast",
    "forecast_once_adjusted": "the forecast once adjusted",
    "control_chart": "its drift and scatter",
    "survival_weibull": "the time in tolerance",
    "survival_stepwise": "the time in tolerance",
    "reliability": "the share of checks passed",
}

# One row per scope (``fleet``, ``like`` meters, ``meter``), name and method: `data/intervals.csv`.
# meter_id is null but for a meter.  days is the interval at which the method's chance of being in
# tolerance falls to the target, low to high what it leaves possible; null where it cannot say.
# evidence counts what it rests on (checks, stretches, visits); carried: the recommendation took it.
# The method ``recommendation`` holds the days to use and the reason.
INTERVALS: Schema = {
    "scope": pl.String,
    "name": pl.String,
    "meter_id": pl.String,
    "method": pl.String,
    "days": pl.Float64,
    "low_days": pl.Float64,
    "high_days": pl.Float64,
    "evidence": pl.Int64,
    "carried": pl.Boolean,
    "basis": pl.String,
}


def record_answers(
    evidence: IntervalEvidence, *, tolerance: float, comparison: str, choices: IntervalChoices
) -> tuple[Answer, ...]:
    """Return what the methods answer that go by the record alone, without a forecast.

    `tolerance` and `comparison` are as in `drift.meter.tolerance.within_tolerance`.
    """
    visits = judged_visits(evidence.ledger, tolerance=tolerance, comparison=comparison, by="meter")
    return (
        *reliability_answers(evidence, visits, choices=choices),
        *survival_answers(evidence, visits, choices=choices),
        *staircase_answers(evidence, tolerance=tolerance, choices=choices),
        *chart_answers(evidence, tolerance=tolerance, choices=choices),
    )


def build_intervals(
    evidence: IntervalEvidence, answers: Iterable[Answer], *, choices: IntervalChoices
) -> pl.DataFrame:
    """Recommend intervals, with every method's answer beside them.

    Parameters
    ----------
    evidence : IntervalEvidence
    answers : iterable of Answer
        What the methods say: of `record_answers` and of `forecast_answers`.
    choices : IntervalChoices

    Returns
    -------
    pl.DataFrame
        Columns of `drift.upkeep.intervals.recommend.INTERVALS`: fleet, similar meters, meters; in
        each the recommendation first.
    """
    by_name: dict[tuple[str, str], dict[str, Answer]] = {}
    for answer in answers:
        by_name.setdefault((answer.scope, answer.name), {})[answer.method] = answer
    present = {str(key): float(days) for key, days in evidence.present.iter_rows()}
    usual = evidence.present["interval_days"].median()
    fallback = float(usual) if isinstance(usual, (int, float)) else float(choices.ceiling_days)
    advised = {
        (scope, name): recommend(
            said,
            scope=scope,
            name=name,
            present_days=present.get(name, fallback) if scope == "meter" else fallback,
            choices=choices,
        )
        for (scope, name), said in by_name.items()
    }
    for (scope, name), meter in _alone(evidence).items():
        own = advised.get(("meter", meter))
        if own is not None and (scope, name) in advised:
            advised[scope, name] = replace(own[0], scope=scope, name=name), ()
    rows = []
    for key, said in by_name.items():
        advice, carried = advised[key]
        rows += [_row(one, carried=one.method in carried) for one in (advice, *said.values())]
    return _framed(rows)


def _alone(evidence: IntervalEvidence) -> dict[tuple[str, str], str]:
    """Return the fleet and the groups of similar meters that are one meter, with that meter.

    What holds for it holds for them: of two answers to one question one would be wrong.
    """
    groups = evidence.groups.drop_nulls("name")
    scopes = [("fleet", "fleet", evidence.ledger)]
    scopes += [("like", str(part["name"][0]), part) for part in groups.partition_by("name")]
    return {
        (scope, name): str(part["meter_id"][0])
        for scope, name, part in scopes
        if part["meter_id"].n_unique() == 1
    }


def recommend(
    said: dict[str, Answer], *, scope: str, name: str, present_days: float, choices: IntervalChoices
) -> tuple[Answer, tuple[str, ...]]:
    """Recommend one interval from the methods' answers.

    Parameters
    ----------
    said : dict of str to Answer
        By method; may be empty.
    scope, name : str
        Of the answers.
    present_days : float
        Interval in force.
    choices : IntervalChoices

    Returns
    -------
    Answer
        Of the method ``recommendation``, its reason in one sentence.
    tuple of str
        Methods that carried it.
    """
    ceiling = float(choices.ceiling_days)
    answer = _first(said, scope)
    if answer is None:
        days = min(present_days, ceiling)
        reason = f"Too little is known to move the interval: {in_days(days)}, as now."
        if present_days > ceiling:
            reason = (
                f"Too little is known to move the interval, but the present "
                f"{in_days(present_days)} are longer than the ceiling of {in_days(ceiling)}."
            )
        return _advice(scope, name, days, 0, reason), ()
    if answer.method in _BY_COUNTS and _leaves_possible(answer, present_days):
        days = min(present_days, ceiling)
        reason = _unmoved(answer, days=days, present_days=present_days, choices=choices)
        return _advice(scope, name, days, answer.evidence, reason), (answer.method,)
    base = _reach(answer)
    days = float(max(math.floor(min(base, ceiling)), 1))
    reason = _reason(answer, base=base, days=days, present_days=present_days, choices=choices)
    reason += _remark(said, answer, base, choices)
    return _advice(scope, name, days, answer.evidence, reason), (answer.method,)


def _first(said: dict[str, Answer], scope: str) -> Answer | None:
    """Return the answer of the first method that can say."""
    for method in _FIRST[scope]:
        answer = said.get(method)
        if answer is not None and answer.at_once:
            answer = said.get("forecast_once_adjusted")
        if answer is not None and not math.isnan(_reach(answer)):
            return answer
    return None


def _reach(answer: Answer) -> float:
    """Return the days that a method gives, or vouches for at least; NaN where it cannot say."""
    days = answer.days if answer.days is not None else answer.at_least
    return math.nan if days is None else days


def _leaves_possible(answer: Answer, present_days: float) -> bool:
    """Whether the present interval may be the right one for all that an answer can tell."""
    if answer.low is None:
        return False
    return answer.low <= present_days <= (math.inf if answer.high is None else answer.high)


def _unmoved(answer: Answer, *, days: float, present_days: float, choices: IntervalChoices) -> str:
    """Say that an interval stays because what was seen cannot tell it from a better one."""
    by, most = _WORDS[answer.method], math.inf if answer.high is None else answer.high
    open_end = "or more" if math.isinf(most) else f"to {in_days(most)}"
    seen = (
        f"{by} says {in_days(_reach(answer))}, but anything from {in_days(answer.low)} {open_end} "
        "is possible"
    )
    if present_days > choices.ceiling_days:
        return (
            f"{in_days(days)}: {seen}, and the present {in_days(present_days)} are longer than the "
            f"ceiling of {in_days(choices.ceiling_days)}."
        )
    return f"{in_days(days)}, as now: {seen}, which is too little to move the interval."


def _reason(
    answer: Answer, *, base: float, days: float, present_days: float, choices: IntervalChoices
) -> str:
    """Say the recommendation and what it rests on."""
    by = _WORDS[answer.method]
    said = in_days(days)
    if answer.method == "forecast_once_adjusted":
        said = f"Once adjusted, {said}"
    if base > choices.ceiling_days:
        over = present_days > choices.ceiling_days
        return f"{said}, which is the ceiling; {by} would allow {in_days(base)}" + (
            f", and the present {in_days(present_days)} are over the ceiling." if over else "."
        )
    if days < present_days:
        return f"{said} by {by}, shorter than the present {in_days(present_days)}."
    if days > present_days:
        return f"{said} by {by}, longer than the present {in_days(present_days)}."
    return f"{said} by {by}, as now."


def _remark(said: dict[str, Answer], answer: Answer, base: float, choices: IntervalChoices) -> str:
    """Say what to do where the interval is impracticable, or at odds with the checks so far."""
    if base < choices.shortest_days:
        adjusted = said.get("forecast_once_adjusted")
        after = math.nan if adjusted is None else _reach(adjusted)
        if answer.method == "forecast" and after >= choices.shortest_days:
            return f" Adjust it then even if it passes: that gives it {in_days(math.floor(after))}."
        return (
            f" Less than {in_days(choices.shortest_days)} is not practicable: weigh service or "
            "replacement."
        )
    passed = said.get("reliability")
    if (
        passed is not None
        and passed.high is not None
        and passed.high < min(base, choices.ceiling_days)
    ):
        return (
            f" If it is adjusted only when found out, its checks so far speak for "
            f"{in_days(math.floor(passed.high))} or less."
        )
    return ""


def _advice(scope: str, name: str, days: float, evidence: int, reason: str) -> Answer:
    """Return a recommendation."""
    return Answer(scope, name, "recommendation", days, None, None, evidence, reason)


def _row(answer: Answer, *, carried: bool) -> dict[str, object]:
    """Return one row of the frame."""
    return {
        "scope": answer.scope,
        "name": answer.name,
        "meter_id": answer.name if answer.scope == "meter" else None,
        "method": answer.method,
        "days": answer.days,
        "low_days": answer.low,
        "high_days": answer.high,
        "evidence": answer.evidence,
        "carried": carried or answer.method == "recommendation",
        "basis": answer.basis,
    }


def _framed(rows: Iterable[dict[str, object]]) -> pl.DataFrame:
    """Return rows as a frame in its order."""

    def place(column: str, names: tuple[str, ...]) -> pl.Expr:
        return pl.col(column).replace_strict(
            {name: at for at, name in enumerate(names)}, return_dtype=pl.Int64
        )

    frame = pl.DataFrame(list(rows), schema=INTERVALS)
    return frame.sort(place("scope", SCOPES), "name", place("method", _METHODS))
