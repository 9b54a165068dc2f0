"""This module studies the method under a policy, apart from any one review; it reads no files."""

from drift.policy import Policy
from drift.stats.detectability import Detectability, as_records, detectability
from drift.stats.monitors import Watch

__all__ = ["Detectability", "as_records", "study_detectability"]


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
