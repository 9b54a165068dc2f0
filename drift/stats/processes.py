"""This module turns forecasts into what a meter does after an adjustment; it forecasts no visit."""

import numpy as np
import polars as pl
from scipy import special

from drift.frames import DAYS_PER_YEAR, Schema
from drift.stats.intervals import Processes, years_in

# One row per series: how its level moves from its last visit on, % air and years.  level_sd
# and drift_sd say how well level and drift are known; noise_sd is of one visit's mean; reset_sd the
# spread of levels after an adjustment.  A column that the forecaster could not give is null.
PROCESSES: Schema = {
    "series": pl.Int64,
    "meter_id": pl.String,
    "level": pl.Float64,
    "level_sd": pl.Float64,
    "drift": pl.Float64,
    "drift_sd": pl.Float64,
    "wander": pl.Float64,
    "shock_rate": pl.Float64,
    "shock_size": pl.Float64,
    "noise_sd": pl.Float64,
    "reset_sd": pl.Float64,
}


def forecast_processes(
    series: pl.DataFrame,
    *,
    wander: float,
    shock_rate: float,
    shock_size: float,
    reset_sd: float,
    visit_sd: float = 0.0,
    replicates: int = 1,
    band_level: float = 0.9,
) -> pl.DataFrame:
    """Return the process of every series that was forecast.

    Parameters
    ----------
    series : pl.DataFrame
        Of `drift.stats.forecast.outputs.Forecasts`: ``series meter_id level level_low level_high
        drift drift_low drift_high noise_sd``.
    wander, shock_rate, shock_size, reset_sd : float
        Of the fleet; the rate is the mean over its kinds of meters.
    visit_sd : float
        Standard deviation of what the readings of a visit share, which more of them do not reduce.
    replicates : int
        Readings whose mean is found at a visit, at least 1.
    band_level : float
        Coverage of the bands in `series`.

    Returns
    -------
    pl.DataFrame
        Columns of `PROCESSES`, by series; rows without a level or drift are left out.

    Notes
    -----
    A band is turned into a standard deviation as a normal law's.  The posterior of a drift rate
    has a spike at 0, which this spreads out: levels months ahead depend little on it.
    """
    width = 2 * float(special.ndtri((1 + band_level) / 2))

    def spread(name: str) -> pl.Expr:
        return (pl.col(f"{name}_high") - pl.col(f"{name}_low")) / width

    return (
        series.drop_nulls(["level", "level_low", "level_high", "drift", "drift_low", "drift_high"])
        .with_columns(
            level_sd=spread("level"),
            drift_sd=spread("drift"),
            noise_sd=(pl.col("noise_sd") ** 2 / max(replicates, 1) + visit_sd**2).sqrt(),
            wander=pl.lit(wander),
            shock_rate=pl.lit(shock_rate),
            shock_size=pl.lit(shock_size),
            reset_sd=pl.lit(reset_sd),
        )
        .sort("series")
        .select(PROCESSES.keys())
        .cast(PROCESSES)  # type: ignore[arg-type]  # names to types
    )


def days_after_adjustment(
    processes: pl.DataFrame, *, tolerance: float, target: float, longest_days: float
) -> pl.DataFrame:
    """Return how long each meter, just adjusted, stays in tolerance with probability `target`.

    Parameters
    ----------
    processes : pl.DataFrame
        Columns of `PROCESSES`.
    tolerance : float
        % air.
    target : float
        Over 0 and under 1.
    longest_days : float
        Not looked for beyond.

    Returns
    -------
    pl.DataFrame
        ``meter_id series days``: the meter's worst point and its days, null where they are more
        than `longest_days`; by meter.
    """
    years = years_in(
        Processes(
            level=np.zeros(processes.height),
            level_sd=processes["reset_sd"].to_numpy(),
            drift=processes["drift"].to_numpy(),
            drift_sd=processes["drift_sd"].to_numpy(),
            wander=processes["wander"].to_numpy(),
            shock_rate=processes["shock_rate"].to_numpy(),
            shock_size=processes["shock_size"].to_numpy(),
        ),
        tolerance=tolerance,
        target=target,
        longest_years=longest_days / DAYS_PER_YEAR,
    )
    days = pl.Series(years * DAYS_PER_YEAR)
    return (
        processes.select("meter_id", "series", days=days)
        .sort("meter_id", "days", "series")
        .unique("meter_id", keep="first", maintain_order=True)
        .with_columns(days=pl.when(pl.col("days").is_finite()).then("days"))
    )
