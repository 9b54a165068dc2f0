"""This module puts the answers to all clauses in their order."""

import polars as pl

from drift.review.clauses.clause import CLAUSE_EVIDENCE, Clause
from drift.review.clauses.facts import gather_laboratory_facts
from drift.review.clauses.monitoring import monitoring_clauses
from drift.review.clauses.nonconforming import nonconforming_clauses
from drift.review.clauses.programme import practice_intervals, programme_clauses
from drift.review.clauses.records import practice_record, record_clauses
from drift.review.clauses.reference import reference_clauses
from drift.review.clauses.service import service_clauses
from drift.review.clauses.system import equipment_care, system_clauses
from drift.review.clauses.uncertainty import uncertainty_clauses
from drift.review.results import Review


def answer_clauses(review: Review) -> tuple[Clause, ...]:
    """Return the answer to every clause: of ISO/IEC 17025 by number, then of the practice."""
    facts = gather_laboratory_facts(review)
    numbered = (
        *record_clauses(facts),
        *equipment_care(facts),
        *service_clauses(facts),
        *programme_clauses(facts),
        *reference_clauses(facts),
        *uncertainty_clauses(facts),
        *monitoring_clauses(facts),
        *nonconforming_clauses(facts),
        *system_clauses(facts),
    )
    in_order = sorted(numbered, key=lambda one: [int(part) for part in one.clause.split(".")])
    return (*in_order, practice_record(facts), practice_intervals(facts))


def evidence_frame(clauses: tuple[Clause, ...]) -> pl.DataFrame:
    """Return clauses as a frame of `CLAUSE_EVIDENCE`, in their order."""
    rows = [
        {
            "standard": one.standard,
            "clause": one.clause,
            "asked": one.asked,
            "state": one.state,
            "decided_by": one.decided_by,
            "answer": " ".join(one.answer),
            "proof": one.proof[0][0]
            if one.proof[0][0][0] != "#"
            else f"evidence.html{one.proof[0][0]}",
            "to_file": one.to_file,
        }
        for one in clauses
    ]
    return pl.DataFrame(rows, schema=CLAUSE_EVIDENCE)
