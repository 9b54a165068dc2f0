"""This module evaluates how long meters stay in tolerance as curves over age; it draws nothing."""

import numpy as np
import polars as pl

from drift.frames import Schema
from drift.stats import survival, weibull
from drift.stats.blocks import Floats
from drift.stats.reliability import proven_reliability

# One row per age, ascending.  lowest to highest is what the nonparametric estimate allows there
# (they differ only between the two checks between which something ended), low to high its band;
# weibull is null where the spells show no law.
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


def survival_curve(
    spells: pl.DataFrame, *, at_days: float, longest_days: float, confidence: float = 0.95
) -> pl.DataFrame:
    """Return survival of time in tolerance over age, with its band and a Weibull law.

    Parameters
    ----------
    spells : pl.DataFrame
        Of `drift.stats.spells.spells`.
    at_days : float
        An age that is to be among the rows, over 0.
    longest_days : float
        Ages beyond are left out.
    confidence : float
        Of the band, over 0 and under 1.

    Returns
    -------
    pl.DataFrame
        Columns of `CURVE`, to the highest age that anything is known of; no row without spells.

    Notes
    -----
    Estimate: Turnbull (1976); band: whole meters drawn again, see
    `drift.stats.survival.resampled_interval`.  Where nothing had ended by an age its lower end is
    what those seen so long prove exactly.
    """
    if spells.is_empty():
        return pl.DataFrame(schema=CURVE)
    lower = spells["lower_days"].to_numpy()
    upper = spells["upper_days"].fill_null(np.inf).to_numpy()
    fit = survival.fit_survival(lower, upper)
    ages = _ages(lower, upper, fit, at_days=at_days, longest_days=longest_days)
    lowest, highest = survival.survival_at(fit, ages)
    low, high = np.ones(ages.size), np.ones(ages.size)
    if np.isfinite(upper).any():
        low, high = survival.resampled_interval(
            *(lower, upper, ages),
            cluster=spells["meter_id"].to_numpy(),
            confidence=confidence,
            draws=_DRAWS,
        )
    seen = (lower >= ages[:, None]).sum(axis=1)
    proven = proven_reliability(seen, np.maximum(seen, 1), confidence=confidence)
    proven = np.where(seen > 0, proven, 0.0)
    law = weibull.fit_weibull(lower, upper, cluster=spells["meter_id"].to_numpy())
    return pl.DataFrame(
        {
            "days": ages,
            "lowest": lowest,
            "highest": highest,
            "low": np.where((low >= 1) & (ages > 0), proven, low),
            "high": high,
            "weibull": None if law is None else weibull.survival(law, ages),
        },
        schema=CURVE,
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
