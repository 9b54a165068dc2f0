"""This module decides where meters stand: as read, or without what they share."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift.arrays import Floats
from drift.forecast.forecasts import Forecasts
from drift.review.barred_uses import find_barred_uses, late_uses, uses_noted
from drift.review.fleet_facts import MeterEvidence
from drift.review.meters import Standings, build_meters
from drift.review.noted_rows import held_rows_noted, names_noted
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
    level_p : array or None
        P values of comparisons with baselines that stand for a fleet, where these are some meters
        of it.
    """

    ledger: pl.DataFrame
    schedule: pl.DataFrame
    ahead: Forecasts
    path_trends: pl.DataFrame
    changes: pl.DataFrame
    verdicts: pl.DataFrame
    falls: pl.DataFrame
    phases: pl.DataFrame
    level_p: Floats | None = None


@dataclass(frozen=True, slots=True)
class Records:
    """What rows say beside their readings.

    Attributes
    ----------
    held, alike : pl.DataFrame
        Frames of `drift.review.noted_rows.NOTED`: rows that could not be read and the meters
        that they name; meters that may be one, written in several ways.
    uses : pl.DataFrame
        Frame of `drift.review.barred_uses.BARRED_USES`.
    """

    held: pl.DataFrame
    alike: pl.DataFrame
    uses: pl.DataFrame


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
        decisions=sources.decisions,
        schedule=seen.schedule,
        jumps=link_jumps(seen.changes, ledger=seen.ledger, service=sources.service),
        phases=seen.phases,
        held=filed.records.held,
        misused=uses_noted(late),
        alike=filed.records.alike,
        level_p=seen.level_p,
    )
    return build_meters(evidence, as_of=as_of, policy=policy)


@dataclass(frozen=True, slots=True)
class NotedNames:
    """What rows say of the names of a fleet's meters; attributes as of `Records`."""

    held: pl.DataFrame
    alike: pl.DataFrame


def note_names(sources: Sources, meter_ids: pl.Series) -> NotedNames:
    """Return unread rows that name meters of a review, and those of its meters that may be one."""
    # An id that only another table has may be a meter of the ledger written otherwise.
    tables = (sources.meters, sources.marks, sources.service, sources.field_tests)
    every_id = pl.concat([meter_ids, *(table["meter_id"] for table in tables)]).drop_nulls()
    return NotedNames(
        held=held_rows_noted(sources.held_rows, meter_ids),
        alike=names_noted(every_id).filter(pl.col("meter_id").is_in(meter_ids.implode())),
    )


def find_records(
    sources: Sources,
    ledger: pl.DataFrame,
    verdicts: pl.DataFrame,
    *,
    interval_days: int,
    names: NotedNames | None = None,
) -> Records:
    """Return what the rows themselves say: unread ones, ids alike, barred uses.

    Parameters
    ----------
    sources : Sources
    ledger : pl.DataFrame
        Of `drift.meter.ledger.build_ledger`.
    verdicts : pl.DataFrame
        Of `drift.conformity.weigh.weigh_conformity`.
    interval_days : int
        Days between calibrations where a meter has no interval of its own.
    names : NotedNames or None
        Of the fleet that these are some meters of; None where they are all of it.
    """
    meter_ids = ledger["meter_id"].unique()
    names = names or note_names(sources, meter_ids)
    theirs = pl.col("meter_id").is_in(meter_ids.implode())
    held = names.held.filter(theirs)
    return Records(
        held=held,
        alike=names.alike.filter(theirs),
        uses=find_barred_uses(
            sources.field_tests,
            ledger=ledger,
            verdicts=verdicts,
            meters=sources.meters,
            noted=held,
            interval_days=interval_days,
        ),
    )
