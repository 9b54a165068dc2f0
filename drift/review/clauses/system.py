"""This module answers what is asked of the management around the meters: mostly kept elsewhere."""

import polars as pl

from drift import format as text
from drift.frames import IN_USE
from drift.review.clauses.clause import (
    CLAUSE_CONTRADICTED,
    ISO,
    NO_RECORD,
    NOT_SHOWN,
    OUTSIDE,
    PARTLY,
    SHOWN,
    Clause,
    few,
    of,
)
from drift.review.clauses.facts import LaboratoryFacts
from drift.review.validations import VALIDATIONS
from drift.store.tables import unused_files
from drift.version import __version__


def equipment_care(facts: LaboratoryFacts) -> tuple[Clause, ...]:
    """Return the answers on handling and on labels."""
    return handling(facts), labelled(facts)


def handling(facts: LaboratoryFacts) -> Clause:
    """Answer how meters are handled, as far as service records tell."""
    service = facts.review.sources.service
    damaged = service.filter(pl.col("action") == "dropped")
    names = damaged["meter_id"].unique(maintain_order=True).to_list()
    return Clause(
        ISO,
        "6.4.3",
        checked=True,
        asked="Handling, transport, storage, use and planned maintenance follow a procedure.",
        state=PARTLY if service.height else OUTSIDE,
        decided_by=f"{text.count(service.height, 'record')} of service and damage",
        answer=(
            f"{text.count(service.height, 'record')} of service and damage, "
            f"{text.whole(damaged.height)} of a meter dropped"
            + (f" ({few(names)})." if names else "."),
            "The procedure and the plan of maintenance are not in these tables.",
        ),
        proof=(("data/visits.csv", "column events"),),
        to_file="The procedure for handling and the plan of maintenance.",
        meters=tuple(names),
    )


def labelled(facts: LaboratoryFacts) -> Clause:
    """Answer whether a user could see that a meter's calibration had run out."""
    review = facts.review
    due = review.meters.filter("overdue").select("meter_id", "next_due_on")
    late = review.sources.field_tests.join(due, on="meter_id").filter(
        pl.col("tested_on") > pl.col("next_due_on")
    )
    names = late["meter_id"].unique(maintain_order=True).to_list()
    # What a label says: the day of the calibration, by whom, and when the next is due.
    in_use = facts.register.filter(pl.col("status").is_in(IN_USE))
    filled = in_use.drop_nulls(["calibrated_on", "calibrated_by", "next_due_on"]).height
    complete = 0 < filled == in_use.height
    return Clause(
        ISO,
        "6.4.8",
        checked=False,
        asked="A label or code shows the user the status and validity of the calibration.",
        state=CLAUSE_CONTRADICTED if names else PARTLY if complete else OUTSIDE,
        decided_by=f"{text.count(late.height, 'field test')} made past the due date"
        if names
        else f"{of(filled, in_use.height)} labels can be filled in",
        answer=(
            f"Used past the due date in spite of any label: {few(names)}."
            if names
            else "No field test on record was made past the due date of a meter overdue now.",
            f"For {of(filled, in_use.height)} meters in use the records say what a label tells.",
            "Whether labels are on the meters is not in these tables.",
        ),
        proof=(
            ("labels.html", "labels to print"),
            ("data/register.csv", "what each meter stands on"),
            ("data/meters.csv", "due dates"),
        ),
        to_file="How meters are labelled; a release for each use past the due date.",
        meters=tuple(names),
    )


def system_clauses(facts: LaboratoryFacts) -> tuple[Clause, ...]:
    """Return the answers on software and on management, in the order of their numbers."""
    return (
        software(facts),
        safeguarded(facts),
        transfers(facts),
        kept(facts),
        risks(facts),
        management_review(facts),
    )


def software(facts: LaboratoryFacts) -> Clause:
    """Answer how the program itself is validated."""
    tally = {name: sum(row.status == name for row in VALIDATIONS) for name in ("read", "memory")}
    since = facts.review.since
    changed = None if since is None else since.rows.filter(pl.col("name") == "version")
    versions = [] if changed is None else changed.select("before", "now").rows()
    return Clause(
        ISO,
        "7.11.2",
        checked=False,
        asked="Software is validated before use, and changes to it are authorised.",
        state=NOT_SHOWN if versions else OUTSIDE,
        decided_by=(
            f"version {versions[0][1]} after {versions[0][0]}, 0 releases on record"
            if versions
            else "0 releases for use by the laboratory in these tables"
        ),
        answer=(
            (
                f"drift {__version__}; the tests that ship with it check "
                f"{text.count(len(VALIDATIONS), 'part')} that a review runs against sources: "
                f"{tally['read']} read, {tally['memory']} from memory and recomputed, "
                f"{len(VALIDATIONS) - sum(tally.values())} derived apart."
            ),
            (
                "That they were run where the program is used, and who released it, is not in "
                "these tables."
            ),
        ),
        proof=(("#validation", "what is checked against what"), ("data/run.json", "this run")),
        to_file="A run of the tests at the laboratory, and the release of this version.",
    )


def safeguarded(facts: LaboratoryFacts) -> Clause:
    """Answer whether records are safe from changes that nobody answers for."""
    journal, broken = facts.review.sources.journal, facts.review.sources.journal_broken
    entries = text.count(journal.height, "entry", "entries")
    return Clause(
        ISO,
        "7.11.3",
        checked=False,
        asked="Data are safe from unauthorised access, tampering and loss, and stay whole.",
        state=CLAUSE_CONTRADICTED if broken else PARTLY if journal.height else OUTSIDE,
        decided_by=(
            f"the journal broken: {broken}"
            if broken
            else f"{entries} of the journal, its chain whole"
            if journal.height
            else "no journal is kept"
        ),
        answer=(
            f"The journal is not as it was written: {broken}."
            if broken
            else f"The journal's chain of {entries} is whole: none was changed, removed or put in "
            "between."
            if journal.height
            else "Who changed records is not on record: no journal is kept.",
            "Who may reach the records, and their back-up, are not in these tables.",
        ),
        proof=(("journal.html", "who changed what"), ("data/run.json", "input files")),
        to_file=(
            "The records from before that was changed; and who may reach them, and their back-up."
            if broken
            else "Who may reach the records, and their back-up"
            + ("." if journal.height else "; a store, which keeps a journal.")
        ),
    )


def transfers(facts: LaboratoryFacts) -> Clause:
    """Answer whether calculations and transfers of data come out."""
    sources = facts.review.sources
    files = sources.files
    lost = files.filter(
        pl.col("rows") != pl.col("taken") + pl.col("held_back") + pl.col("known")
    ).height
    total = facts.rows
    wrong = facts.review.reference.vessels.filter("usable").filter(pl.col("problem") != "").height
    stated = sources.vessels.filter(
        pl.all_horizontal(pl.col("air_pct", "water_mass_g", "bowl_water_mass_g").is_not_null())
    ).height
    checks, tested = facts.review.reference.checks.height, facts.review.reference.compared.height
    held = facts.held
    refuted = bool(lost or wrong or checks)
    return Clause(
        ISO,
        "7.11.6",
        checked=False,
        asked="Calculations and transfers of data are checked.",
        state=(
            CLAUSE_CONTRADICTED if refuted else OUTSIDE if not tested else PARTLY if held else SHOWN
        ),
        decided_by=f"{of(tested - checks, tested)} air contents agree with their vessel's masses",
        answer=(
            f"{of(total - held, total)} rows are in use or known already, the rest held back with "
            "a reason; the rows of every file add up."
            if not lost
            else f"{text.count(lost, 'file')} whose rows do not add up.",
            (
                f"{of(tested - checks, tested)} sets of readings state the air content that their "
                f"vessel stands for; {of(stated - wrong, stated)} stated values of "
                "vessels agree with "
                "their masses."
            ),
        ),
        proof=(
            ("data/vessel_checks.csv", "readings with another value"),
            ("data/held_back.csv", "rows held back"),
        ),
        to_file=(
            "The right values, as amendments."
            if refuted
            else "Vessels with their masses, named on readings."
            if not tested
            else "The rows held back, put right."
            if held
            else NO_RECORD
        ),
    )


def kept(facts: LaboratoryFacts) -> Clause:
    """Answer how records are controlled, as far as the program knows."""
    sources = facts.review.sources
    unused = unused_files(sources)
    return Clause(
        ISO,
        "8.4",
        checked=True,
        asked="Records are legible, stored, backed up, retrievable and kept as long as required.",
        state=NOT_SHOWN if unused else OUTSIDE,
        decided_by=(
            f"{of(sources.files.height - len(unused), sources.files.height)} files could be used"
        ),
        answer=(
            (
                "This review can be made again from "
                f"{text.count(sources.files.height, 'file')} named by "
                "their SHA-256, byte for byte."
            ),
            *(f"{name} could not be used: {why}." for name, why in unused[:1]),
            "Storage, back-up, retention and disposal are not in these tables.",
        ),
        proof=(("data/run.json", "input files"),),
        to_file="Where records are stored, backed up and how long they are kept"
        + ("; the files that could not be used." if unused else "."),
    )


def risks(facts: LaboratoryFacts) -> Clause:
    """Answer whether risks of the checks are known."""
    known = facts.review.conformity.risks.drop_nulls("false_accept")
    points = facts.review.conformity.risks.height
    return Clause(
        ISO,
        "8.5",
        checked=False,
        asked="Risks and opportunities of the activities are considered and acted on.",
        state=PARTLY if known.height else OUTSIDE,
        decided_by=f"the risk of a wrong pass known at {of(known.height, points)} points",
        answer=(
            (
                "What checking this fleet risks is worked out at "
                f"{of(known.height, points)} verification points."
            ),
            "What the laboratory considered and did is not in these tables.",
        ),
        proof=(("data/risks.csv", "risks of the fleet"), ("data/intervals.csv", "intervals")),
        to_file="The laboratory's own review of risks.",
    )


def management_review(facts: LaboratoryFacts) -> Clause:
    """Answer whether management has what it reviews."""
    since = facts.review.since
    return Clause(
        ISO,
        "8.9",
        checked=False,
        asked="Management reviews the system at planned times, with its inputs and decisions.",
        state=PARTLY if since else OUTSIDE,
        decided_by=(
            f"compared with the review of {text.day(since.earlier_as_of)}"
            if since
            else "no earlier review was named to compare with"
        ),
        answer=(
            f"Input for it: {since.short}." if since else "This review is an input for it.",
            "Minutes and decisions are not in these tables.",
        ),
        proof=(("index.html", "this review"),),
        to_file="Minutes of the management review.",
    )
