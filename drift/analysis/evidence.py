"""This module works out what an evidence pack needs besides a review; it words nothing."""

from dataclasses import dataclass

from drift.analysis.analyse import jumps_known
from drift.analysis.studies import study_detectability, study_proof
from drift.results import Review
from drift.stats.detectability import Detectability
from drift.stats.forecast.proof import Proof


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the methods of a review can do.

    Attributes
    ----------
    detectability : Detectability
        What the charts of its policy can and cannot see.
    proof : Proof or None
        How the forecaster did on its history with the fleet's own fit; None where none was made.
    """

    detectability: Detectability
    proof: Proof | None


def gather_evidence(review: Review) -> Evidence:
    """Study the charts and the forecaster of a review.

    Notes
    -----
    Each past visit is forecast from the visits before it, but with the hyper-parameters that the
    whole history gives: a fit for every year would take longer than the review.  `drift proof`
    makes those.
    """
    proof = None
    if review.fit is not None:
        ledger = jumps_known(review.ledger, review.sources)
        proof = study_proof(ledger, review.policy, fit=review.fit)
    return Evidence(detectability=study_detectability(review.policy), proof=proof)
