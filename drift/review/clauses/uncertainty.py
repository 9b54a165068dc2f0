"""This module answers what is asked of uncertainty, capability and statements of conformity."""

import polars as pl

from drift import format as text
from drift.conformity.bias_budget import COMBINED, STEP
from drift.conformity.decision_rules import decision_rule
from drift.reference.normalised_error import STATED
from drift.reference.repeatability import ASSUMED
from drift.review.clauses.clause import (
    CLAUSE_CONTRADICTED,
    ISO,
    NO_RECORD,
    NOT_SHOWN,
    OF_AIR,
    OUTSIDE,
    Clause,
    by_count,
    few,
    of,
)
from drift.review.clauses.facts import LaboratoryFacts, disagreement

# Largest share of checks that may pass a meter that is out (ANSI/NCSL Z540.3).
MOST_FALSE_ACCEPTS = 0.02


def uncertainty_clauses(facts: LaboratoryFacts) -> tuple[Clause, ...]:
    """Return the answers of this family."""
    return capable(facts), evaluated(facts), statements(facts)


def _last_expanded(facts: LaboratoryFacts) -> pl.DataFrame:
    """Return the expanded uncertainty of each bias of the last visit of meters in use."""
    return facts.review.conformity.budgets.filter(
        (pl.col("component") == COMBINED)
        & (pl.col("stage") != STEP)
        & pl.col("meter_id").is_in(facts.in_use)
    )


def _how_sure(facts: LaboratoryFacts, told: pl.DataFrame) -> list[str]:
    """Say how large uncertainties are, by which rule biases pass and what that risks."""
    tolerance = facts.review.policy.tolerance_pct
    risks = facts.review.conformity.risks.drop_nulls("false_accept").to_dicts()
    largest = told["expanded_u_pct"].max()
    rule = decision_rule(facts.review.policy.decision_rule)
    return [
        (
            f"The largest expanded uncertainty at the last visits is "
            f"{text.spread(largest if isinstance(largest, float) else None)}{OF_AIR}; with more "
            f"than the tolerance of {text.plain(tolerance)}{OF_AIR} a check could not say in or "
            "out."
        ),
        f"Passing by {text.words_of(rule.name)}. {rule.meaning}",
        "Share of checks expected to pass a meter that is out: "
        + text.listed(
            [
                f"{text.rare(row['false_accept'])} at {text.point(row['point_pct'])} "
                f"({text.rare(row['false_accept_low'])} to {text.rare(row['false_accept_high'])})"
                for row in risks
            ]
        )
        + f"; at most {text.share(MOST_FALSE_ACCEPTS)} is asked for here."
        if risks
        else "The share of checks that pass a meter that is out cannot be said yet.",
    ]


def capable(facts: LaboratoryFacts) -> Clause:
    """Answer whether checks are fine enough to tell a meter within tolerance from one outside."""
    tolerance = facts.review.policy.tolerance_pct
    last = _last_expanded(facts)
    told = last.drop_nulls("expanded_u_pct")
    coarse = told.filter(pl.col("expanded_u_pct") > tolerance)
    meters = last["meter_id"].n_unique()
    good = (
        meters
        - last.filter(pl.col("expanded_u_pct").is_null() | (pl.col("expanded_u_pct") > tolerance))[
            "meter_id"
        ].n_unique()
    )
    risks = facts.review.conformity.risks.drop_nulls("false_accept").to_dicts()
    worst = max((row["false_accept"] for row in risks), default=None)
    answer = _how_sure(facts, told)
    if coarse.height:
        names = coarse["meter_id"].unique(maintain_order=True).to_list()
        answer.append(f"Uncertainty above the tolerance: {few(names)}.")
    small = worst is not None and worst <= MOST_FALSE_ACCEPTS
    return Clause(
        ISO,
        "6.4.5",
        checked=False,
        asked="Equipment is capable of the accuracy or uncertainty that a valid result needs.",
        state=by_count(good, meters, refuted=coarse.height > 0, complete=small),
        decided_by=f"{of(good, meters)} meters with an uncertainty within the tolerance",
        answer=tuple(answer),
        proof=(("data/uncertainty.csv", "budgets, line by line"), ("data/risks.csv", "risks")),
        to_file=(
            "Readings to a finer step, or more of them a point."
            if coarse.height or (worst is not None and not small)
            else NO_RECORD
            if good == meters and meters and small
            else "More checks, with the dial's step and replicates."
        ),
        meters=tuple(coarse["meter_id"].unique(maintain_order=True).to_list()),
    )


def _evaluated(
    facts: LaboratoryFacts, known: pl.DataFrame, *, guessed: int, unvalued: str
) -> list[str]:
    """Say how large uncertainties are, and what of them is contradicted or assumed."""
    verdicts, taken = facts.review.conformity.verdicts, facts.review.policy.vessel_uncertainty
    middle = [
        f"{text.spread(value)}{OF_AIR} at {text.point(point)}"
        for point, value in known.group_by("point_pct")
        .agg(pl.col("expanded_u_pct").median())
        .sort("point_pct")
        .iter_rows()
    ]
    answer = [
        f"{of(known.height, verdicts.height)} biases have an uncertainty.",
        f"Half of the expanded uncertainties are below {text.listed(middle)}."
        if middle
        else "None could be worked out.",
        *(
            "The vessels' part of them is contradicted, and used "
            f"{'as stated' if taken == STATED else 'enlarged until it agrees'}. {disagreement(row)}"
            for row in facts.disagreeing[:1]
        ),
    ]
    if guessed:
        answer.append(
            f"Repeatability is assumed for {text.count(guessed, 'meter')}: no replicates."
        )
    if unvalued:
        answer.append(
            f"The vessel's uncertainty is assumed for {unvalued} sets of readings above 0 %."
        )
    return answer


def evaluated(facts: LaboratoryFacts) -> Clause:
    """Answer whether the uncertainty of the laboratory's own calibrations is evaluated."""
    review = facts.review
    verdicts = review.conformity.verdicts
    known = verdicts.drop_nulls("expanded_u_pct")
    guessed = review.conformity.repeatability.filter(pl.col("basis") == ASSUMED).height
    span_read = review.sources.sessions.filter(pl.col("correct_air_pct") > 0).height
    valued = review.reference.compared.drop_nulls("u_pct").height
    measured = guessed == 0 and valued == span_read
    taken = review.policy.vessel_uncertainty
    unvalued = of(span_read - valued, span_read) if valued < span_read else ""
    answer = _evaluated(facts, known, guessed=guessed, unvalued=unvalued)
    refuted = bool(facts.disagreeing) and taken == STATED
    return Clause(
        ISO,
        "7.6.2",
        checked=False,
        asked="Who calibrates own equipment evaluates the uncertainty of these calibrations.",
        state=by_count(known.height, verdicts.height, refuted=refuted, complete=measured),
        decided_by=(
            "stated uncertainty of a vessel contradicted"
            if refuted
            else f"{of(known.height, verdicts.height)} biases with an uncertainty"
            + ("" if measured else ", in part assumed")
        ),
        answer=tuple(answer),
        proof=(("data/uncertainty.csv", "budgets, line by line"),),
        to_file=(
            "A new calibration of the vessels, or the larger uncertainty by the policy."
            if refuted
            else NO_RECORD
            if measured and known.height == verdicts.height and known.height
            else "Replicates, the dial's step and each vessel's calibration."
        ),
    )


def statements(facts: LaboratoryFacts) -> Clause:
    """Answer how statements of conformity that the laboratory reports are made."""
    tests = facts.review.sources.field_tests
    limited = tests.filter(pl.any_horizontal(pl.col("spec_min_pct", "spec_max_pct").is_not_null()))
    outside = [one for one in facts.failures if one.tests]
    number = sum(one.tests for one in outside)
    answer = [
        (
            f"{of(limited.height, tests.height)} field tests have a specification "
            "that a report may "
            "state conformity with."
        ),
        (
            "The rule of such statements, and its risk, are not in these tables; in-house checks "
            "of meters are answered at 6.4.4 and 6.4.5."
        ),
    ]
    if number:
        answer.append(
            f"{text.count(number, 'field test')} made with a meter known to be outside: "
            f"{few(list(dict.fromkeys(one.meter_id for one in outside)))}."
        )
    return Clause(
        ISO,
        "7.8.6",
        checked=True,
        asked="A reported statement of conformity names its decision rule, with its risk.",
        state=CLAUSE_CONTRADICTED
        if number and limited.height
        else NOT_SHOWN
        if limited.height
        else OUTSIDE,
        decided_by=(
            f"{text.count(limited.height, 'field test')} with a specification, 0 with a rule"
        ),
        answer=tuple(answer),
        proof=(("basis.html#policy", "policy in force"),),
        to_file="The decision rule of reported statements, agreed with the customer.",
        meters=tuple(dict.fromkeys(one.meter_id for one in outside)),
    )
