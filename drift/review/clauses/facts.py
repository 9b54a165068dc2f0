"""This module gathers what several clauses rest on, once for a review."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift import format as text
from drift.reference.normalised_error import CONTRADICTED
from drift.review.clauses.outcomes import FailedVisit, failures, in_use, visit_outcomes
from drift.review.register import register_of
from drift.review.register_faults import register_faults
from drift.review.results import Review
from drift.store.tables import rows_then


@dataclass(frozen=True, slots=True)
class LaboratoryFacts:
    """What a review's records say, as far as several clauses need it.

    Attributes
    ----------
    review : Review
        What was found.
    visits : pl.DataFrame
        Of `drift.review.clauses.outcomes.visit_outcomes`.
    failures : list of Failure
        Every visit that failed and what became of it.
    in_use : list of str
        Meters in use, read or not.
    rows, held : int
        Rows of the input on the review's date, and those of them that are not used.
    disagreeing : list of dict
        Rows of `drift.reference.normalised_error.AGREEMENT` in which E_n is above 1, the largest
        first.
    faults : pl.DataFrame
        Frame of `drift.review.register_faults.REGISTER_FAULTS`.
    register : pl.DataFrame
        Frame of `drift.review.register.REGISTER`.
    """

    review: Review
    visits: pl.DataFrame
    failures: list[FailedVisit]
    in_use: list[str]
    rows: int
    held: int
    disagreeing: list[dict[str, object]]
    faults: pl.DataFrame
    register: pl.DataFrame


def gather_laboratory_facts(review: Review) -> LaboratoryFacts:
    """Return what the clauses rest on."""
    visits = visit_outcomes(review)
    rows, held = rows_then(review.sources)
    against = review.reference.agreement.filter(pl.col("verdict") == CONTRADICTED)
    return LaboratoryFacts(
        review=review,
        visits=visits,
        failures=failures(review, visits),
        in_use=in_use(review),
        rows=rows,
        held=held,
        disagreeing=against.sort("en", descending=True).to_dicts(),
        faults=register_faults(review),
        register=register_of(review),
    )


def span(days: pl.Series) -> str:
    """Return the first and the last of some dates in words."""
    first, last = days.min(), days.max()
    if not isinstance(first, date) or not isinstance(last, date):
        return "no dates"
    return text.day(first) if first == last else f"{text.day(first)} to {text.day(last)}"


def disagreement(row: dict[str, object]) -> str:
    """Say in one sentence how two calibrations disagree, with E_n."""
    later = f"{row['vessel_id']} calibrated {text.day(row['calibrated_on'])}"  # type: ignore[arg-type]
    earlier = f"{row['other_vessel_id']} calibrated {text.day(row['other_calibrated_on'])}"  # type: ignore[arg-type]
    size = text.bias_with_unit(row["difference_pct"])  # type: ignore[arg-type]
    allowed = text.spread(row["expanded_u_pct"])  # type: ignore[arg-type]
    did = (
        f"After the change from {earlier} to {later}, meters read {size} off what the two values "
        "predict"
        if row["kind"] == "seen_by_meters"
        else f"{later} differs by {size} from {earlier}"
    )
    alone = text.fixed(row["en_stated"], places=1)  # type: ignore[arg-type]
    return (
        f"{did}. The uncertainties explain ±{allowed} at most (E_n {normalised(row)}; {alone} by "
        "the uncertainties stated for the vessels alone)."
    )


def normalised(row: dict[str, object]) -> str:
    """Return E_n to one decimal, to two where one would show the limit itself."""
    en = float(row["en"])  # type: ignore[arg-type]
    return text.fixed(en, places=1 if abs(en - 1) > 0.05 else 2)
