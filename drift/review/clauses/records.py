"""This module answers what is asked of technical records, people, conditions and methods."""

import polars as pl

from drift import format as text
from drift.reference.vessel import TYPE_A_REASON
from drift.review.clauses.clause import (
    CLAUSE_CONTRADICTED,
    ISO,
    NO_RECORD,
    OUTSIDE,
    PARTLY,
    R18,
    SHOWN,
    Clause,
    by_count,
    few,
    of,
)
from drift.review.clauses.facts import LaboratoryFacts
from drift.review.register_faults import UNAUTHORISED, UNKNOWN

# Water at the bench may differ this much more than readings bear before it is spoken of: a tenth
# of the tolerance (common practice, no source).
_MATTERS = 0.1


def record_clauses(facts: LaboratoryFacts) -> tuple[Clause, ...]:
    """Return the answers of this family, in the order of their numbers."""
    return (
        people(facts),
        conditions(facts),
        equipment_record(facts),
        methods(facts),
        originals(facts),
    )


def people(facts: LaboratoryFacts) -> Clause:
    """Answer who did the work, and whether they were authorised that day."""
    sets, table = facts.review.sources.sessions, facts.review.sources.people
    named = int(sets["operator"].count())
    names = sets["operator"].drop_nulls().n_unique()
    different = facts.review.reference.operators
    wrong = facts.faults.filter(pl.col("fault").is_in([UNKNOWN, UNAUTHORISED]))
    meters = wrong["meter_id"].drop_nulls().unique(maintain_order=True).to_list()
    kept = not table.is_empty()
    told = f"{of(named, sets.height)} sets of readings name who read them"
    if kept:
        told += f"; {text.count(wrong.height, 'calibration')} by somebody not authorised that day"
    return Clause(
        ISO,
        "6.2",
        checked=False,
        asked="People who can influence results are known, competent and authorised.",
        state=by_count(
            named, sets.height if named else 0, refuted=bool(wrong.height), complete=kept
        ),
        decided_by=told,
        answer=(
            (
                f"{text.count(names, 'operator')} named. "
                f"Their readings: {different.basis}, standard deviation "
                f"{text.spread(different.sd)} % air."
            ),
            f"{text.count(table['operator'].n_unique(), 'person', 'people')} on record with what "
            "they are authorised for"
            + (f"; calibrations by somebody not authorised: {few(meters)}." if meters else ".")
            if kept
            else "Competence and authorisation are not in these tables.",
        ),
        proof=(
            ("data/register_faults.csv", "calibrations by somebody not authorised")
            if kept
            else ("data/reference.csv", "how operators differ"),
            ("data/visits.csv", "every visit"),
        ),
        to_file=_people_file(kept=kept, wrong=wrong.height, named=named == sets.height),
        meters=tuple(meters),
    )


def _people_file(*, kept: bool, wrong: int, named: bool) -> str:
    """Say what closes the clause on people."""
    wanted = {
        "a decision on what the calibrations by somebody not authorised are worth": wrong,
        "who is authorised for which task, since when and by whom": 0 if kept else 1,
        "the operator of every reading": 0 if named else 1,
    }
    return _lacking(wanted)


def conditions(facts: LaboratoryFacts) -> Clause:
    """Answer whether the water's temperature was watched, and whether it shows in readings."""
    policy, effects = facts.review.policy, facts.review.reference.effects
    sets = facts.review.sources.sessions
    known = int(sets["water_temp_c"].count())
    seen = effects.filter(pl.col("kind") == "water_temperature").drop_nulls("q").to_dicts()
    matters = [
        row
        for row in seen
        if row["q"] <= policy.false_discovery_rate
        and abs(row["effect_pct"]) >= _MATTERS * policy.tolerance_pct
    ]
    low, high = sets["water_temp_c"].min(), sets["water_temp_c"].max()
    answer = [
        f"Water temperature is recorded for {of(known, sets.height)} sets of readings"
        + (f", {_celsius(low)} to {_celsius(high)} °C." if known else "."),
        *(
            f"Readings change by {text.bias_with_unit(row['effect_pct'])} "
            f"({text.interval(row['low'], row['high'])}) where the water is 10 °C warmer"
            + (": more than a tenth of the tolerance." if matters else ".")
            for row in seen
        ),
        "Limits for the place of work are not in these tables.",
    ]
    return Clause(
        ISO,
        "6.3",
        checked=False,
        asked="Conditions that influence results are known, watched and do not spoil them.",
        state=(
            CLAUSE_CONTRADICTED
            if matters
            else OUTSIDE
            if not known
            else SHOWN
            if known == sets.height and seen
            else PARTLY
        ),
        decided_by=f"{of(known, sets.height)} sets with a water temperature",
        answer=tuple(answer),
        proof=(("data/reference.csv", "effect of the water's temperature"),),
        to_file=(
            "One temperature for all calibrations, or a correction."
            if matters
            else NO_RECORD
            if known == sets.height and seen
            else "The water's temperature of every reading (water_temp_c)."
        ),
    )


def _celsius(value: object) -> str:
    """Return a temperature in words."""
    return text.fixed(value if isinstance(value, float) else None, places=1)


def _recorded(facts: LaboratoryFacts) -> tuple[tuple[str, int, int], ...]:
    """Return what is recorded of sets of readings and meters: name, how often, of how many."""
    sets, meters = facts.review.sources.sessions, facts.review.sources.meters
    # Counted where they stand: half a million rows of a large fleet are not laid out once more.
    above = pl.col("correct_air_pct") > 0
    with_vessel, with_air = sets.select(
        pl.col("vessel_id").filter(above).count(), air=above.sum()
    ).row(0)
    used = set(facts.in_use)
    placed = set(meters.drop_nulls("site")["meter_id"]) & used
    due = facts.review.meters.filter(pl.col("next_due_on").is_not_null())["meter_id"]
    identified = _identified(facts)
    return (
        ("operator", int(sets["operator"].count()), sets.height),
        ("vessel", with_vessel, with_air),
        ("step of the dial", int(sets["resolution_pct"].count()), sets.height),
        ("place of the meter", len(placed), len(used)),
        ("due date of the meter", len(set(due) & used), len(used)),
        *identified,
    )


def _identified(facts: LaboratoryFacts) -> tuple[tuple[str, int, int], ...]:
    """Return how many meters have an identity and a procedure on record; nothing where none has."""
    register = facts.register.filter(pl.col("meter_id").is_in(facts.in_use))
    whole = register.drop_nulls(["maker", "serial"]).height
    followed = register["procedure"].count()
    if not whole and not followed:
        return ()
    return (
        ("maker and serial number of the meter", whole, register.height),
        ("procedure of the meter", int(followed), register.height),
    )


def _record_state(facts: LaboratoryFacts) -> tuple[str, str]:
    """Return the state of the equipment record and the number that decides it."""
    parts = _recorded(facts)
    whole = [name for name, some, total in parts if total and some == total]
    told = f"{of(len(whole), len(parts))} parts on record throughout"
    return by_count(len(whole), len(parts), complete=bool(_identified(facts))), told


def equipment_record(facts: LaboratoryFacts) -> Clause:
    """Answer which parts of the equipment record are there."""
    state, decided = _record_state(facts)
    parts = _recorded(facts)
    told = text.listed([f"{name} {of(some, total)}" for name, some, total in parts])
    gaps = [name for name, some, total in parts if some < total]
    identified = _identified(facts)
    wanted = [] if identified else ["maker, serial number and procedure of every meter"]
    wanted += [f"{text.listed(gaps)} throughout"] if gaps else []
    return Clause(
        ISO,
        "6.4.13",
        checked=True,
        asked=(
            "Records hold identity, place, dates and results of calibrations, adjustments, "
            "acceptance criteria, due date, and (from memory) damage or repair."
        ),
        state=state,
        decided_by=decided,
        answer=(
            f"On record: {told}.",
            f"{text.count(facts.review.sources.service.height, 'record')} of service and damage.",
            *(
                ()
                if identified
                else ("No maker, serial number or procedure of a meter is on record.",)
            ),
        ),
        proof=(
            ("data/register.csv", "identities and due dates"),
            ("data/visits.csv", "dates, results, adjustments"),
            ("basis.html#policy", "acceptance criteria"),
        ),
        to_file=_lacking(dict.fromkeys(wanted, 1)),
    )


def practice_record(facts: LaboratoryFacts) -> Clause:
    """Answer the same for the construction-materials practice."""
    state, decided = _record_state(facts)
    identified = bool(_identified(facts))
    lacks = "What 6.4.13 lacks." if identified else "The procedure, and what 6.4.13 lacks."
    return Clause(
        R18,
        "equipment record",
        checked=False,
        asked=(
            "For each item: results in detail, identity, date, person, procedure, previous and "
            "next due date, and the reference used."
        ),
        state=state,
        decided_by=decided,
        answer=(
            "As 6.4.13: "
            + text.listed([f"{name} {of(some, total)}" for name, some, total in _recorded(facts)])
            + ".",
            *(() if identified else ("The procedure followed is not in these tables.",)),
        ),
        proof=(
            ("data/visits.csv", "dates, results, adjustments"),
            ("data/register.csv", "identities and due dates"),
        ),
        to_file=NO_RECORD if state == SHOWN else lacks,
    )


def methods(facts: LaboratoryFacts) -> Clause:
    """Answer whether readings follow the method for meters of this type."""
    wrong = facts.review.reference.checks.filter(pl.col("problem") == TYPE_A_REASON)
    meters = wrong["meter_id"].unique(maintain_order=True).to_list()
    return Clause(
        ISO,
        "7.2",
        checked=False,
        asked="Suitable methods are chosen, verified before use and followed.",
        state=CLAUSE_CONTRADICTED if meters else OUTSIDE,
        decided_by=f"{text.count(wrong.height, 'set')} with the factor of another type of meter",
        answer=(
            f"Readings with the water-column meter's factor 0.98: {few(meters)}."
            if meters
            else "No reading holds the water-column meter's factor 0.98.",
            "The procedure and its verification are not in these tables.",
        ),
        proof=(("data/vessel_checks.csv", "readings with another value"),),
        to_file="The procedure with its edition, and proof that the laboratory can follow it.",
        meters=tuple(meters),
    )


def _told_of_rows(facts: LaboratoryFacts, dropped: pl.DataFrame) -> list[str]:
    """Say what is kept of rows, amended values and readings, and what was left out."""
    sources, held = facts.review.sources, facts.held
    sets, total = sources.sessions, facts.rows
    named = int(sets["operator"].count())
    meters = dropped["meter_id"].unique(maintain_order=True).to_list()
    answer = [
        (
            f"{text.count(total, 'row')} from "
            f"{text.count(sources.files.height, 'file')}, each file with"
            f" its SHA-256; {text.count(held, 'row')} held back and not used, each with its reason."
        ),
        (
            f"{text.count(sources.amendments.height, 'value')} amended; the earlier "
            f"value of each is kept beside its file and line. {_journal_told(facts)}"
        ),
        f"{text.whole(named)} of {text.count(sets.height, 'set')} of readings name who read them.",
    ]
    if dropped.height:
        answer.append(
            f"{text.count(dropped.height, 'set')} of readings lack one of their numbered readings "
            f"({few(meters)}): the first reading stays on record, or a reason does."
        )
    return answer


def _unsigned(facts: LaboratoryFacts) -> int:
    """Return how many amended values no entry of a journal answers for."""
    sources = facts.review.sources
    return 0 if sources.journal.height else sources.amendments.height


def _journal_told(facts: LaboratoryFacts) -> str:
    """Say what the journal holds: who amended, withdrew or restored what, and why."""
    journal = facts.review.sources.journal
    if journal.is_empty():
        return "Who amended it and why is not on record: no journal is kept."
    if broken := facts.review.sources.journal_broken:
        return f"The journal is not as it was written: {broken}."
    changed = journal.filter(pl.col("kind").is_in(["amendment", "withdrawal", "restoration"]))
    return (
        f"The journal has {text.count(journal.height, 'entry', 'entries')} with person, time and "
        f"hash, {text.whole(changed.height)} of them of rows amended, withdrawn or restored, with "
        "the reason."
    )


def originals(facts: LaboratoryFacts) -> Clause:
    """Answer whether original observations are kept whole, and amendments can be traced."""
    sources, held = facts.review.sources, facts.held
    sets = sources.sessions
    named = int(sets["operator"].count())
    dropped = sets.filter(pl.col("readings_left_out") > 0)
    meters = dropped["meter_id"].unique(maintain_order=True).to_list()
    answer = _told_of_rows(facts, dropped)
    unsigned = _unsigned(facts)
    broken = sources.journal_broken
    whole = not held and not dropped.height and not unsigned
    refuted = dropped.height > 0 or bool(broken)
    return Clause(
        ISO,
        "7.5",
        checked=True,
        asked="Originals are kept with dates and persons; what was amended can be traced to them.",
        state=by_count(named, sets.height, refuted=refuted, complete=whole),
        decided_by=(
            f"the journal broken: {broken}"
            if broken
            else f"{text.count(dropped.height, 'set')} without a reading that was made"
            if dropped.height
            else f"{text.count(held, 'row')} held back"
        ),
        answer=tuple(answer),
        proof=(
            ("data/held_back.csv", "rows held back"),
            ("#amendments", "amended values"),
            ("journal.html", "who changed what"),
            ("data/run.json", "input files"),
        ),
        to_file=_lacking(
            {
                "a journal from before it was changed": int(bool(broken)),
                "the readings left out, or why": dropped.height,
                "the rows held back, put right": held,
                "who amended values and why": unsigned,
                "who read": sets.height - named,
            }
        ),
        meters=tuple(meters),
    )


def _lacking(wanted: dict[str, int]) -> str:
    """Say what is to be filed of what is wanted, nothing where all counts are 0."""
    words = text.listed([words for words, number in wanted.items() if number])
    return f"{words[:1].upper()}{words[1:]}." if words else NO_RECORD
