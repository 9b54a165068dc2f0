"""This module decides where meters stand: as read, or without what they share."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift.forecast.forecasts import Forecasts
from drift.review.barred_uses import late_uses, uses_noted
from drift.review.fleet_facts import MeterEvidence
from drift.review.meters import Standings, build_meters
from drift.review.noted import Records
from drift.review.policy import Policy
from drift.store.tables import Sources
from drift.trend.change_points import link_jumps


@dataclass(frozen=True, slots=True)
class Seen:
    """What the readings say of every meter, as they were read or without what meters share.

    Attributes
    ----------
    ledger, schedule : pl.DataFrame
        Of `build_ledger` and `build_schedule`.
    ahead : Forecasts
        To the next visit of each meter and further.
    path_trends, changes : pl.DataFrame
        Of `drift.trend.weigh.weigh_drift`.
    verdicts : pl.DataFrame
        Of `drift.conformity.weigh.judge_sittings`.
    falls : pl.DataFrame
        Of `drift.upkeep.weigh.meter_falls`.
    phases : pl.DataFrame
        Frame of `drift.limits.baseline_change.COMPARED`.
    """

    ledger: pl.DataFrame
    schedule: pl.DataFrame
    ahead: Forecasts
    path_trends: pl.DataFrame
    changes: pl.DataFrame
    verdicts: pl.DataFrame
    falls: pl.DataFrame
    phases: pl.DataFrame


@dataclass(frozen=True, slots=True)
class OnFile:
    """What is on file of every meter, whatever its readings say.

    Attributes
    ----------
    signals, responses : pl.DataFrame
        Signals with ``answered_on``; frame of `drift.review.responses.RESPONSES`.
    records : Records
        What the rows themselves say.
    """

    signals: pl.DataFrame
    responses: pl.DataFrame
    records: Records


def stand(sources: Sources, seen: Seen, filed: OnFile, *, as_of: date, policy: Policy) -> Standings:
    """Decide where every meter stands, by what was seen of it and what is on file.

    Parameters
    ----------
    sources : Sources
        Whose readings were seen.
    seen : Seen
        As they were read, or without what meters share.
    filed : OnFile
    as_of : date
        The date the review speaks for.
    policy : Policy
        The thresholds.
    """
    late = late_uses(filed.records.uses, as_of=as_of, days=policy.signal_days)
    evidence = MeterEvidence(
        ledger=seen.ledger,
        verdicts=seen.verdicts,
        forecasts=seen.ahead.series,
        chances=seen.ahead.meters,
        falls=seen.falls,
        path_trends=seen.path_trends,
        signals=filed.signals,
        responses=filed.responses,
        schedule=seen.schedule,
        jumps=link_jumps(seen.changes, ledger=seen.ledger, service=sources.service),
        phases=seen.phases,
        held=filed.records.held,
        misused=uses_noted(late),
        alike=filed.records.alike,
    )
    return build_meters(evidence, as_of=as_of, policy=policy)
