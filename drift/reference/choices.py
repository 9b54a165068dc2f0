"""This module holds what a laboratory may choose about the reference that its meters share."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class CheckMeterChoices:
    """What a laboratory chose that bears on verdicts by check meters.

    Attributes
    ----------
    false_discovery_rate, tolerance_pct, negligible_drift_pct_per_year : float
        By which a shift counts.
    ewma_weight, limit_sigmas : float
        Of the chart a check meter would be kept on.
    baseline_visits : int
        Sessions that set its level.
    """

    false_discovery_rate: float
    tolerance_pct: float
    negligible_drift_pct_per_year: float
    ewma_weight: float
    limit_sigmas: float
    baseline_visits: int
