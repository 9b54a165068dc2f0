"""This module asks the forecaster what a review needs, and writes its answers by date."""

from datetime import date

import polars as pl

from drift.forecast.fit import Fit
from drift.forecast.forecasts import Forecasts, forecast, score
from drift.forecast.grid.model import Settings
from drift.forecast.learn import Learnt, learn_fleet
from drift.forecast.predict_visit import Outlook, predict_visit
from drift.frames import DAYS_PER_YEAR, EPOCH, Schema, years_since_epoch
from drift.meter.known_jumps import with_known_jumps
from drift.review.fleet_facts import to_date
from drift.review.policy import Policy
from drift.store.tables import Sources

# Days ahead at which forecasts are written, and those at which intervals need them besides.
WRITTEN_DAYS = (30, 60, 90, 180, 365)
FORECAST_DAYS = (15, *WRITTEN_DAYS, 730)

# One row per series and horizon, and one for the due date: `data/forecast.csv`.  level_pct is the
# predicted true bias on that day with its band; p_out the probability that it is out of
# tolerance.  next_mean_low and next_mean_high, the band of the mean that the visit will find, stand
# at the due date alone.
FORECAST: Schema = {
    "meter_id": pl.String,
    "point_pct": pl.Float64,
    "horizon_days": pl.Int64,
    "on_date": pl.Date,
    "level_pct": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "p_out": pl.Float64,
    "next_mean_low": pl.Float64,
    "next_mean_high": pl.Float64,
}


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


def jumps_known(ledger: pl.DataFrame, sources: Sources) -> pl.DataFrame:
    """Add to a ledger what unread moves of the mark did, see `drift.meter.known_jumps`."""
    return with_known_jumps(
        ledger, marks=sources.marks, service=sources.service, meters=sources.meters
    )


def next_visits(ledger: pl.DataFrame, sources: Sources, policy: Policy) -> Outlook:
    """Say what every meter's next visit should find, see `drift.forecast.predict_visit`."""
    settings = forecast_settings(policy, band_level=policy.band_level)
    return predict_visit(jumps_known(ledger, sources), settings=settings)


def forecast_fleet(
    ledger: pl.DataFrame,
    schedule: pl.DataFrame,
    *,
    as_of: date,
    policy: Policy,
    fit: Fit | None = None,
    learnt: Learnt | None = None,
    days: tuple[int, ...] = FORECAST_DAYS,
) -> Forecasts:
    """Forecast every series in use to the date that its meter's schedule speaks for, and `days` on.

    `ledger` comes from `jumps_known`, and may be of some meters of the fleet that `learnt` is
    from; else what meters share is learnt from it, or given by `fit`.  Nothing is forecast for a
    retired meter, nor for one whose present level was neither read nor follows from a known move
    of its mark.
    """
    due = schedule.filter(pl.col("status") != "retired").select(
        "meter_id", due_t_years=years_since_epoch("speaks_for")
    )
    last = ledger.group_by("series", "meter_id").agg(pl.col("present_known").last())
    due = last.filter("present_known").join(due, on="meter_id").select("series", "due_t_years")
    now = (as_of - EPOCH).days / DAYS_PER_YEAR
    if learnt is not None:
        return score(ledger, due=due, now=now, learnt=learnt)
    settings = forecast_settings(policy, band_level=policy.band_level, days=days)
    return forecast(ledger, due=due, now=now, settings=settings, fit=fit)


def learn_forecasts(
    ledger: pl.DataFrame, *, policy: Policy, steps: tuple[float, ...], fit: Fit | None = None
) -> Learnt:
    """Learn for `forecast_fleet` what a fleet shares, from meters that stand for it.

    `ledger` comes from `jumps_known`; `steps` and `fit` as for `learn_fleet`.
    """
    settings = forecast_settings(policy, band_level=policy.band_level, days=FORECAST_DAYS)
    return learn_fleet(ledger, settings=settings, fit=fit, steps=steps)


def forecast_rows(ahead: Forecasts, ledger: pl.DataFrame, *, as_of: date) -> pl.DataFrame:
    """Return the forecasts by horizon and due date, as `drift.review.forecasts.FORECAST`."""
    names = ledger.select("series", "meter_id", "point_pct").unique()
    by_horizon = ahead.horizons.filter(pl.col("horizon_days").is_in(WRITTEN_DAYS)).with_columns(
        next_mean_low=pl.lit(None, dtype=pl.Float64), next_mean_high=pl.lit(None, dtype=pl.Float64)
    )
    at_due = ahead.series.select(
        "series",
        horizon_days=(
            (pl.col("due_t_years") - (as_of - EPOCH).days / DAYS_PER_YEAR) * DAYS_PER_YEAR
        )
        .round(0)
        .cast(pl.Int64),
        on_t_years="due_t_years",
        level="at_due",
        low="at_due_low",
        high="at_due_high",
        p_out="p_out_due",
        next_mean_low="next_mean_low",
        next_mean_high="next_mean_high",
    )
    return (
        pl.concat([by_horizon, at_due])
        .join(names, on="series")
        .with_columns(on_date=to_date(pl.col("on_t_years")), level_pct="level")
        .select(pl.col(name).cast(kind) for name, kind in FORECAST.items())
        .sort("meter_id", "point_pct", "on_date", "next_mean_low", nulls_last=False)
    )
