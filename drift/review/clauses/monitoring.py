"""This module answers whether meters are watched between calibrations and signals acted on."""

import polars as pl

from drift import format as text
from drift.conformity.comparisons import AGREES_WITH, DISAGREES
from drift.limits.checks.judging import NO_LIMIT, OTHER_UNIT
from drift.review.clauses.clause import (
    ISO,
    NO_RECORD,
    OUTSIDE,
    PARTLY,
    SHOWN,
    Clause,
    by_count,
    few,
    of,
)
from drift.review.clauses.facts import LaboratoryFacts, span


def monitoring_clauses(facts: LaboratoryFacts) -> tuple[Clause, ...]:
    """Return the answers of this family."""
    return between(facts), trends(facts), compared(facts), acted_on(facts)


def between(facts: LaboratoryFacts) -> Clause:
    """Answer whether meters are checked between calibrations."""
    marks = facts.review.sources.marks.filter(pl.col("action") == "verified")
    read = facts.visits.select("meter_id", performed_on="on")
    checks = marks.join(read, on=["meter_id", "performed_on"], how="anti")
    meters = checks.filter(pl.col("meter_id").is_in(facts.in_use))["meter_id"].n_unique()
    series = facts.review.checks.series
    days = int(series["days"].sum())
    return Clause(
        ISO,
        "6.4.10",
        checked=False,
        asked="Intermediate checks that are needed are made to a procedure.",
        state=PARTLY if checks.height or days else OUTSIDE,
        decided_by=(
            f"{text.count(checks.height, 'check')} of the mark and {text.count(days, 'other')} "
            "between calibrations"
        ),
        answer=(
            (
                f"{of(marks.height - checks.height, marks.height)} checks of the "
                "initial pressure mark "
                f"go with a calibration; {text.count(meters, 'meter')} in use checked between them."
            ),
            _other_checks(series),
            *_checked_only(facts),
            "Which checks are needed, and their procedure, are not in these tables.",
        ),
        proof=(
            ("data/visits.csv", "every visit"),
            ("data/check_series.csv", "checks between calibrations"),
        ),
        to_file="The procedure of intermediate checks, and each check with its date.",
    )


def _checked_only(facts: LaboratoryFacts) -> list[str]:
    """Name the meters with checks and no reading, which no series holds."""
    names = [meter_id for meter_id, _, _ in facts.review.checked_only]
    if not names:
        return []
    many = text.count(len(names), "meter")
    return [f"Of {many} there are checks and not one reading: {few(names)}."]


def _other_checks(series: pl.DataFrame) -> str:
    """Say what the checks of zero, leak, a point or an artefact found."""
    if series.is_empty():
        return "No check of zero, leak, a point or an artefact is on record."
    judged = series.filter(pl.col("basis").is_in((NO_LIMIT, OTHER_UNIT)).not_())
    limited = series.drop_nulls("in_control")
    stable = limited.filter("in_control").height
    return (
        f"{text.count(series.height, 'series', 'series')} of checks of "
        f"{text.count(series['meter_id'].n_unique(), 'meter')}: {of(judged.height, series.height)} "
        f"judged against a limit, {text.count(int(series['outside'].sum()), 'day')} outside it; "
        f"{of(stable, limited.height)} with control limits stable."
    )


def trends(facts: LaboratoryFacts) -> Clause:
    """Answer whether the records let trends show, by limits from a whole baseline."""
    review, policy = facts.review, facts.review.policy
    series = review.ledger.filter(pl.col("meter_id").is_in(facts.in_use))["series"].unique()
    limits = review.limits_settled.filter(
        (pl.col("chart") == "individuals") & pl.col("series").is_in(series.to_list())
    )
    latest = limits.sort("phase").unique("series", keep="last")
    whole = latest.filter("full").height
    short = latest.height - whole
    needed = text.count(policy.baseline_visits, "visit")
    if policy.baseline_dates:
        needed = "the dates that the policy names"
    tested = review.path_trends.filter(pl.col("series").is_in(series.to_list()))
    tested = tested.drop_nulls("verdict")
    answer = [
        (
            f"{of(whole, series.len())} series of meters in use (a meter at a point) "
            f"have limits from a full baseline of {needed}; {text.whole(short)} have limits from "
            f"fewer, {text.whole(series.len() - latest.height)} have none yet."
        ),
        f"Drift is tested in {of(tested.height, series.len())} of them.",
    ]
    if review.fit is not None and not review.fit.converged:
        answer.append(
            "The fleet's parameters behind the forecasts had not settled after "
            f"{text.count(review.fit.rounds, 'step')}; take the forecasts with caution."
        )
    return Clause(
        ISO,
        "7.7.1",
        checked=True,
        asked="Data are recorded so that trends show, by statistical methods where practicable.",
        state=by_count(whole, series.len()),
        decided_by=f"{of(whole, series.len())} series with limits from a full baseline",
        answer=tuple(answer),
        proof=(
            ("#detectability", "what the charts can see"),
            ("data/forecast.csv", "forecasts"),
            ("data/phases.csv", "whose limits they are under"),
        ),
        to_file=(
            NO_RECORD
            if whole == series.len() and whole
            else f"{text.count(policy.baseline_visits, 'visit')} as found, with one reference, for "
            "each series."
        ),
    )


def compared(facts: LaboratoryFacts) -> Clause:
    """Answer whether the laboratory compares itself with others."""
    vessels = facts.review.sources.vessels["vessel_id"].n_unique()
    scores = facts.review.comparisons.scores
    rounds = scores.filter(pl.col("other") == "assigned_value")
    good = rounds.filter(pl.col("result") == AGREES_WITH).height
    against = scores.filter(pl.col("result") == DISAGREES)
    state = by_count(good, rounds.height, refuted=against.height > 0)
    return Clause(
        ISO,
        "7.7.2",
        checked=False,
        asked="Performance is compared with other laboratories where available and appropriate.",
        state=state,
        decided_by=(
            f"{text.count(against.height, 'comparison')} disagrees"
            if against.height
            else f"{of(good, rounds.height)} results of rounds agree with the assigned value"
            if rounds.height
            else "0 comparisons with another laboratory in these tables"
        ),
        answer=(
            (
                "What is compared here is the laboratory with itself: "
                f"{text.count(vessels, 'vessel')} "
                "through the meters that they read."
            ),
            (
                "Results in use that were compared with something else: "
                f"{text.whole(scores.height)}, {text.whole(rounds.height)} of them with the "
                "assigned value of a round."
            ),
        ),
        proof=(
            ("data/comparison_scores.csv", "results in use against something else"),
            ("data/vessel_agreement.csv", "calibrations against each other and the meters"),
        ),
        to_file=(
            "The cause of the disagreement."
            if against.height
            else NO_RECORD
            if state == SHOWN
            else "The uncertainty of each assigned value, and the meter's correction that day."
            if rounds.height
            else "Results of a proficiency test or of a comparison."
        ),
        meters=tuple(against["meter_id"].unique(maintain_order=True).to_list()),
    )


def acted_on(facts: LaboratoryFacts) -> Clause:
    """Answer whether signals were acted on in time."""
    review = facts.review
    signals, patience = review.signals, review.policy.signal_days
    waiting = signals.filter(pl.col("answered_on").is_null())
    answered = signals.height - waiting.height
    age = (pl.lit(review.as_of) - pl.col("visit_on")).dt.total_days()
    stale = waiting.filter(age > patience).height
    stray = review.responses.filter(pl.col("problem") != "").height
    answer = [
        (
            f"{text.count(signals.height, 'signal')} ({span(signals['visit_on'])}); "
            f"{text.whole(answered)} with a response, {text.whole(waiting.height)} without."
        )
    ]
    if waiting.height:
        oldest = (review.as_of - min(waiting["visit_on"])).days
        answer.append(
            f"The oldest is open for {text.count(oldest, 'day')}; {text.whole(stale)} for more than"
            f" {text.count(patience, 'day')}, which contradicts the clause."
        )
    if stray:
        answer.append(f"{text.count(stray, 'response')} that names no signal it could answer.")
    state = by_count(answered, signals.height, refuted=stale > 0, complete=not stray)
    return Clause(
        ISO,
        "7.7.3",
        checked=False,
        asked="Monitoring data are analysed and acted on, so that wrong results are not reported.",
        state=state,
        decided_by=f"{of(answered, signals.height)} signals answered",
        answer=tuple(answer),
        proof=(("data/signals.csv", "all signals"), ("data/responses.csv", "all responses")),
        to_file=(
            f"A response to {text.count(waiting.height, 'signal')}."
            if waiting.height
            else "The signal that each stray response is meant for."
            if stray
            else NO_RECORD
            if signals.height
            else "Responses, once a signal is there."
        ),
        meters=tuple(waiting.sort("visit_on")["meter_id"].unique(maintain_order=True).to_list()),
    )
