"""This module takes a review from sources to verdicts, in order."""

import dataclasses
from concurrent.futures import ThreadPoolExecutor
from datetime import date

import polars as pl

from drift.conformity.weigh import judge_sittings, weigh_conformity
from drift.errors import SourceError
from drift.forecast.fit import Fit
from drift.forecast.forecasts import Forecasts
from drift.limits.baseline_change import tell_phases
from drift.limits.charting import Charts, chart_settings, draw_charts
from drift.limits.signals import signals_of
from drift.meter.calibrations import CalibrationRule
from drift.meter.ledger import build_ledger
from drift.reference.weigh import Reference, weigh_reference
from drift.review.barred_uses import late_uses, uses_noted
from drift.review.due_sooner import with_obligations
from drift.review.fleet_facts import MeterEvidence
from drift.review.forecasts import forecast_fleet, forecast_rows, jumps_known
from drift.review.meters import METERS, Standings, build_meters
from drift.review.noted import with_records
from drift.review.obligations import OBLIGATIONS
from drift.review.policy import Policy
from drift.review.responses import answered_on, match_responses
from drift.review.results import Review
from drift.review.schedule import build_schedule
from drift.store.tables import Sources
from drift.trend.change_points import link_jumps
from drift.trend.weigh import weigh_drift
from drift.upkeep.weigh import meter_falls, weigh_upkeep


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
        reference = reference_of(sources, ledger, policy)
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
    return forecast_fleet(jumps_known(ledger, sources), schedule, as_of=as_of, policy=policy)


def _standings(review: Review, ahead: Forecasts, schedule: pl.DataFrame) -> Standings:
    """Decide where every meter stands, by what was found so far."""
    evidence = MeterEvidence(
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


def judge_alone(review: Review, *, fit: Fit) -> pl.DataFrame:
    """Return the meters' standings with what they share taken out of their readings.

    Returns
    -------
    pl.DataFrame
        Frame of `drift.review.meters.METERS`, empty where nothing shared was found.
    """
    reference, as_of, policy = review.reference, review.as_of, review.policy
    if reference.sessions is None:
        return pl.DataFrame(schema=METERS)
    alone = dataclasses.replace(review.sources, sessions=reference.sessions)
    ledger = ledger_of(alone, source_name="", as_of=as_of, policy=policy)
    schedule = schedule_of(ledger, alone, as_of=as_of, policy=policy)
    _, path_trends, changes = weigh_drift(ledger, policy)
    known = jumps_known(ledger, alone)
    ahead = forecast_fleet(known, schedule, as_of=as_of, policy=policy, fit=fit)
    repeatability = review.conformity.repeatability
    evidence = MeterEvidence(
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
    """Return when each meter is due, see `drift.review.schedule`."""
    return build_schedule(ledger, sources.meters, as_of=as_of, interval_days=policy.interval_days)


def reference_of(sources: Sources, ledger: pl.DataFrame, policy: Policy) -> Reference:
    """Weigh the reference of a review: biases from half the tolerance on are looked into."""
    return weigh_reference(
        ledger,
        sessions=sources.sessions,
        vessels=sources.vessels,
        marks=sources.marks,
        service=sources.service,
        meters=sources.meters,
        vessel_uncertainty=policy.vessel_uncertainty,
        false_discovery_rate=policy.false_discovery_rate,
        worth_pct=policy.tolerance_pct / 2,
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
