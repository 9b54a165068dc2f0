"""This module evaluates how long meters stay in tolerance as curves over age."""

import numpy as np
import numpy.typing as npt
import polars as pl

from drift.arrays import Floats
from drift.frames import Schema
from drift.upkeep.reliability import survival, weibull
from drift.upkeep.reliability.reliability import binomial_interval, proven_reliability

# One row per age, ascending.  lowest to highest is what the nonparametric estimate allows there
# (they differ only between the two checks between which something ended), low to high its band;
# weibull is null where the intervals show no law.
CURVE: Schema = {
    "days": pl.Float64,
    "lowest": pl.Float64,
    "highest": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "weibull": pl.Float64,
}
# Ages besides those at which the estimate steps.
_AGES = 40
_DRAWS = 100
# Fewer meters than this, drawn again, are too much alike from draw to draw.
_FEW_METERS = 10


def survival_curve(
    intervals: pl.DataFrame, *, at_days: float, longest_days: float, confidence: float = 0.95
) -> pl.DataFrame:
    """Return survival of time in tolerance over age, with its band and a Weibull law.

    Parameters
    ----------
    intervals : pl.DataFrame
        Of `drift.upkeep.reliability.censored_intervals.censored_intervals`.
    at_days : float
        An age that is to be among the rows, over 0.
    longest_days : float
        Ages beyond are left out.
    confidence : float
        Of the band, over 0 and under 1.

    Returns
    -------
    pl.DataFrame
        Columns of `CURVE`, to the highest age that anything is known of; no row without intervals.

    Notes
    -----
    Estimate: Turnbull (1976); band: see `survival_band`.
    """
    if intervals.is_empty():
        return pl.DataFrame(schema=CURVE)
    lower = intervals["lower_days"].to_numpy()
    upper = intervals["upper_days"].fill_null(np.inf).to_numpy()
    fit = survival.fit_survival(lower, upper)
    ages = _ages(lower, upper, fit, at_days=at_days, longest_days=longest_days)
    lowest, highest = survival.survival_at(fit, ages)
    low, high = survival_band(
        *(lower, upper, ages), cluster=intervals["meter_id"].to_numpy(), confidence=confidence
    )
    law = weibull.fit_weibull(lower, upper, cluster=intervals["meter_id"].to_numpy())
    return pl.DataFrame(
        {
            "days": ages,
            "lowest": lowest,
            "highest": highest,
            "low": low,
            "high": high,
            "weibull": None if law is None else weibull.survival(law, ages),
        },
        schema=CURVE,
    )


def survival_band(
    lower: Floats, upper: Floats, ages: Floats, *, cluster: npt.ArrayLike, confidence: float
) -> tuple[Floats, Floats]:
    """Return the band of survival at `ages`.

    Parameters
    ----------
    lower, upper : array, shape (intervals,)
        Length in (lower, upper], upper infinite while it lasts.
    ages : array, shape (ages,)
        0 or more.
    cluster : array_like, shape (intervals,)
        The meter of each spell.
    confidence : float
        Over 0 and under 1.

    Returns
    -------
    low, high : array, shape (ages,)

    Notes
    -----
    Whole meters are drawn again (`drift.upkeep.reliability.survival.resampled_interval`).  Where
    nothing had ended by an age such draws cannot vary, and of few meters they vary too little:
    there the band holds at least what the intervals whose state is known at that age prove exactly.
    """
    low, high = np.ones(ages.size), np.ones(ages.size)
    if np.isfinite(upper).any():
        low, high = survival.resampled_interval(
            lower, upper, ages, cluster=cluster, confidence=confidence, draws=_DRAWS
        )
    held = (lower >= ages[:, None]).sum(axis=1)
    known = held + (upper <= ages[:, None]).sum(axis=1)
    least, most = binomial_interval(held, known, confidence=confidence)
    least = np.where(held == known, proven_reliability(held, known, confidence=confidence), least)
    began = ages > 0
    few = np.unique(np.asarray(cluster)).size < _FEW_METERS
    exact = began & (few | (low >= 1))
    return (
        np.where(exact, np.minimum(low, least), low),
        np.where(began & few, np.maximum(high, most), high),
    )


def _ages(
    lower: Floats, upper: Floats, fit: survival.Survival, *, at_days: float, longest_days: float
) -> Floats:
    """Return the ages at which a curve is evaluated."""
    known = np.concatenate([lower, upper[np.isfinite(upper)], [at_days]])
    last = min(float(known.max()), longest_days)
    steps = np.concatenate([fit.left, fit.right[np.isfinite(fit.right)]])
    ages = np.unique(np.concatenate([np.linspace(0.0, last, _AGES), steps, [at_days]]))
    kept: Floats = ages[ages <= last]
    return kept
