"""This module gathers the evidence pack."""

from collections import Counter
from dataclasses import dataclass

from drift import format as text
from drift.forecast.proof import Proof
from drift.report.figures.findings import foreseen, notice
from drift.report.figures.rows import figure_rows
from drift.report.figures.studies import band_rows, drift_rows
from drift.report.pages import rows
from drift.report.pages.parts import Part, Stamp, file_name
from drift.review.clauses.answers import answer_clauses
from drift.review.clauses.clause import (
    CLAUSE_CONTRADICTED,
    ISO,
    LONGEST_NAME,
    MOST_NAMED,
    STATES,
    Clause,
)
from drift.review.evidence import Evidence
from drift.review.results import Review
from drift.review.validations import VALIDATIONS, Validation

_PARTS = (
    ("equipment", "ISO/IEC 17025: people, place, equipment and traceability"),
    ("results", "ISO/IEC 17025: records, results and management"),
    ("practice", "AASHTO R 18: the quality-system practice"),
)
# Amended values that the page shows.
_LONGEST_LIST = 200


@dataclass(frozen=True, slots=True)
class ShownMethod:
    """A figure of a study of the method, by its name and the JSON text of its rows."""

    name: str
    title: str
    figure: str
    rows: str
    label: str
    shows: str
    conclude: str


@dataclass(frozen=True, slots=True)
class Amendment:
    """One amended value, with the file and line of both."""

    table_name: str
    row_key: str
    column: str
    old_value: str
    old_place: str
    new_value: str
    new_place: str


@dataclass(frozen=True, slots=True)
class EvidencePage:
    """The evidence pack; counts has the number of clauses in each state, headline the finding."""

    stamp: Stamp
    headline: str
    counts: tuple[tuple[str, int], ...]
    parts: tuple[Part, ...]
    studies: tuple[ShownMethod, ...]
    notes: tuple[str, ...]
    amendments: tuple[Amendment, ...]
    amendments_total: int
    validations: tuple[Validation, ...]


def evidence_page(review: Review, evidence: Evidence) -> EvidencePage:
    """Return everything that the evidence pack says.

    Parameters
    ----------
    review : Review
        What was found.
    evidence : Evidence
        From `drift.review.evidence.gather_evidence`.
    """
    clauses = answer_clauses(review)
    read = set(review.meters["meter_id"])
    parts = tuple(
        _part(anchor, title, tuple(one for one in clauses if _belongs(one, anchor)), read)
        for anchor, title in _PARTS
    )
    tally = Counter(one.state for one in clauses)
    proof = evidence.proof
    studies = [_detectability(review, evidence)]
    if proof is not None and proof.forecasts:
        studies.append(_reliability(proof))
    return EvidencePage(
        stamp=rows.stamp(review),
        headline=_headline(clauses),
        counts=tuple((state, tally[state]) for state in STATES),
        parts=parts,
        studies=tuple(studies),
        amendments=tuple(
            Amendment(
                table_name=row["table_name"],
                row_key=row["row_key"],
                column=row["column"],
                old_value=row["old_value"] or "empty",
                old_place=f"{row['old_file']}:{row['old_line']}",
                new_value=row["new_value"] or "empty",
                new_place=f"{row['new_file']}:{row['new_line']}",
            )
            for row in review.sources.amendments.head(_LONGEST_LIST).iter_rows(named=True)
        ),
        amendments_total=review.sources.amendments.height,
        notes=evidence.detectability.notes,
        validations=VALIDATIONS,
    )


def _belongs(clause: Clause, anchor: str) -> bool:
    """Say whether a clause stands in a part of the page."""
    if clause.standard != ISO:
        return anchor == "practice"
    return anchor == ("equipment" if clause.clause.startswith("6.") else "results")


def _part(anchor: str, title: str, clauses: tuple[Clause, ...], read: set[str]) -> Part:
    """Return one part of the page; only meters that were read have a dossier."""
    return Part(
        anchor=anchor,
        title=title,
        clauses=clauses,
        dossiers=tuple(
            tuple(
                (f"meters/{file_name(name)}", text.shortened(name, longest=LONGEST_NAME))
                for name in [name for name in one.meters if name in read][:MOST_NAMED]
            )
            for one in clauses
        ),
    )


def _headline(clauses: tuple[Clause, ...]) -> str:
    """Say what an assessor would find first."""
    against = [one.clause for one in clauses if one.state == CLAUSE_CONTRADICTED]
    if not against:
        return "These records contradict no clause."
    verb = "is" if len(against) == 1 else "are"
    return (
        f"{text.count(len(against), 'clause')} {verb} contradicted by the records: "
        f"{text.listed(against)}."
    )


def _detectability(review: Review, evidence: Evidence) -> ShownMethod:
    """Return the figure of what the charts can see."""
    drifts, tolerance = evidence.detectability.drifts, review.policy.tolerance_pct
    worst = drifts.filter(drifts["monitor"] != "tolerance_check")["mean_bias_pct"].max()
    least = worst if isinstance(worst, float) else None
    found = notice(evidence.detectability, charts=review.policy.charts)
    within = least is not None and least < tolerance
    conclude = (
        f"On average the charts speak before a steady drift has used up the tolerance: at "
        f"{text.bias_with_unit(least)} at most."
        if within
        else "Some drifts pass the tolerance, on average, before a chart speaks."
    )
    return ShownMethod(
        name="detectability",
        title="What the charts can see",
        figure="noticed_drifts",
        rows=figure_rows("noticed_drifts", drift_rows(drifts, tolerance_pct=tolerance)),
        label=f"Mean bias at which each chart notices a steady drift. {conclude}",
        shows=(
            "For the limits of single visits, the rules in force, the EWMA and the CUSUM (whether "
            "these are drawn or not) and the plain check against the tolerance: how far a steady "
            "drift has taken a meter, on average, by the time it is noticed. The level line is the "
            "tolerance. Computed for the settings of the policy in force."
        ),
        conclude=f"{' '.join(found)} {conclude}",
    )


def _reliability(proof: Proof) -> ShownMethod:
    """Return the figure of how past forecasts came out."""
    conclude = (
        f"{foreseen(proof)} "
        f"{text.share(proof.band_level)} bands of the mean that a visit finds held "
        f"{text.probability(proof.coverage)} of {text.count(proof.forecasts, 'such mean')} "
        f"({text.probability(proof.coverage_low)} to {text.probability(proof.coverage_high)}); "
        f"{text.whole(proof.failures)} of them lay outside the tolerance."
    )
    return ShownMethod(
        name="forecast-proof",
        title="Proof of the forecasts",
        figure="borne_out",
        rows=figure_rows("borne_out", band_rows(proof.reliability)),
        label=f"Share of forecasts that came true against what was forecast. {conclude}",
        shows=(
            "What each past visit found, at each point, was forecast from the visits before it. "
            "Forecasts are put in bands by their probability; each dot is a band, with the "
            "interval of the share that came true, hollow where it holds fewer than 10; on the "
            "line they come true as often as they say. The 95 % intervals take the points of a "
            "visit as independent, which they are not quite: they are rather too short. What the "
            "fleet has in common was fitted once to the whole history; drift proof fits it year by "
            "year, which is the stricter test."
        ),
        conclude=conclude,
    )
