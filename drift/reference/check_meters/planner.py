"""This module says after how many sessions a check meter shows a shift."""

from dataclasses import dataclass

import numpy as np

from drift.limits.runs.run_length import (
    constant_means,
    drifting_means,
    ewma_run_lengths,
    quantile_visits,
)
from drift.reference.check_meters.verdicts import SURE

_HALF, _NINETY = 0.5, 0.9
# So far from the centre every further point lies outside, in sigmas.
_FAR = 12.0
# Slower drifts are none, in sigmas a session.
_SLOWEST = 1e-3


@dataclass(frozen=True, slots=True)
class ChartOfSessions:
    """The chart that a check meter would be kept on.

    Attributes
    ----------
    weight, limit_sigmas : float
        Of its EWMA.
    baseline : int
        Sessions before the shift that set its level.
    a_year : float
        Sessions in a year, for what creeps.
    """

    weight: float
    limit_sigmas: float
    baseline: int
    a_year: float


def sessions_to_show(
    size_pct: float, sigma_pct: float, chart: ChartOfSessions, *, is_drift: bool
) -> tuple[float, float]:
    """Return within how many sessions an EWMA chart signals, in half and in nine of ten cases.

    Parameters
    ----------
    size_pct : float
        The shift, or the drift a year, % air at 5 % air.
    sigma_pct : float
        Standard deviation of one session there, over 0.
    chart : ChartOfSessions
    is_drift : bool
        Whether `size_pct` is a drift.

    Notes
    -----
    Exact run lengths of `drift.limits.runs.run_length.ewma_run_lengths`, of a chart that has run
    for a while with a centre that is known.
    """
    sigmas = abs(size_pct) / sigma_pct
    means = (
        drifting_means((max(sigmas / chart.a_year, _SLOWEST),), until_sigmas=_FAR)
        if is_drift
        else constant_means((min(sigmas, _FAR),))
    )
    lengths = ewma_run_lengths(
        means, weight=chart.weight, limit_sigmas=chart.limit_sigmas, early_limits=False
    )
    return (
        float(quantile_visits(lengths, chance=_HALF)[0]),
        float(quantile_visits(lengths, chance=_NINETY)[0]),
    )


def sessions_to_be_sure(
    size_pct: float, error_pct: float, sigma_pct: float, *, baseline: int
) -> float:
    """Return how many sessions after a shift let half of the verdicts reach 95 %.

    Parameters
    ----------
    size_pct, error_pct : float
        The shift and its standard error by the fleet.
    sigma_pct : float
        Standard deviation of one session of the check meter.
    baseline : int
        Sessions before the shift.

    Returns
    -------
    float
        Infinite where so few sessions before it never let it.

    Notes
    -----
    At the expected change the log likelihood ratio of two normal laws is size²/2s², with s² =
    sigma²(1/baseline + 1/n) + error²; it must reach the log odds of 95 %.
    """
    needed = np.log(SURE / (1 - SURE))
    room = size_pct**2 / (2 * needed) - error_pct**2 - sigma_pct**2 / baseline
    return float(np.ceil(sigma_pct**2 / room)) if room > 0 else float(np.inf)
