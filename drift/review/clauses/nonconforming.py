"""This module answers what was done about work that a meter outside may have spoiled."""

from collections.abc import Iterator

from drift import format as text
from drift.review.clauses.clause import ISO, Clause, by_count, few, of
from drift.review.clauses.facts import LaboratoryFacts, span
from drift.review.clauses.outcomes import FailedVisit

# Failures in a row of one meter from which nothing done can have worked.
IN_A_ROW = 3


def nonconforming_clauses(facts: LaboratoryFacts) -> tuple[Clause, ...]:
    """Return the answers of this family."""
    return evaluated_work(facts), corrected(facts)


def evaluated_work(facts: LaboratoryFacts) -> Clause:
    """Answer whether earlier results were looked at after each failure."""
    failed = facts.failures
    righted = sum(one.righted_on == one.on for one in failed)
    later = sum(one.righted_on not in {None, one.on} for one in failed)
    never = [one for one in failed if one.righted_on is None]
    used = [one for one in failed if one.tests]
    answered = sum(one.answered for one in failed)
    tests = facts.review.sources.field_tests
    keeps = not facts.review.sources.decisions.is_empty()
    decided = sum(one.decided for one in failed)
    open_ones = len(failed) - (decided if keeps else 0)
    answer = [
        f"{text.count(len(failed), 'visit')} found or left a meter outside; {text.whole(righted)} "
        f"were put right that day, {text.whole(later)} later, {text.whole(len(never))} were not"
        + (f" ({few(_meters(never))})." if never else "."),
        *_decisions_told(facts, answered=answered),
        f"{text.count(tests.height, 'field test')} on record ({span(tests['tested_on'])}), from "
        "which an impact note can be made."
        if tests.height
        else "No field test is on record, so the results concerned cannot be named.",
        *_used_told(used),
    ]
    return Clause(
        ISO,
        "7.10",
        checked=True,
        asked=(
            "Nonconforming work is evaluated with its effect on earlier results; customers are "
            "told where necessary; going on is authorised."
        ),
        state=by_count(
            decided if keeps else answered, len(failed), refuted=bool(used), complete=keeps
        ),
        decided_by=(
            f"{text.count(len(failed), 'failure')}, {text.whole(answered)} answered, "
            + (f"{text.whole(decided)} decided, " if keeps else "")
            + f"{text.whole(len(never))} not put right"
        ),
        answer=tuple(answer),
        proof=(("data/conformity.csv", "every verdict"), ("data/responses.csv", "all responses")),
        to_file=(
            f"An impact note, with its decision, for each of {text.count(open_ones, 'failure')}."
            if open_ones
            else "The procedure for nonconforming work."
        ),
        meters=tuple(_meters([*used, *never, *failed])),
    )


def _used_told(used: list[FailedVisit]) -> Iterator[str]:
    """Say how many field tests went on with meters that were not put right."""
    if used:
        number = sum(one.tests for one in used)
        yield (
            f"{text.count(number, 'field test')} were made with a meter that was not put right: "
            f"{few(_meters(used))}."
        )


def _decisions_told(facts: LaboratoryFacts, *, answered: int) -> Iterator[str]:
    """Say what was decided about failures, who was told and who authorised going on."""
    decisions = facts.review.sources.decisions
    if decisions.is_empty():
        yield (
            f"With a response: {text.whole(answered)}. What was decided on earlier results, who "
            "was told and who authorised going on are not in these tables. The impact note has "
            "room for it, and drift decide keeps it."
        )
        return
    decided = sum(one.decided for one in facts.failures)
    told = decisions["customer_told_on"].drop_nulls().len()
    authorised = decisions["authorised_by"].drop_nulls().len()
    yield (
        f"With a response: {text.whole(answered)}; with a decision: {text.whole(decided)}. "
        f"{text.count(decisions.height, 'decision')} on record; when the customer was told is on "
        f"record for {text.whole(told)} of them, who authorised going on for "
        f"{text.whole(authorised)}."
    )
    visits = facts.visits.select("meter_id", about="on")
    stray = decisions.join(visits, on=["meter_id", "about"], how="anti")
    if stray.height:
        named = [f"{row['meter_id']} {row['about']}" for row in stray.iter_rows(named=True)]
        many = text.count(stray.height, "decision")
        names = "names" if stray.height == 1 else "name"
        yield f"{many} {names} a visit not on record: {few(named)}."


def _meters(failed: list[FailedVisit]) -> list[str]:
    """Return the meters of some failures, each once."""
    return list(dict.fromkeys(one.meter_id for one in failed))


def longest_runs(facts: LaboratoryFacts) -> dict[str, int]:
    """Return each failing meter's longest run of visits that failed one after another."""
    runs: dict[str, int] = {}
    last, run = None, 0
    visits = facts.visits.select("meter_id", "found_failed", "left_failed")
    for meter_id, found, left in visits.iter_rows():
        run = (run if meter_id == last else 0) + 1 if found or left else 0
        last = meter_id
        if run:
            runs[meter_id] = max(run, runs.get(meter_id, 0))
    return dict(sorted(runs.items(), key=lambda item: -item[1]))


def corrected(facts: LaboratoryFacts) -> Clause:
    """Answer whether causes of failures are removed, as far as meters show it."""
    runs = longest_runs(facts)
    again = [name for name, run in runs.items() if run >= IN_A_ROW]
    failed = len(facts.failures)
    answered = sum(one.answered for one in facts.failures)
    longest = max(runs.values(), default=0)
    answer = [
        (
            f"{text.count(len(runs), 'meter')} failed, {text.whole(answered)} of "
            f"{text.count(failed, 'failure')} with a response on what was done."
        ),
        f"The longest run of failures of one meter is {text.whole(longest)}; "
        f"{text.whole(IN_A_ROW)} or more in a row show that no action worked"
        + (f" ({few(again)})." if again else "."),
        *(
            []
            if facts.review.sources.decisions.is_empty()
            else [f"{of(sum(one.decided for one in facts.failures), failed)} have a decision."]
        ),
        "The analysis of causes and the review of what was done are not in these tables.",
    ]
    return Clause(
        ISO,
        "8.7",
        checked=False,
        asked="Causes of nonconformities are removed, and the action is shown to work.",
        state=by_count(answered, failed, refuted=bool(again), complete=False),
        decided_by=(
            f"{of(answered, failed)} failures answered; {text.whole(longest)} in a row at worst"
        ),
        answer=tuple(answer),
        proof=(("data/conformity.csv", "every verdict"), ("data/responses.csv", "all responses")),
        to_file=(
            f"The cause and its removal for {few(again or list(runs))}."
            if failed
            else "Corrective actions, once something fails."
        ),
        meters=tuple(again or runs),
    )
