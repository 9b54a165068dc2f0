"""This module answers what is asked of meters going into, out of and back to service."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

import polars as pl

from drift import format as text
from drift.review.clauses.clause import (
    CLAUSE_CONTRADICTED,
    ISO,
    NO_RECORD,
    NOT_SHOWN,
    OUTSIDE,
    PARTLY,
    Clause,
    by_count,
    few,
    of,
)
from drift.review.clauses.facts import LaboratoryFacts, span
from drift.trend.change_points import link_jumps

FIRST, RETURNED, EVENT = "first use", "return after an adjustment", "use after work or damage"

_OUT = "A suspect meter is out of service until shown right, its effect on results examined."


@dataclass(frozen=True, slots=True)
class Start:
    """One time at which a meter went into service.

    Attributes
    ----------
    kind : str
        ``FIRST``, ``RETURNED`` or ``EVENT``.
    shown : bool
        Whether it was read at all its points and passed before it could be used.
    used : int
        Field tests made with it before it was shown right.
    """

    kind: str
    meter_id: str
    on: date
    shown: bool
    used: int


def service_clauses(facts: LaboratoryFacts) -> tuple[Clause, ...]:
    """Return the answers of this family."""
    return before_use(facts), out_of_service(facts), unintended(facts)


def starts(facts: LaboratoryFacts) -> list[Start]:
    """Return every first use, return after an adjustment and use after work or damage."""
    visits = _visits(facts)
    tests: dict[str, list[date]] = dict(
        facts.review.sources.field_tests.group_by("meter_id").agg("tested_on").iter_rows()
    )
    began = dict(
        facts.review.sources.meters.unique("meter_id", keep="last")
        .select("meter_id", "in_service_on")
        .iter_rows()
    )
    found = []
    for meter_id in sorted({*visits, *facts.in_use}):
        seen, used = visits.get(meter_id, _NEVER), tests.get(meter_id, [])
        first = min([*seen.right, facts.review.as_of])
        on = began.get(meter_id) or seen.first or facts.review.as_of
        known = began.get(meter_id) is not None
        before = sum(one < first for one in used)
        found.append(Start(FIRST, meter_id, on, known and bool(seen.right) and first <= on, before))
        for again_from, shown in seen.adjusted:
            again = min([d for d in seen.right if d >= again_from], default=facts.review.as_of)
            late = sum(again_from < one < again for one in used)
            found.append(Start(RETURNED, meter_id, again_from, shown, late))
    return [*found, *_events(facts, visits, tests)]


@dataclass(frozen=True, slots=True)
class _Visits:
    """The visits of a meter: its first, those that showed it right, those that adjusted it.

    Of the last also whether they showed it right.
    """

    first: date | None
    right: tuple[date, ...]
    adjusted: tuple[tuple[date, bool], ...]


_NEVER = _Visits(None, (), ())


def _visits(facts: LaboratoryFacts) -> dict[str, _Visits]:
    """Return what is told of the visits of each meter."""
    by_meter = facts.visits.group_by("meter_id").agg(
        pl.col("on").min(),
        right=pl.col("on").filter("shown_right"),
        adjusted_on=pl.col("on").filter("adjusted"),
        shown=pl.col("shown_right").filter("adjusted"),
    )
    return {
        meter_id: _Visits(first, tuple(right), tuple(zip(adjusted_on, shown, strict=True)))
        for meter_id, first, right, adjusted_on, shown in by_meter.iter_rows()
    }


def _events(
    facts: LaboratoryFacts, visits: dict[str, _Visits], tests: dict[str, list[date]]
) -> Iterable[Start]:
    """Yield each record of work or damage that no adjusting visit of its day answers for."""
    service = facts.review.sources.service.select("meter_id", "performed_on").unique()
    for meter_id, on in service.sort("meter_id", "performed_on").iter_rows():
        seen = visits.get(meter_id, _NEVER)
        if any(day == on for day, _ in seen.adjusted):
            continue
        right = [day for day in seen.right if day >= on]
        again = min(right, default=facts.review.as_of)
        late = sum(on < one < again for one in tests.get(meter_id, []))
        yield Start(EVENT, meter_id, on, bool(right) and again == on, late)


def before_use(facts: LaboratoryFacts) -> Clause:
    """Answer whether every meter was shown right before it was used, first and again."""
    found = starts(facts)
    shown = [one for one in found if one.shown]
    used = [one for one in found if one.used]
    wrong = facts.visits.filter(pl.col("adjusted") & pl.col("left_failed"))
    told = [
        f"{kind}: {of(sum(one.shown for one in found if one.kind == kind), number)}"
        for kind in (FIRST, RETURNED, EVENT)
        if (number := sum(one.kind == kind for one in found))
    ]
    answer = [f"Read at all its points and passed in time: {text.listed(told)}."]
    late = [one for one in found if one.kind == EVENT and not one.shown]
    if late:
        answer.append(
            "Not read on the day of work or damage: "
            f"{few([f'{one.meter_id} ({text.day(one.on)})' for one in late])}."
        )
    if wrong.height:
        answer.append(f"Left outside after an adjustment: {few(_unique(wrong['meter_id']))}.")
    if used:
        answer.append(
            f"{text.count(sum(one.used for one in used), 'field test')} made before the meter was "
            f"shown right: {few(_unique(one.meter_id for one in used))}."
        )
    refuted = bool(used) or wrong.height > 0
    state = by_count(len(shown), len(found), refuted=refuted)
    open_ = _unique(one.meter_id for one in found if not one.shown)
    return Clause(
        ISO,
        "6.4.4",
        checked=True,
        asked="Each meter is shown to meet its requirement before it goes (back) into service.",
        state=state,
        decided_by=f"{of(len(shown), len(found))} starts of service shown",
        answer=tuple(answer),
        proof=(
            ("data/visits.csv", "every visit, as found and as left"),
            ("data/conformity.csv", "every verdict"),
        ),
        to_file=(
            NO_RECORD
            if len(shown) == len(found) and not refuted and found
            else "A calibration of each meter dated on or before its first use, its return and "
            "its repair; keep it out of use until then."
        ),
        meters=tuple(_unique([*(one.meter_id for one in used), *wrong["meter_id"], *open_])),
    )


def _unique(names: Iterable[str]) -> list[str]:
    """Return names once each, in their order."""
    return list(dict.fromkeys(names))


def out_of_service(facts: LaboratoryFacts) -> Clause:
    """Answer what became of every meter that was found or left outside."""
    failed = facts.failures
    kept = [one for one in failed if one.righted_on != one.on and one.kept_on]
    tests = sum(one.tests for one in failed)
    answered = sum(one.answered for one in failed)
    repeated = [one for one in failed if one.by_repeat and one.righted_on is None]
    if not failed:
        return _no_failure(facts)
    answer = [
        (
            f"{text.count(len(failed), 'visit')} failed; after "
            f"{of(len(failed) - len(kept), len(failed))} the meter was put right that day or taken "
            f"out of service, the effect is on record for {text.whole(answered)}."
        )
    ]
    if kept:
        answer.append(
            "Kept in use as it was: "
            f"{few([f'{one.meter_id} ({text.day(one.on)})' for one in kept])}."
        )
    if tests:
        answer.append(
            f"{text.count(tests, 'field test')} made with a meter before it was put right."
        )
    if repeated:
        answer.append(
            "Passed a later check without work and without a reason on record, and so still failed:"
            f" {few(_unique(one.meter_id for one in repeated))}."
        )
    answer.append("How a meter out of service is marked and kept apart is not in these tables.")
    refuted = bool(kept) or tests > 0
    return Clause(
        ISO,
        "6.4.9",
        checked=False,
        asked=_OUT,
        state=by_count(answered, len(failed), refuted=refuted),
        decided_by=(
            f"{of(len(kept), len(failed))} failures left in use"
            if refuted
            else f"{of(answered, len(failed))} failures with their effect on record"
        ),
        answer=tuple(answer),
        proof=(
            ("data/conformity.csv", "every verdict"),
            ("data/responses.csv", "what was done"),
        ),
        to_file=_to_file(len(kept), len(failed) - answered),
        meters=tuple(_unique([one.meter_id for one in [*kept, *failed]])),
    )


def _to_file(kept: int, unanswered: int) -> str:
    """Say what closes the clause on meters out of service."""
    needed = [
        *(["withdraw or adjust what failed and read it as left"] if kept else []),
        *([f"a response for each of {text.whole(unanswered)} failures"] if unanswered else []),
    ]
    return f"{'; '.join(needed).capitalize()}." if needed else NO_RECORD


def _no_failure(facts: LaboratoryFacts) -> Clause:
    """Answer where no meter was ever found outside."""
    return Clause(
        ISO,
        "6.4.9",
        checked=False,
        asked=_OUT,
        state=OUTSIDE,
        decided_by=f"0 of {text.count(facts.visits.height, 'visit')} failed",
        answer=(
            "No visit found or left a meter outside, so that nothing shows what is then done.",
        ),
        proof=(("data/conformity.csv", "every verdict"),),
        to_file="The procedure for a meter that fails.",
    )


def unintended(facts: LaboratoryFacts) -> Clause:
    """Answer whether adjustments that nobody meant were looked for and found."""
    review = facts.review
    jumps = link_jumps(review.changes, ledger=review.ledger, service=review.sources.service)
    riddles = jumps.filter(pl.col("event").is_null())
    lost = facts.visits.filter("lost")
    looked = review.path_trends.drop_nulls("verdict").height
    series = review.ledger["series"].n_unique()
    refuted = riddles.height > 0
    answer = [
        (
            "An adjustment that nobody recorded shows as a jump between two visits. "
            f"{of(looked, series)} series are long enough to look: "
            f"{text.count(jumps.height, 'jump')} found, {text.whole(riddles.height)} of them with "
            "no event on record."
        ),
        f"Adjusted before it was read as found: {text.count(lost.height, 'visit')}"
        + (f" ({span(lost['on'])})." if lost.height else "."),
        "Seals and other guards of mark and hand are not in these tables.",
    ]
    state = CLAUSE_CONTRADICTED if refuted else PARTLY if looked else NOT_SHOWN
    return Clause(
        ISO,
        "6.4.12",
        checked=True,
        asked="Measures keep equipment from being adjusted unintentionally.",
        state=state,
        decided_by=f"{text.count(riddles.height, 'jump')} without an event on record",
        answer=tuple(answer),
        proof=(("data/visits.csv", "columns unadjusted_path_pct and evidence_lost"),),
        to_file=(
            "The cause of each jump as a service record; how mark and hand are sealed."
            if refuted
            else "How mark and hand are sealed."
        ),
        meters=tuple(_unique([*riddles["meter_id"], *lost["meter_id"]])),
    )
