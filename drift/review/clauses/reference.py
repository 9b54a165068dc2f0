"""This module answers what is asked of reference values and of the chain behind them."""

import polars as pl

from drift import format as text
from drift.reference.check_meters.verdicts import FLEET, NOBODY
from drift.reference.pairs import UNKNOWN
from drift.reference.vessel_history import TOO_SMALL
from drift.review.clauses.clause import (
    CLAUSE_CONTRADICTED,
    ISO,
    NO_RECORD,
    NOT_SHOWN,
    OF_AIR,
    OUTSIDE,
    PARTLY,
    Clause,
    by_count,
    few,
    of,
)
from drift.review.clauses.facts import LaboratoryFacts, disagreement, normalised, span

# A shift of a tenth of the tolerance is spoken of (common practice, no source).
MATTERS = 0.1
_OF_VESSELS = ("vessel", "vessel_change", "vessel_step")


def reference_clauses(facts: LaboratoryFacts) -> tuple[Clause, ...]:
    """Return the answers of this family."""
    return reference_values(facts), chain(facts)


def shifts(facts: LaboratoryFacts) -> pl.DataFrame:
    """Return the shifts within one calibration that are more than chance and matter.

    Those of which check meters say that the meters moved are none of the vessel's.
    """
    verdicts = facts.review.reference.witnesses.verdicts
    cleared = verdicts.filter(pl.col("verdict") == FLEET)
    policy = facts.review.policy
    return (
        facts.review.reference.effects.filter(
            pl.col("kind") == "vessel_step",
            pl.col("q") <= policy.false_discovery_rate,
            pl.col("effect_pct").abs() >= MATTERS * policy.tolerance_pct,
        )
        .join(cleared, on=["kind", "name", "from_on"], how="anti")
        .sort("effect_pct")
    )


def witnessed(facts: LaboratoryFacts) -> list[str]:
    """Say what check meters make of the newest shift, and whether they hold."""
    found = facts.review.reference.witnesses
    told = found.held["sentence"].head(2).to_list()
    newest = found.verdicts.filter(pl.col("why") != NOBODY).sort("to_on").tail(1)
    return told + [f"{row['name']}: {row['sentence']}" for row in newest.iter_rows(named=True)]


def bowls_unknown(facts: LaboratoryFacts) -> tuple[int, int]:
    """Return how many meters' bowls are not on record, of how many read with a vessel in force."""
    pairs = facts.review.reference.pairs
    unknown = pairs.filter(pl.col("bowl") == UNKNOWN)
    return unknown["meter_id"].n_unique(), pairs["meter_id"].n_unique()


def bowls_told(facts: LaboratoryFacts) -> list[str]:
    """Say what bowls that are not on record leave open."""
    unknown, used = bowls_unknown(facts)
    if not unknown:
        return []
    spread = facts.review.reference.spread
    told = (
        f"The bowls of {of(unknown, used)} meters are not on record: at 10{text.NO_BREAK}% air "
        f"their correct content may be off by ±{text.spread(10 * spread.half_share)}{OF_AIR} "
        f"(from {spread.basis}). Nothing says that it is off."
    )
    return [told]


def can_be_judged(facts: LaboratoryFacts) -> bool:
    """Say whether the fleet's readings can compare its vessels at all."""
    effects = facts.review.reference.effects
    return effects.filter(pl.col("kind").is_in(_OF_VESSELS))["effect_pct"].count() > 0


def reference_values(facts: LaboratoryFacts) -> Clause:
    """Answer whether the reference values in use are the current and the right ones."""
    review = facts.review
    vessels, wrong, moved = review.reference.vessels, review.reference.checks, shifts(facts)
    span_read = review.sources.sessions.filter(pl.col("correct_air_pct") > 0)
    traced = review.reference.compared.filter(pl.col("calibrated_on").is_not_null()).height
    judged = can_be_judged(facts)
    answer = [
        f"{text.count(vessels['vessel_id'].n_unique(), 'vessel')} with "
        f"{text.count(vessels.height, 'calibration')} on record ({span(vessels['calibrated_on'])})."
        if vessels.height
        else "No calibration of a vessel is on record.",
        (
            f"{of(traced, span_read.height)} sets of readings above 0 % name a vessel with a "
            f"calibration; {text.whole(wrong.height)} state another air content than "
            "their vessel's."
        ),
        *(disagreement(row) for row in facts.disagreeing[:1]),
        *(
            f"A shift within one calibration: {row['name']}, "
            f"{text.bias_with_unit(row['effect_pct'])}."
            for row in moved.head(1).to_dicts()
        ),
        *witnessed(facts),
        *bowls_told(facts),
        f"{text.count(review.sources.marks.height, 'record')} of the initial pressure mark.",
    ]
    if not judged:
        answer.append(
            "The reference cannot be judged from these readings: read five meters with a second "
            "vessel, by a second operator."
        )
    state, decided = _reference_state(facts, traced=traced, span_read=span_read.height)
    return Clause(
        ISO,
        "6.4.11",
        checked=False,
        asked="Reference values and correction factors are kept up to date and used.",
        state=state,
        decided_by=decided,
        answer=tuple(answer),
        proof=(
            ("data/vessel_agreement.csv", "calibrations against each other and the meters"),
            ("data/vessel_checks.csv", "readings with another value"),
            ("data/vessel_bowls.csv", "what vessels stand for on each bowl"),
            ("data/reference.csv", "what meters share"),
            ("data/reference_verdicts.csv", "what check meters make of it"),
        ),
        to_file=_reference_file(facts, wrong=wrong, traced=traced == span_read.height),
        meters=tuple(wrong["meter_id"].unique(maintain_order=True).to_list()),
    )


def _reference_state(facts: LaboratoryFacts, *, traced: int, span_read: int) -> tuple[str, str]:
    """Return the state of the reference values and the number that decides it."""
    reference, moved = facts.review.reference, shifts(facts)
    if reference.checks.height:
        return (
            CLAUSE_CONTRADICTED,
            f"{text.count(reference.checks.height, 'set')} with another value",
        )
    if facts.disagreeing:
        row = facts.disagreeing[0]
        return CLAUSE_CONTRADICTED, f"E_n {normalised(row)} of {row['vessel_id']}; 1 is allowed"
    if moved.height:
        size = text.bias_with_unit(moved["effect_pct"][0])
        return CLAUSE_CONTRADICTED, f"a shift of {size} within one calibration"
    told = f"{of(traced, span_read)} sets traced to a calibration"
    unknown, used = bowls_unknown(facts)
    if unknown:
        told += f", bowls of {of(used - unknown, used)} meters known"
    complete = can_be_judged(facts) and not unknown
    return by_count(traced, max(span_read, 1), complete=complete), told


def _reference_file(facts: LaboratoryFacts, *, wrong: pl.DataFrame, traced: bool) -> str:
    """Say what closes the clause on reference values."""
    if wrong.height:
        return "The right air content of those readings, as an amendment."
    if facts.disagreeing:
        row = facts.disagreeing[0]
        pair = dict.fromkeys((str(row["vessel_id"]), str(row["other_vessel_id"])))
        return f"A new calibration of {few(list(pair))}, or a larger uncertainty."
    if shifts(facts).height:
        return "A new calibration of the vessel."
    if not traced:
        return "The vessel of every reading, and each vessel's calibration."
    if bowls_unknown(facts)[0]:
        return "The mass of water that fills each meter's bowl."
    return NO_RECORD if can_be_judged(facts) else "Five meters read with a second vessel."


def chain(facts: LaboratoryFacts) -> Clause:
    """Answer how far the chain of the reference goes in these records."""
    table = facts.review.sources.vessels
    doubted, late = uncertainties_doubted(facts), vessels_late(facts)
    sure = table.filter(pl.col("u_air_pct") > 0).height
    if facts.disagreeing or doubted or late:
        state = CLAUSE_CONTRADICTED
    elif table.is_empty():
        state = OUTSIDE
    else:
        state = PARTLY if sure else NOT_SHOWN
    told = f"{of(sure, table.height)} vessel calibrations state an uncertainty"
    reasons = [
        *(f"E_n {normalised(row)}; 1 is allowed" for row in facts.disagreeing[:1]),
        *doubted[:1],
        *late[:1],
    ]
    return Clause(
        ISO,
        "6.5",
        checked=False,
        asked="An unbroken chain, each link with its uncertainty, leads to national standards.",
        state=state,
        decided_by=(reasons or [told])[0],
        answer=(
            f"{told}.",
            *(
                f"Stated uncertainties are contradicted. {disagreement(row)}"
                for row in facts.disagreeing[:1]
            ),
            *(f"{one[0].upper()}{one[1:]}." for one in (*doubted[:1], *late[:1])),
            _behind(facts),
        ),
        proof=(
            ("data/vessel_history.csv", "each vessel from calibration to calibration"),
            ("data/vessel_belief.csv", "whether stated uncertainties can be meant"),
            ("data/vessel_agreement.csv", "calibrations against each other and the meters"),
            ("data/uncertainty.csv", "uncertainty budgets"),
        ),
        to_file="Certificates of balance and masses"
        + (
            ", and the cause of the disagreement."
            if facts.disagreeing or doubted
            else ", and a new calibration of the vessel."
            if late
            else "."
            if sure and sure == table.height
            else ", and an uncertainty for every calibration."
        ),
    )


def _behind(facts: LaboratoryFacts) -> str:
    """Say what the register holds of what the vessels were weighed with."""
    table = facts.review.sources.equipment
    balances = table.filter(pl.col("kind") == "balance")
    if balances.is_empty():
        return "Certificates of the balance and the masses behind them are not in these tables."
    named = int(balances["certificate"].count())
    wrong = facts.faults.filter(pl.col("meter_id").is_null()).height
    return (
        f"{text.count(balances['equipment_id'].n_unique(), 'balance')} on record; "
        f"{of(named, balances.height)} calibrations of balances name a certificate"
        + (f"; {text.count(wrong, 'vessel')} weighed with one not in order" if wrong else "")
        + ". The masses behind them are not in these tables."
    )


def uncertainties_doubted(facts: LaboratoryFacts) -> list[str]:
    """Say of which vessels the values scatter farther than their uncertainties allow."""
    belief = facts.review.reference.belief
    doubted = belief.filter((pl.col("belief") == TOO_SMALL) & pl.col("vessel_id").is_not_null())
    return [
        f"vessel {few([row['vessel_id']])} scatters {text.plain(round(row['birge_ratio'], 1))} "
        "times as far as its uncertainties say"
        for row in doubted.iter_rows(named=True)
    ]


def vessels_late(facts: LaboratoryFacts) -> list[str]:
    """Say which vessels were used after the day on which their records call them due."""
    sessions = facts.review.sources.sessions
    used = sessions.group_by("vessel_id").agg(last_used=pl.col("performed_on").max())
    late = facts.review.reference.belief.join(used, on="vessel_id").filter(
        pl.col("last_used") > pl.col("due_on")
    )
    return [
        f"vessel {few([row['vessel_id']])} was due on {text.day(row['due_on'])} and used until "
        f"{text.day(row['last_used'])}"
        for row in late.iter_rows(named=True)
    ]
