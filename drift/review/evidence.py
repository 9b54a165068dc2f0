"""This module gathers the studies that an evidence pack holds besides a review."""

import dataclasses
import math
from dataclasses import dataclass

import polars as pl

from drift.forecast.fit import Fit
from drift.forecast.proof import Proof, prove
from drift.limits.runs.detectability import Detectability, detectability
from drift.limits.runs.monitors import Watch
from drift.review.forecasts import forecast_settings, jumps_known
from drift.review.policy import Policy
from drift.review.results import Review


def study_detectability(policy: Policy) -> Detectability:
    """Compute what the charts of a fleet under `policy` can and cannot see."""
    return detectability(
        Watch(
            sigma_pct=policy.sound_sigma_pct,
            interval_days=policy.interval_days,
            tolerance_pct=policy.tolerance_pct,
            meters=policy.fleet_meters,
            points_per_meter=len(policy.points_pct),
            baseline_visits=policy.baseline_visits,
            rules=policy.rules,
            limit_sigmas=policy.limit_sigmas,
            ewma_weight=policy.ewma_weight,
            ewma_limit_sigmas=policy.limit_sigmas,
            cusum_reference_sigmas=policy.cusum_reference_sigmas,
            cusum_decision_sigmas=policy.cusum_decision_sigmas,
        )
    )


def study_proof(ledger: pl.DataFrame, policy: Policy, *, fit: Fit | None = None) -> Proof:
    """Judge the forecaster on the history in `ledger`, flagging where `policy` would have."""
    return prove(
        ledger,
        settings=forecast_settings(policy, band_level=0.9),
        flag_at=(1 - policy.intervals.target, policy.drifting_probability),
        fit=fit,
    )


def proof_records(proof: Proof) -> dict[str, object]:
    """Return a proof as plain lists, dicts and numbers for JSON; what is not known is None."""
    record: dict[str, object] = {
        "series": proof.series,
        "forecasts": proof.forecasts,
        "failures": proof.failures,
        "band_level": proof.band_level,
        "coverage": _known(proof.coverage),
        "coverage_low": _known(proof.coverage_low),
        "coverage_high": _known(proof.coverage_high),
        "scores": proof.scores.fill_nan(None).to_dicts(),
        "reliability": proof.reliability.fill_nan(None).to_dicts(),
        "flags": [
            {name: _known(value) for name, value in dataclasses.asdict(flag).items()}
            for flag in proof.flags
        ],
    }
    return record


def _known(value: float) -> float | None:
    """Return a finite number, None for all else."""
    return value if math.isfinite(value) else None


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
