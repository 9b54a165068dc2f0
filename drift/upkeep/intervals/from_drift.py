"""This module turns levels and drifts into how long a meter stays in tolerance."""

import numpy as np
import polars as pl
from scipy import special

from drift.arrays import Floats
from drift.frames import DAYS_PER_YEAR, Schema
from drift.upkeep.intervals.estimates import Processes, years_in

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
        Frame of `drift.meter.ledger.LEDGER`.
    path_trends : pl.DataFrame
        Frame of `drift.trend.path_trend.PATH_TRENDS`.
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
        ledger.select("series", "visit", "meter_id", "resolution_pct", "left_bias_pct")
        .sort("series", "visit")
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
        Of `drift.forecast.forecasts.Forecasts`: ``series meter_id level level_low level_high
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
