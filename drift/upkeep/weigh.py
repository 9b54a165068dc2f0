"""This module asks how long meters may go unseen, and how they move.

It strings together the pure parts: the forecasts as chances by the days since the last visit and as
processes after an adjustment, and the methods that set intervals.
"""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift.forecast.forecasts import Forecasts
from drift.frames import DAYS_PER_YEAR, EPOCH
from drift.meter.calibrations import looks_forward
from drift.upkeep.choices import UpkeepChoices
from drift.upkeep.intervals.estimates import days_to_target, meter_curves
from drift.upkeep.intervals.from_drift import days_after_adjustment, forecast_processes
from drift.upkeep.intervals.kindred import kindred_meters
from drift.upkeep.intervals.methods import Answer, IntervalEvidence, forecast_answers
from drift.upkeep.intervals.recommend import build_intervals, record_answers


@dataclass(frozen=True, slots=True)
class Upkeep:
    """How often meters are seen, how long they may go unseen, and how they move.

    Attributes
    ----------
    present : pl.DataFrame
        Of `present_intervals`.
    intervals : pl.DataFrame
        Frame of `drift.upkeep.intervals.recommend.INTERVALS`: for the fleet, for similar meters
        (left out where all are alike: they are the fleet) and for each meter that is not retired.
    processes : pl.DataFrame
        Of `fleet_processes`.
    falls : pl.DataFrame
        Of `meter_falls`.
    """

    present: pl.DataFrame
    intervals: pl.DataFrame
    processes: pl.DataFrame
    falls: pl.DataFrame


@dataclass(frozen=True, slots=True)
class OnRecord:
    """What the record says of how long meters may go unseen.

    Attributes
    ----------
    evidence : IntervalEvidence
        What intervals are set from.
    answers : tuple of Answer
        Of `drift.upkeep.intervals.recommend.record_answers`.
    replicates : int
        How often a meter is read at a point as a rule.
    """

    evidence: IntervalEvidence
    answers: tuple[Answer, ...]
    replicates: int


@dataclass(frozen=True, slots=True)
class UpkeepLaws:
    """What is known of a fleet before the intervals of some of its meters are set.

    Attributes
    ----------
    replicates : int
        Of `usual_replicates`.
    of_own_law : frozenset of str
        Meters whose times in tolerance are given a law of their own, by
        `drift.upkeep.intervals.methods.often_found_out`.
    """

    replicates: int
    of_own_law: frozenset[str]


def meter_falls(
    ledger: pl.DataFrame, ahead: Forecasts, *, as_of: date, policy: UpkeepChoices
) -> pl.DataFrame:
    """Return when each meter's chance of being in tolerance falls to the target.

    Returns
    -------
    pl.DataFrame
        Of `drift.upkeep.intervals.estimates.days_to_target`, with ``since_on``: days are counted
        from the last visit that looks forward, else from the last visit.  at_once is true where the
        chance was there on the day of the last visit itself.
    """
    seen = ledger.group_by("meter_id").agg(
        last_t_years=pl.coalesce(
            pl.col("t_years").filter(looks_forward()).max(), pl.col("t_years").max()
        ),
        since_on=pl.coalesce(
            pl.col("performed_on").filter(looks_forward()).max(), pl.col("performed_on").max()
        ),
    )
    times = ahead.series.group_by("meter_id").agg(
        pl.col("last_t_years").max(), pl.col("due_t_years").max()
    )
    known = ahead.meters.join(times, on="meter_id")
    further = pl.concat(
        [
            known.select("meter_id", t_years="last_t_years", p_out="p_out_then"),
            known.select("meter_id", t_years="due_t_years", p_out="p_out_due"),
        ]
    )
    curves = meter_curves(
        ahead.meters,
        ahead.meter_horizons,
        seen,
        now=(as_of - EPOCH).days / DAYS_PER_YEAR,
        further=further,
    )
    return days_to_target(curves, target=policy.intervals.target).join(
        seen.select("since_on", unit="meter_id"), on="unit", how="left"
    )


def present_intervals(
    ledger: pl.DataFrame, meters: pl.DataFrame, policy: UpkeepChoices
) -> pl.DataFrame:
    """Return the interval in force of every meter of the ledger that is not retired.

    Returns
    -------
    pl.DataFrame
        ``meter_id interval_days``, by meter_id.
    """
    known = meters.select("meter_id", "status", "interval_days").unique("meter_id", keep="last")
    return (
        ledger.select("meter_id")
        .unique()
        .join(known, on="meter_id", how="left")
        .filter(pl.col("status").fill_null("active") != "retired")
        .select("meter_id", pl.col("interval_days").fill_null(policy.interval_days))
        .sort("meter_id")
    )


def usual_replicates(ledger: pl.DataFrame) -> int:
    """Return how often a meter is read at a point as a rule."""
    read = ledger["as_found_replicates"].drop_nulls().median()
    return round(read) if isinstance(read, float) else 1


def fleet_processes(ahead: Forecasts, policy: UpkeepChoices, *, replicates: int) -> pl.DataFrame:
    """Return how each forecast series moves from its last visit on.

    Parameters
    ----------
    ahead : Forecasts
    policy : UpkeepChoices
    replicates : int
        Of `usual_replicates`.

    Returns
    -------
    pl.DataFrame
        Columns of `drift.upkeep.intervals.from_drift.PROCESSES`.
    """
    hyper = ahead.fit.hyper
    return forecast_processes(
        ahead.series,
        wander=hyper.wander,
        shock_rate=hyper.shock_rate * sum(kind.weight * kind.shocks for kind in hyper.kinds),
        shock_size=hyper.shock_size,
        reset_sd=hyper.reset_sd,
        visit_sd=hyper.visit_sd,
        replicates=replicates,
        band_level=policy.band_level,
    )


def needed_days(processes: pl.DataFrame, policy: UpkeepChoices) -> pl.DataFrame:
    """Return how long each meter, just adjusted, keeps the target of the policy.

    Returns
    -------
    pl.DataFrame
        Of `drift.upkeep.intervals.from_drift.days_after_adjustment`.
    """
    return days_after_adjustment(
        processes,
        tolerance=policy.tolerance_pct,
        target=policy.intervals.target,
        longest_days=policy.intervals.longest_days,
    )


def weigh_record(
    ledger: pl.DataFrame,
    path_trends: pl.DataFrame,
    meters: pl.DataFrame,
    *,
    as_of: date,
    policy: UpkeepChoices,
    laws: UpkeepLaws | None = None,
) -> OnRecord:
    """Weigh how long meters may go unseen by what they did, before anything is forecast.

    Parameters
    ----------
    ledger, path_trends : pl.DataFrame
        Frames of `drift.frames`.
    meters : pl.DataFrame
        Rows of the input table ``meters``; may lack meters or be empty.
    as_of : date
    policy : UpkeepChoices
    laws : UpkeepLaws or None
        Of the fleet that these are some meters of, whose own intervals are then left to the fleet;
        None where they are all of it.
    """
    kindred = kindred_meters(ledger, meters, as_of=as_of)
    evidence = IntervalEvidence(
        ledger=ledger,
        path_trends=path_trends,
        groups=kindred if laws is None else kindred.clear(),
        present=present_intervals(ledger, meters, policy),
        trend_level=policy.trend_level,
        of_own_law=None if laws is None else laws.of_own_law,
    )
    answers = record_answers(
        evidence,
        tolerance=policy.tolerance_pct,
        comparison=policy.comparison,
        choices=policy.intervals,
    )
    replicates = usual_replicates(ledger) if laws is None else laws.replicates
    return OnRecord(evidence, answers, replicates)


def weigh_upkeep(
    recorded: OnRecord, ahead: Forecasts, *, as_of: date, policy: UpkeepChoices
) -> Upkeep:
    """Weigh how long meters may go unseen, from what they did and what is forecast of them.

    Parameters
    ----------
    recorded : OnRecord
        Of `weigh_record`.
    ahead : Forecasts
        As of `as_of`.
    as_of : date
    policy : UpkeepChoices
    """
    evidence = recorded.evidence
    processes = fleet_processes(ahead, policy, replicates=recorded.replicates)
    falls = meter_falls(evidence.ledger, ahead, as_of=as_of, policy=policy)
    foreseen = forecast_answers(
        evidence, falls=falls, adjusted=needed_days(processes, policy), choices=policy.intervals
    )
    found = build_intervals(evidence, (*recorded.answers, *foreseen), choices=policy.intervals)
    # What retired meters did speaks for the fleet; nobody asks when to see them next.
    in_use = pl.col("meter_id").is_in(evidence.present["meter_id"].implode())
    return Upkeep(
        present=evidence.present,
        intervals=found.filter(pl.col("meter_id").is_null() | in_use),
        processes=processes,
        falls=falls,
    )
