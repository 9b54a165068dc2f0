"""This module takes a review from sources to verdicts, in order."""

import dataclasses
from dataclasses import dataclass
from datetime import date

import polars as pl

from drift.beside import Help, Threads
from drift.conformity.comparisons import Comparisons, weigh_comparisons
from drift.conformity.weigh import Conformity, weigh_conformity
from drift.forecast.forecasts import Forecasts
from drift.limits.baseline_change import tell_phases
from drift.limits.charting import Charts, chart_settings, draw_charts
from drift.limits.checks.weigh import CheckCharts
from drift.limits.signals import signals_of
from drift.reference.weigh import Reference
from drift.review.changes import Earlier, Present, Since, changes_since
from drift.review.fleet_laws import FleetLaws
from drift.review.forecasts import forecast_fleet, forecast_rows, jumps_known
from drift.review.loading import load_fits
from drift.review.obligations import with_obligations
from drift.review.own_standings import Own, begin_own, stand_alone
from drift.review.policy import Policy, tables_of
from drift.review.responses import with_responses
from drift.review.results import Review
from drift.review.sourced import checks_of, ledger_of, reference_of, schedule_of
from drift.review.stand import OnFile, Seen, find_records, stand
from drift.review.studying import study_in_force, with_operators_of
from drift.review.zero_spans import ZeroSpan, zero_span_of
from drift.store.tables import Sources
from drift.trend.weigh import fit_lines, weigh_drift
from drift.upkeep.weigh import OnRecord, Upkeep, weigh_record, weigh_upkeep
from drift.version import __version__

_NO_LAWS = FleetLaws()
_ALONE = Help()


@dataclass(frozen=True, slots=True)
class _Found:
    """What every step of an analysis found, before anything is decided of a meter."""

    charts: Charts
    checks: CheckCharts
    reference: Reference
    conformity: Conformity
    upkeep: Upkeep
    seen: Seen
    filed: OnFile
    trends: pl.DataFrame | None


@dataclass(frozen=True, slots=True)
class _Weighed:
    """What each room says of the readings by itself; `own` of those without what is shared.

    `trends` are the plain ones, where there was time for them.
    """

    schedule: pl.DataFrame
    charts: Charts
    drift: tuple[pl.DataFrame, pl.DataFrame]
    reference: Reference
    conformity: Conformity
    recorded: OnRecord
    trends: pl.DataFrame | None
    ahead: Forecasts
    own: Own | None


def analyse(
    sources: Sources,
    *,
    source_name: str,
    as_of: date,
    policy: Policy,
    earlier: Earlier | None = None,
    laws: FleetLaws = _NO_LAWS,
    helped: Help = _ALONE,
) -> Review:
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
    earlier : Earlier or None
        An earlier review, to say what has changed since.
    laws : FleetLaws
        What the fleet lends to these meters of it; empty where they are all of it.
    helped : Help
        Who works out forecasts beside this process; by default threads of its own.

    Raises
    ------
    SourceError
        If there is no reading to speak of.
    """
    ledger = ledger_of(sources, source_name=source_name, as_of=as_of, policy=policy)
    found, own_meters = _find(
        *(sources, ledger), as_of=as_of, policy=policy, laws=laws, helped=helped
    )
    seen, filed, upkeep = found.seen, found.filed, found.upkeep
    standings = stand(sources, seen, filed, as_of=as_of, policy=policy)
    intervals = with_obligations(upkeep.intervals, standings.obligations, as_of=as_of)
    return Review(
        as_of=as_of,
        source_name=source_name,
        policy=policy,
        sources=sources,
        ledger=ledger,
        charted=found.charts.charted,
        limits=found.charts.limits,
        phases=seen.phases,
        marks=found.charts.marks,
        path_trends=seen.path_trends,
        changes=seen.changes,
        forecasts=seen.ahead.series,
        forecast=forecast_rows(seen.ahead, ledger, as_of=as_of),
        signals=filed.signals,
        checks=found.checks,
        responses=filed.responses,
        meters=standings.meters,
        obligations=standings.obligations,
        reference=found.reference,
        upkeep=dataclasses.replace(upkeep, intervals=intervals),
        conformity=found.conformity,
        comparisons=_comparisons(sources, ledger, found, policy),
        zero_span=_zero_span(sources, ledger, found, policy, laws),
        own_meters=own_meters,
        since=_compare(earlier, sources, found, standings.meters, as_of=as_of, policy=policy),
        fit=seen.ahead.fit,
        trends=found.trends,
        held=filed.records.held,
        alike=filed.records.alike,
        uses=filed.records.uses,
        part=laws.known,
    )


def _find(
    sources: Sources,
    ledger: pl.DataFrame,
    *,
    as_of: date,
    policy: Policy,
    laws: FleetLaws,
    helped: Help,
) -> tuple[_Found, pl.DataFrame]:
    """Find out what standings are decided by, and those without what meters share."""
    with Threads(2) as beside:
        weighed = _weighed(
            *(sources, ledger, beside),
            helped=helped,
            as_of=as_of,
            policy=policy,
            laws=laws,
        )
        found = _find_all(sources, ledger, weighed, as_of=as_of, policy=policy, laws=laws)
        own_meters = stand_alone(weighed.own, found.filed, as_of=as_of, policy=policy)
    return found, own_meters


def _zero_span(
    sources: Sources, ledger: pl.DataFrame, found: _Found, policy: Policy, laws: FleetLaws
) -> ZeroSpan:
    """Tell what the two ends of each scale do."""
    read, judged = (ledger, sources.sessions), (found.reference, found.conformity)
    return zero_span_of(read, judged, policy=policy, fleet=laws.drifts)


def _comparisons(
    sources: Sources, ledger: pl.DataFrame, found: _Found, policy: Policy
) -> Comparisons:
    """Score results in use against something else."""
    of_use, verdicts = (sources.comparisons, sources.field_tests), found.conformity.verdicts
    return weigh_comparisons(*of_use, ledger=ledger, verdicts=verdicts, policy=policy)


def _find_all(
    sources: Sources,
    ledger: pl.DataFrame,
    weighed: _Weighed,
    *,
    as_of: date,
    policy: Policy,
    laws: FleetLaws,
) -> _Found:
    """Find out from a source all that meters' standings are decided by."""
    charts, ahead, verdicts = weighed.charts, weighed.ahead, weighed.conformity.verdicts
    path_trends, changes = weighed.drift
    checks = checks_of(sources, ledger, policy)
    signals, responses = with_responses(
        signals_of(charts, ledger, checks.signals), sources, ledger, strays=not laws.known
    )
    upkeep = weigh_upkeep(weighed.recorded, ahead, as_of=as_of, policy=policy)
    return _Found(
        charts=charts,
        checks=checks,
        reference=weighed.reference,
        conformity=weighed.conformity,
        upkeep=upkeep,
        seen=Seen(
            ledger=ledger,
            schedule=weighed.schedule,
            ahead=ahead,
            path_trends=path_trends,
            changes=changes,
            verdicts=verdicts,
            falls=upkeep.falls,
            phases=_told_phases(charts, ledger, signals, changes, policy),
            level_p=laws.level_p,
        ),
        filed=OnFile(
            signals=signals,
            responses=responses,
            records=find_records(
                *(sources, ledger, verdicts),
                interval_days=policy.interval_days,
                names=laws.names,
            ),
        ),
        trends=weighed.trends,
    )


def _weighed(
    sources: Sources,
    ledger: pl.DataFrame,
    beside: Threads,
    *,
    helped: Help,
    as_of: date,
    policy: Policy,
    laws: FleetLaws,
) -> _Weighed:
    """Weigh the readings by each room; the forecast, which takes longest, goes on beside all."""
    aside = helped.aside or beside.submit
    schedule = schedule_of(ledger, sources, as_of=as_of, policy=policy)
    begun = aside(
        forecast_fleet,
        *(jumps_known(ledger, sources), schedule),
        as_of=as_of,
        policy=policy,
        learnt=laws.forecasts,
    )
    loaded = beside.submit(load_fits)
    beside.submit(helped.meanwhile)
    charts = draw_charts(
        ledger, marks=sources.marks, service=sources.service, policy=policy, laws=laws.charts
    )
    loaded.result()
    drift = weigh_drift(ledger, policy, fleet=laws.drifts)
    study = study_in_force(sources, policy)
    reference = with_operators_of(study, reference_of(sources, ledger, policy, laws=laws.reference))
    conformity = weigh_conformity(
        *(sources.sessions, ledger, reference),
        policy=policy,
        study=study,
        scatter=laws.scatter,
    )
    recorded = weigh_record(
        *(ledger, drift[0], sources.meters), as_of=as_of, policy=policy, laws=laws.upkeep
    )
    trends = fit_lines(ledger, drift[0], policy) if helped.waits else None
    ahead = begun.result()
    own = begin_own(
        *(sources, (reference, conformity), ahead.fit),
        aside=aside,
        as_of=as_of,
        policy=policy,
        laws=laws,
    )
    helped.over()
    return _Weighed(schedule, charts, drift, reference, conformity, recorded, trends, ahead, own)


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


def _compare(
    earlier: Earlier | None,
    sources: Sources,
    found: _Found,
    meters: pl.DataFrame,
    *,
    as_of: date,
    policy: Policy,
) -> Since | None:
    """Say what has changed since an earlier review, if one was named."""
    if earlier is None:
        return None
    return changes_since(
        earlier,
        Present(
            as_of=as_of,
            version=__version__,
            policy=tables_of(policy),
            files=sources.files,
            meters=meters,
            signals=found.filed.signals,
            ledger=found.seen.ledger,
        ),
        tolerance_pct=policy.tolerance_pct,
        comparison=policy.comparison,
    )


def find_signals(
    sources: Sources, ledger: pl.DataFrame, *, policy: Policy
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the signals and the responses of a review alone, of sources and their ledger."""
    charts = draw_charts(ledger, marks=sources.marks, service=sources.service, policy=policy)
    checks = checks_of(sources, ledger, policy)
    return with_responses(signals_of(charts, ledger, checks.signals), sources, ledger)
