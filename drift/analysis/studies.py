"""This module studies the method under a policy, apart from any one review; it reads no files."""

import dataclasses
import math

import polars as pl

from drift.frames import DAYS_PER_YEAR
from drift.policy import Policy
from drift.stats.detectability import Detectability, detectability
from drift.stats.forecast import Settings
from drift.stats.forecast.hyper import Fit
from drift.stats.forecast.proof import Proof, prove
from drift.stats.monitors import Watch


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


def forecast_settings(policy: Policy, *, band_level: float, days: tuple[int, ...] = ()) -> Settings:
    """Return the forecaster's settings under `policy`, for forecasts so many days ahead."""
    return Settings(
        tolerance=policy.tolerance_pct,
        comparison=policy.comparison,
        resolution=policy.resolution_pct,
        band_level=band_level,
        crossing_level=policy.band_level,
        horizon_years=policy.horizon_days / DAYS_PER_YEAR,
        horizons_days=days,
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
