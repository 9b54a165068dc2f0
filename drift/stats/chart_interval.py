"""This module sets intervals from a meter's fitted drift and dispersion; it fits neither.

It is the control-chart method of the interval guideline ILAC-G24 / OIML D 10 (from memory: "drift
and dispersion are estimated and the interval set from them"), with the chance of being in
tolerance at the interval's end as the measure.
"""

import numpy as np
import polars as pl
from scipy import special

from drift.frames import DAYS_PER_YEAR, Schema
from drift.stats.blocks import Floats
from drift.stats.intervals import Processes, years_in

# One row per meter, for the point with the shortest interval.  days is null where longer than
# was looked for (``beyond``) or where the dial hides the drift (``hidden``); low_days to
# high_days is what the interval of the drift leaves possible, high_days null where unlimited.
CHART_DAYS: Schema = {
    "meter_id": pl.String,
    "series": pl.Int64,
    "days": pl.Float64,
    "low_days": pl.Float64,
    "high_days": pl.Float64,
    "beyond": pl.Boolean,
    "hidden": pl.Boolean,
    "visits": pl.Int64,
}


def chart_intervals(
    ledger: pl.DataFrame,
    path_trends: pl.DataFrame,
    *,
    tolerance: float,
    target: float,
    longest_days: float,
    trend_level: float = 0.05,
) -> pl.DataFrame:
    """Return each meter's interval from where it was left, its drift and its dispersion.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.frames.LEDGER`.
    path_trends : pl.DataFrame
        Frame of `drift.frames.PATH_TRENDS`.
    tolerance : float
        % air.
    target : float
        Chance of being in tolerance at the end of the interval, over 0 and under 1.
    longest_days : float
        Not looked for beyond.
    trend_level : float
        Two-sided error probability of the drift's interval in `path_trends`.

    Returns
    -------
    pl.DataFrame
        Columns of `CHART_DAYS`, by meter; meters without a drift or an interval of it, or whose
        state as left is unknown, are left out.

    Notes
    -----
    The bias after t years is normal with mean level + drift t and variance noise² (the level is
    one visit's mean) + (drift's standard error · t)² + wander² t.  low_days and high_days put the
    drift at either end of its interval instead.  Where the dial hides the drift only those limits
    are known; the dispersion is then that of rounding, resolution/√12 (JCGM 100:2008, F.2.2.1).
    """
    last = (
        ledger.sort("series", "visit")
        .group_by("series", maintain_order=True)
        .agg(pl.col("meter_id", "resolution_pct").last(), level=pl.col("left_bias_pct").last())
    )
    rows = (
        last.join(path_trends, on="series")
        .drop_nulls(["level", "drift_low", "drift_high"])
        .sort("series")
    )
    numbers = {
        name: rows[name].fill_null(float("nan")).to_numpy()
        for name in ("level", "drift", "drift_low", "drift_high", "noise_sd", "wander_sd")
    }
    rounding = rows["resolution_pct"].fill_null(0.0).to_numpy() / np.sqrt(12)
    hidden = np.isnan(numbers["drift"])
    noise = np.where(hidden, rounding, numbers["noise_sd"])
    wander = np.where(hidden, 0.0, numbers["wander_sd"])
    width = 2 * float(special.ndtri(1 - trend_level / 2))
    error = (numbers["drift_high"] - numbers["drift_low"]) / width

    def days(drift: Floats, drift_sd: Floats | float) -> Floats:
        years = years_in(
            Processes(numbers["level"], noise, drift, drift_sd, wander),
            tolerance=tolerance,
            target=target,
            longest_years=longest_days / DAYS_PER_YEAR,
        )
        return years * DAYS_PER_YEAR

    centre = np.where(hidden, np.nan, days(np.where(hidden, 0.0, numbers["drift"]), error))
    ends = [days(numbers[name], 0.0) for name in ("drift_low", "drift_high")]
    worst, best = np.minimum(*ends), np.maximum(*ends)
    inside = numbers["drift_low"] * numbers["drift_high"] < 0
    best = np.where(inside, np.maximum(best, days(np.zeros(inside.size), 0.0)), best)
    return _worst_points(rows, centre, worst, best, hidden)


def _worst_points(
    rows: pl.DataFrame, centre: Floats, worst: Floats, best: Floats, hidden: np.ndarray
) -> pl.DataFrame:
    """Return for each meter the point with the shortest interval."""
    finite = pl.col("days", "high_days")
    return (
        rows.select("meter_id", "series", visits=pl.col("steps") + 1)
        .with_columns(
            days=pl.Series(centre).fill_nan(None),
            low_days=pl.Series(worst),
            high_days=pl.Series(best),
            hidden=pl.Series(hidden),
        )
        .with_columns(
            beyond=pl.col("days").is_infinite().fill_null(value=False),
            shortest=pl.coalesce("days", "low_days"),
        )
        .sort("meter_id", "shortest", "series")
        .unique("meter_id", keep="first", maintain_order=True)
        .with_columns(pl.when(finite.is_finite()).then(finite))
        # Looked at to here only: a limit later than that is no limit.
        .with_columns(low_days=pl.when(pl.col("low_days").is_finite()).then("low_days"))
        .select(CHART_DAYS.keys())
        .cast(CHART_DAYS)  # type: ignore[arg-type]  # names to types
    )
