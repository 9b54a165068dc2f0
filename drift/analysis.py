"""This module takes a review from sources to verdicts, in order; it reads and writes nothing."""

from datetime import date

import polars as pl

from drift.decisions.fleet import build_meters
from drift.decisions.schedule import build_schedule
from drift.decisions.signals import name_signals
from drift.errors import SourceError
from drift.frames import DAYS_PER_YEAR, EPOCH, Sources
from drift.ledger import build_ledger
from drift.policy import Policy
from drift.results import Review
from drift.stats.change_point import find_changes
from drift.stats.charts import ChartSettings, ewma, individuals, moving_range
from drift.stats.drift_steps import drift_steps, unadjusted_paths
from drift.stats.extrapolation import extrapolate
from drift.stats.path_trend import fit_path_trends
from drift.stats.rules import apply_rules
from drift.stats.trend import fit_trends


def analyse(sources: Sources, *, source_name: str, as_of: date, policy: Policy) -> Review:
    """Compute everything that a review of `sources` says on `as_of`.

    Parameters
    ----------
    sources : Sources
        What was known on that date.
    source_name : str
        Name of the source for headings.
    as_of : date
        The date the review speaks for.
    policy : Policy
        The laboratory's choices.

    Raises
    ------
    SourceError
        If there is no reading to speak of.
    """
    if sources.sessions.is_empty():
        raise SourceError(
            what=f"holds no usable reading on or before {as_of}",
            where=source_name,
            expected="at least one row of readings that is not held back",
            hint=_why_held(sources.held_back),
        )
    ledger = build_ledger(
        sources.sessions,
        marks=sources.marks,
        service=sources.service,
        meters=sources.meters,
        resolution_pct=policy.resolution_pct,
    )
    schedule = build_schedule(
        ledger, sources.meters, as_of=as_of, interval_days=policy.interval_days
    )
    charted, limits = chart(ledger, policy)
    # With the dial's step beside it, a rounded reading counts as past a zone only if every value
    # that rounds to it is.
    dial = ledger.select("series", "visit", "resolution_pct")
    findings = apply_rules(
        charted.join(dial, on=["series", "visit"], how="left"), rules=policy.rules
    )
    trends = fit_trends(
        unadjusted_paths(ledger), level=policy.trend_level, fewest=policy.trend_visits
    )
    steps = drift_steps(ledger)
    path_trends = fit_path_trends(
        steps,
        negligible=policy.negligible_drift_pct_per_year,
        level=policy.trend_level,
        false_discovery_rate=policy.false_discovery_rate,
        fewest=policy.trend_visits,
    )
    changes = find_changes(
        steps, level=policy.trend_level, false_discovery_rate=policy.false_discovery_rate
    )
    signals = name_signals(findings, ledger=ledger, charted=charted, responses=sources.responses)
    forecasts = forecast(ledger, trends, schedule, policy)
    meters = build_meters(
        ledger,
        forecasts=forecasts,
        path_trends=path_trends,
        signals=signals,
        schedule=schedule,
        as_of=as_of,
        policy=policy,
    )
    return Review(
        as_of=as_of,
        source_name=source_name,
        policy=policy,
        sources=sources,
        ledger=ledger,
        charted=charted,
        limits=limits,
        trends=trends,
        path_trends=path_trends,
        changes=changes,
        forecasts=forecasts,
        signals=signals,
        meters=meters,
    )


def _why_held(held_back: pl.DataFrame) -> str:
    """Say why rows were held back, by the first of them."""
    if held_back.is_empty():
        return "its tables hold no rows of readings"
    first = held_back.row(0, named=True)
    column = f" {first['column']}:" if first["column"] else ""
    return (
        f"{held_back.height} reasons to hold rows back, the first: "
        f"{first['file']}:{first['line']}:{column} {first['reason']}"
    )


def chart(ledger: pl.DataFrame, policy: Policy) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Chart the as-found bias of every series; return the points and the limits of all charts."""
    points = ledger.select(
        "series",
        "visit",
        "phase",
        "t_years",
        value="as_found_bias_pct",
        replicates="as_found_replicates",
        spread="as_found_spread_pct",
        resolution="resolution_pct",
        values="as_found_biases_pct",
    )
    settings = ChartSettings(
        baseline_visits=policy.baseline_visits,
        sigmas=policy.limit_sigmas,
        ewma_weight=policy.ewma_weight,
        ewma_sigmas=policy.limit_sigmas,
    )
    charts = [draw(points, settings=settings) for draw in (individuals, moving_range, ewma)]
    return (
        pl.concat([one.points for one in charts]).sort("series", "chart", "visit"),
        pl.concat([one.limits for one in charts]).sort("series", "chart", "phase"),
    )


def forecast(
    ledger: pl.DataFrame, trends: pl.DataFrame, schedule: pl.DataFrame, policy: Policy
) -> pl.DataFrame:
    """Forecast every series to the date that its meter's schedule speaks for."""
    due = schedule.select("meter_id", due_t_years=_years("speaks_for"))
    now = (
        ledger.group_by("series", "meter_id")
        .agg(
            pl.col("t_years", "resolution_pct").last(),
            level=pl.col("left_bias_pct").last(),
        )
        .join(due, on="meter_id", how="left")
        .rename({"resolution_pct": "resolution"})
        .sort("series")
    )
    return extrapolate(
        trends,
        now,
        tolerance=policy.tolerance_pct,
        band_level=policy.band_level,
        horizon_years=policy.horizon_days / DAYS_PER_YEAR,
    )


def _years(column: str) -> pl.Expr:
    """Turn a date column into years since the epoch."""
    return (pl.col(column) - EPOCH).dt.total_days() / DAYS_PER_YEAR
