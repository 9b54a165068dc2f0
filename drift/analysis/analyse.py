"""This module takes a review from sources to verdicts, in order; it reads and writes nothing."""

import dataclasses
from concurrent.futures import ThreadPoolExecutor
from datetime import date

import polars as pl

from drift.analysis.charting import Charts, chart_settings, draw_charts
from drift.analysis.conformity import judge_sittings, weigh_conformity
from drift.analysis.ledger import build_ledger
from drift.analysis.noted import with_records
from drift.analysis.reference import weigh_reference
from drift.analysis.studies import forecast_settings
from drift.analysis.upkeep import meter_falls, weigh_upkeep
from drift.decisions.barred_uses import late_uses, uses_noted
from drift.decisions.fleet import Standings, build_meters
from drift.decisions.fleet_facts import Evidence, to_date
from drift.decisions.intervals import with_obligations
from drift.decisions.obligations import OBLIGATIONS
from drift.decisions.phases import tell_phases
from drift.decisions.responses import answered_on, match_responses
from drift.decisions.schedule import build_schedule
from drift.decisions.signals import name_mark_signals, name_signals
from drift.errors import SourceError
from drift.frames import DAYS_PER_YEAR, EPOCH, FORECAST, METERS, Sources
from drift.policy import Policy
from drift.results import Review
from drift.stats.calibrations import CalibrationRule
from drift.stats.change_point import find_changes
from drift.stats.drift_steps import drift_steps, unadjusted_paths
from drift.stats.forecast import Forecasts, forecast
from drift.stats.forecast.hyper import Fit
from drift.stats.jump_events import link_jumps
from drift.stats.known_jumps import with_known_jumps
from drift.stats.path_trend import fit_path_trends
from drift.stats.trend import fit_trends

# Days ahead at which forecasts are written, and those at which intervals need them besides.
WRITTEN_DAYS = (30, 60, 90, 180, 365)
FORECAST_DAYS = (15, *WRITTEN_DAYS, 730)


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
    ledger = ledger_of(sources, source_name=source_name, as_of=as_of, policy=policy)
    schedule = schedule_of(ledger, sources, as_of=as_of, policy=policy)
    # The forecast takes longest; all that does not need it goes on beside it.
    with ThreadPoolExecutor(1) as beside:
        begun = beside.submit(_look_ahead_of, sources, ledger, schedule, as_of, policy)
        charts = draw_charts(ledger, marks=sources.marks, service=sources.service, policy=policy)
        trends, path_trends, changes = weigh_drift(ledger, policy)
        reference = weigh_reference(sources, ledger, policy)
        conformity = weigh_conformity(sources.sessions, ledger, reference, policy)
        ahead = begun.result()
    signals, responses = with_responses(signals_of(charts, ledger), sources, ledger)
    review = Review(
        as_of=as_of,
        source_name=source_name,
        policy=policy,
        sources=sources,
        ledger=ledger,
        charted=charts.charted,
        limits=charts.limits,
        phases=_told_phases(charts, ledger, signals, changes, policy),
        marks=charts.marks,
        trends=trends,
        path_trends=path_trends,
        changes=changes,
        forecasts=ahead.series,
        forecast=forecast_rows(ahead, ledger, as_of=as_of),
        signals=signals,
        responses=responses,
        meters=pl.DataFrame(schema=METERS),
        obligations=pl.DataFrame(schema=OBLIGATIONS),
        reference=reference,
        upkeep=weigh_upkeep(
            ledger, path_trends, ahead, meters=sources.meters, as_of=as_of, policy=policy
        ),
        conformity=conformity,
        own_meters=pl.DataFrame(schema=METERS),
    )
    return _with_standings(with_records(review), ahead, schedule)


def _with_standings(review: Review, ahead: Forecasts, schedule: pl.DataFrame) -> Review:
    """Add to a review what follows from all that was found."""
    standings = _standings(review, ahead, schedule)
    return dataclasses.replace(
        review,
        meters=standings.meters,
        obligations=standings.obligations,
        upkeep=dataclasses.replace(
            review.upkeep,
            intervals=with_obligations(
                review.upkeep.intervals, standings.obligations, as_of=review.as_of
            ),
        ),
        own_meters=judge_alone(review, fit=ahead.fit),
        fit=ahead.fit,
    )


def _told_phases(
    charts: Charts,
    ledger: pl.DataFrame,
    signals: pl.DataFrame,
    changes: pl.DataFrame,
    policy: Policy,
) -> pl.DataFrame:
    """Say what comparing new visits with old ones means; a signal or a jump forbids pooling."""
    named = ledger.select("series", "meter_id", "point_pct").unique()
    spoken = signals.join(named, on=["meter_id", "point_pct"])["series"]
    return tell_phases(
        charts.phases,
        charts.since,
        ledger=ledger,
        levels=(policy.phase_level, chart_settings(policy).pooling_level),
        unsettled=dict.fromkeys(spoken, "a signal") | dict.fromkeys(changes["series"], "a jump"),
    )


def _look_ahead_of(
    sources: Sources, ledger: pl.DataFrame, schedule: pl.DataFrame, as_of: date, policy: Policy
) -> Forecasts:
    """Forecast every series; what is forecast from is let go of when that is done."""
    return look_ahead(jumps_known(ledger, sources), schedule, as_of=as_of, policy=policy)


def _standings(review: Review, ahead: Forecasts, schedule: pl.DataFrame) -> Standings:
    """Decide where every meter stands, by what was found so far."""
    evidence = Evidence(
        ledger=review.ledger,
        verdicts=review.conformity.verdicts,
        forecasts=ahead.series,
        chances=ahead.meters,
        falls=review.upkeep.falls,
        path_trends=review.path_trends,
        signals=review.signals,
        responses=review.responses,
        schedule=schedule,
        jumps=link_jumps(review.changes, ledger=review.ledger, service=review.sources.service),
        phases=review.phases,
        held=review.held,
        misused=uses_noted(
            late_uses(review.uses, as_of=review.as_of, days=review.policy.signal_days)
        ),
        alike=review.alike,
    )
    return build_meters(evidence, as_of=review.as_of, policy=review.policy)


def with_responses(
    signals: pl.DataFrame, sources: Sources, ledger: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return signals with ``answered_on``, and every response with the signal that it answers."""
    matched = match_responses(
        sources.responses, signals, ledger=ledger, amendments=sources.amendments
    )
    answered = signals.join(answered_on(matched), on="signal_id", how="left", maintain_order="left")
    return answered, matched


def find_signals(
    sources: Sources, *, source_name: str, as_of: date, policy: Policy
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the signals and the responses of a review, and nothing else of it.

    Raises
    ------
    SourceError
        If there is no reading to speak of.
    """
    ledger = ledger_of(sources, source_name=source_name, as_of=as_of, policy=policy)
    charts = draw_charts(ledger, marks=sources.marks, service=sources.service, policy=policy)
    return with_responses(signals_of(charts, ledger), sources, ledger)


def signals_of(charts: Charts, ledger: pl.DataFrame) -> pl.DataFrame:
    """Return the signals of all charts, as `drift.frames.SIGNALS`."""
    of_bias = name_signals(
        charts.findings, ledger=ledger, charted=charts.charted, onsets=charts.onsets
    )
    of_marks = name_mark_signals(charts.mark_findings, marks=charts.marks)
    return pl.concat([of_bias, of_marks]).sort(
        "meter_id", "visit_on", maintain_order=True, nulls_last=True
    )


def judge_alone(review: Review, *, fit: Fit) -> pl.DataFrame:
    """Return the meters' standings with what they share taken out of their readings.

    Returns
    -------
    pl.DataFrame
        Frame of `drift.frames.METERS`, empty where nothing shared was found.
    """
    reference, as_of, policy = review.reference, review.as_of, review.policy
    if reference.sessions is None:
        return pl.DataFrame(schema=METERS)
    alone = dataclasses.replace(review.sources, sessions=reference.sessions)
    ledger = ledger_of(alone, source_name="", as_of=as_of, policy=policy)
    schedule = schedule_of(ledger, alone, as_of=as_of, policy=policy)
    _, path_trends, changes = weigh_drift(ledger, policy)
    known = jumps_known(ledger, alone)
    ahead = look_ahead(known, schedule, as_of=as_of, policy=policy, fit=fit)
    repeatability = review.conformity.repeatability
    evidence = Evidence(
        ledger=ledger,
        verdicts=judge_sittings(
            alone.sessions, ledger, reference, policy, repeatability=repeatability
        ),
        forecasts=ahead.series,
        chances=ahead.meters,
        falls=meter_falls(ledger, ahead, as_of=as_of, policy=policy),
        path_trends=path_trends,
        signals=review.signals,
        responses=review.responses,
        schedule=schedule,
        jumps=link_jumps(changes, ledger=ledger, service=alone.service),
        # Limits are those of the readings as they stand.
        phases=review.phases.clear(),
        held=review.held,
        misused=uses_noted(
            late_uses(review.uses, as_of=review.as_of, days=review.policy.signal_days)
        ),
        alike=review.alike,
    )
    return build_meters(evidence, as_of=as_of, policy=policy).meters


def ledger_of(sources: Sources, *, source_name: str, as_of: date, policy: Policy) -> pl.DataFrame:
    """Build the ledger of a review's sources.

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
    return build_ledger(
        sources.sessions,
        marks=sources.marks,
        service=sources.service,
        meters=sources.meters,
        resolution_pct=policy.resolution_pct,
        tolerance_pct=policy.tolerance_pct,
        vessels=sources.vessels,
        rule=CalibrationRule(
            required_points_pct=policy.required_points_pct,
            tolerance_pct=policy.tolerance_pct,
            comparison=policy.comparison,
        ),
    )


def schedule_of(
    ledger: pl.DataFrame, sources: Sources, *, as_of: date, policy: Policy
) -> pl.DataFrame:
    """Return when each meter is due, see `drift.decisions.schedule`."""
    return build_schedule(ledger, sources.meters, as_of=as_of, interval_days=policy.interval_days)


def jumps_known(ledger: pl.DataFrame, sources: Sources) -> pl.DataFrame:
    """Add to a ledger what unread moves of the mark did, see `drift.stats.known_jumps`."""
    return with_known_jumps(
        ledger, marks=sources.marks, service=sources.service, meters=sources.meters
    )


def _why_held(held_back: pl.DataFrame) -> str:
    """Say why rows were held back, by the first of them."""
    if held_back.is_empty():
        return "its tables hold no rows of readings"
    first = held_back.row(0, named=True)
    column = f" {first['column']}:" if first["column"] else ""
    many = held_back.height
    reasons = "1 reason to hold rows back" if many == 1 else f"{many} reasons, the first"
    return f"{reasons}: {first['file']}:{first['line']}:{column} {first['reason']}"


def weigh_drift(
    ledger: pl.DataFrame, policy: Policy
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return the plain trends, the drift told apart from wander, and the jumps of every series."""
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
    return trends, path_trends, changes


def look_ahead(
    ledger: pl.DataFrame,
    schedule: pl.DataFrame,
    *,
    as_of: date,
    policy: Policy,
    fit: Fit | None = None,
    days: tuple[int, ...] = FORECAST_DAYS,
) -> Forecasts:
    """Forecast every series in use to the date that its meter's schedule speaks for, and `days` on.

    `ledger` comes from `jumps_known`.  Nothing is forecast for a retired meter, nor for one whose
    present level was neither read nor follows from a known move of its mark.
    """
    due = schedule.filter(pl.col("status") != "retired").select(
        "meter_id", due_t_years=years("speaks_for")
    )
    last = ledger.group_by("series", "meter_id").agg(pl.col("present_known").last())
    return forecast(
        ledger,
        due=last.filter("present_known").join(due, on="meter_id").select("series", "due_t_years"),
        now=(as_of - EPOCH).days / DAYS_PER_YEAR,
        settings=forecast_settings(policy, band_level=policy.band_level, days=days),
        fit=fit,
    )


def forecast_rows(ahead: Forecasts, ledger: pl.DataFrame, *, as_of: date) -> pl.DataFrame:
    """Return the forecasts by horizon and due date, as `drift.frames.FORECAST`."""
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


def years(column: str) -> pl.Expr:
    """Turn a date column into years since the epoch."""
    return (pl.col(column) - EPOCH).dt.total_days() / DAYS_PER_YEAR
