"""This module gathers the facts of every meter of a fleet."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import polars as pl

from drift.arrays import Floats
from drift.frames import DAYS_PER_YEAR, EPOCH, Row
from drift.limits.checks.check_signals import CHECK_FAILED, CHECK_MARK
from drift.meter.calibrations import CalibrationRule, kept_points, points_given_up
from drift.review.found_outside import (
    POINT_PLACES,
    failed_in_row,
    grouped,
    largest,
    left_outside,
    outside_visits,
    settled_visits,
    with_limits,
)
from drift.review.level_changes import level_changes
from drift.review.meter_facts import CheckAsked, ConfirmedDrift, Facts, Noted
from drift.review.noted_rows import NOTED
from drift.review.obligation_words import given_up_words, partial_words
from drift.review.policy import Policy
from drift.trend.equivalence import DRIFTING
from drift.upkeep.retirement.ground_table import last_run

# A point that is no longer read is told for so long after.
_TOLD_DAYS = 365


@dataclass(frozen=True, slots=True)
class MeterEvidence:
    """What the facts of a fleet are gathered from.

    Attributes
    ----------
    ledger, forecasts, path_trends, signals : pl.DataFrame
        Frames of `drift.frames`; `signals` with ``answered_on``.
    verdicts : pl.DataFrame
        Verdict of the decision rule on every bias: ``meter_id visit_id point_pct stage verdict
        limit_pct``.
    chances : pl.DataFrame
        One row per meter, its points taken together: of `drift.forecast.forecasts`.
    falls : pl.DataFrame
        Of `drift.upkeep.weigh.meter_falls`.
    schedule : pl.DataFrame
        From `drift.review.schedule.build_schedule`.
    jumps : pl.DataFrame
        Frame of `drift.trend.change_points.JUMP_EVENTS`.
    phases : pl.DataFrame
        Frame of `drift.limits.baseline_change.COMPARED`.
    responses : pl.DataFrame
        Frame of `drift.review.responses.RESPONSES`.
    decisions : pl.DataFrame
        Rows of the input table ``decisions``.
    held, misused, alike : pl.DataFrame
        Frames of `drift.review.noted_rows.NOTED`.
    level_p : array or None
        As of `drift.review.stand.Seen`.
    """

    ledger: pl.DataFrame
    forecasts: pl.DataFrame
    path_trends: pl.DataFrame
    signals: pl.DataFrame
    verdicts: pl.DataFrame
    chances: pl.DataFrame
    falls: pl.DataFrame
    schedule: pl.DataFrame
    jumps: pl.DataFrame
    phases: pl.DataFrame
    responses: pl.DataFrame
    decisions: pl.DataFrame
    held: pl.DataFrame
    misused: pl.DataFrame
    alike: pl.DataFrame
    level_p: Floats | None = None


def to_date(t_years: pl.Expr) -> pl.Expr:
    """Turn a time in years since the epoch into the day it falls on."""
    return pl.lit(EPOCH) + pl.duration(days=(t_years * DAYS_PER_YEAR).round(0).cast(pl.Int64))


def gather_facts(
    evidence: MeterEvidence, worst: pl.DataFrame, *, as_of: date, policy: Policy
) -> dict[str, Facts]:
    """Return the facts of every meter.

    Parameters
    ----------
    evidence : Evidence
    worst : pl.DataFrame
        One row per meter: its worst point and what is forecast for it, as
        `drift.review.meters.METERS`.
    as_of : date
        The date the review speaks for.
    policy : Policy
    """
    since = as_of - timedelta(days=policy.signal_days)
    judged = with_limits(evidence.ledger, evidence.verdicts)
    told: dict[str, dict[str, Any]] = {
        "partial": _partial(evidence),
        "given_up": _given_up(evidence.ledger, as_of=as_of, policy=policy),
        "outside": left_outside(judged),
        "failures": outside_visits(
            judged, settled_visits(evidence.responses, evidence.decisions), since=since
        ),
        "failed_in_row": failed_in_row(judged),
        "confirmed": _confirmed(evidence),
        "jump": _late_jumps(evidence.jumps, since=since),
        "level_change": _level_changes(evidence, rate=policy.false_discovery_rate),
        "one_way": _one_way(evidence.ledger),
        "checked": _checked(evidence),
        "lost": _lost(evidence, since=since),
        "held": _noted(evidence.held),
        "misused": _noted(evidence.misused),
        "alike": _noted(evidence.alike),
    }
    falls = evidence.falls.select(
        "since_on", meter_id="unit", falls_after=pl.col("days").floor().cast(pl.Int64)
    ).select("meter_id", falls_on=pl.col("since_on") + pl.duration(days="falls_after"))
    rows = (
        evidence.schedule.join(worst, on="meter_id", how="left")
        .join(
            evidence.chances.select(
                "meter_id", p_due="p_out_due", p_now="p_out_now", p_then="p_out_then"
            ),
            on="meter_id",
            how="left",
        )
        .join(falls, on="meter_id", how="left")
        .join(_signals(evidence.signals, since=since), on="meter_id", how="left")
        .with_columns(pl.col("open_signals", "recent_signals").fill_null(0))
    )
    return {
        row["meter_id"]: _facts(
            row,
            {name: of[row["meter_id"]] for name, of in told.items() if row["meter_id"] in of},
            as_of=as_of,
        )
        for row in rows.iter_rows(named=True)
    }


def _facts(row: Row, told: Mapping[str, Any], *, as_of: date) -> Facts:
    """Return the facts of one meter from its row and what was told of it."""
    same = (
        *("status", "last_visit_on", "calibrated_on", "next_due_on", "speaks_for", "overdue"),
        *("visits", "interval_days", "p_then", "p_now", "p_due", "falls_on"),
        *("open_signals", "recent_signals", "signalled_on", "drift_low", "drift_high"),
        "resolution_limited",
    )
    return Facts(
        **{name: row[name] for name in same},
        **told,
        as_of=as_of,
        point=row["worst_point_pct"],
        level=row["level_pct"],
        drift=row["drift_pct_per_year"],
    )


def _partial(evidence: MeterEvidence) -> dict[str, tuple[Noted, ...]]:
    """Return the visits since each meter's last calibration that read too little to be one."""
    read = pl.col("as_found_bias_pct").is_not_null() | pl.col("as_left_bias_pct").is_not_null()
    later = (
        evidence.ledger.join(evidence.schedule.select("meter_id", "calibrated_on"), on="meter_id")
        .filter(
            (pl.col("performed_on") > pl.col("calibrated_on"))
            & pl.col("points_missing").is_not_null()
        )
        .group_by("meter_id", "performed_on")
        .agg(points=pl.col("point_pct").filter(read).unique().sort())
        .sort("meter_id", "performed_on", descending=[False, True])
    )
    return grouped(
        (meter, Noted(on, partial_words(points, on))) for meter, on, points in later.iter_rows()
    )


def _given_up(ledger: pl.DataFrame, *, as_of: date, policy: Policy) -> dict[str, tuple[Noted, ...]]:
    """Return the points that were given up within a year."""
    rule = CalibrationRule(required_points_pct=policy.required_points_pct)
    gone = points_given_up(kept_points(ledger, rule)).filter(
        pl.col("since_on") >= as_of - timedelta(days=_TOLD_DAYS)
    )
    return grouped(
        (meter, Noted(since, given_up_words(at, last)))
        for meter, at, last, since in gone.sort("meter_id", "kept_pct").iter_rows()
    )


def _confirmed(evidence: MeterEvidence) -> dict[str, tuple[ConfirmedDrift, ...]]:
    """Return the confirmed drifts of each meter, the surest first."""
    points = evidence.ledger.select("series", "meter_id", "point_pct").unique()
    rows = (
        evidence.path_trends.filter(pl.col("verdict") == DRIFTING)
        .join(points, on="series")
        .join(evidence.forecasts.select("series", "crossing"), on="series", how="left")
        .with_columns(crossing_on=to_date(pl.col("crossing")))
        .sort("meter_id", pl.col("drift_p").round_sig_figs(POINT_PLACES), "point_pct")
    )
    return grouped(
        (
            row["meter_id"],
            ConfirmedDrift(
                point=row["point_pct"],
                drift=row["drift"],
                low=row["drift_low"],
                high=row["drift_high"],
                q=row["drift_q"],
                crossing=row["crossing_on"],
            ),
        )
        for row in rows.iter_rows(named=True)
    )


def _late_jumps(jumps: pl.DataFrame, *, since: date) -> dict[str, Row]:
    """Return the largest jump of late of each meter."""
    late = largest(jumps.filter(pl.col("by") >= since), "size")
    return {row["meter_id"]: row for row in late.to_dicts()}


def _level_changes(evidence: MeterEvidence, *, rate: float) -> dict[str, Row]:
    """Return the surest changed level of each meter that no drift and no jump tells already."""
    points = evidence.ledger.select("series", "meter_id", "point_pct").unique()
    drifts = evidence.path_trends.filter(pl.col("verdict") == DRIFTING).join(points, on="series")
    key = ["meter_id", "point_pct"]
    told = pl.concat([drifts.select(key), evidence.jumps.select(key)])
    return level_changes(evidence.phases, told=told, rate=rate, among=evidence.level_p)


def _one_way(ledger: pl.DataFrame) -> dict[str, int]:
    """Return how many of each meter's last adjustments moved it the same way, signed.

    Of the gauge in place; an adjustment that was not read on both sides tells no direction.
    """
    moves = (
        ledger.filter(
            pl.col("adjusted") & (pl.col("gauge") == pl.col("gauge").max().over("meter_id"))
        )
        .group_by("meter_id", "performed_on", "visit_id")
        .agg(move=(pl.col("as_left_bias_pct") - pl.col("as_found_bias_pct")).mean().round(9))
        .drop_nulls("move")
        .sort("performed_on", "visit_id")
        .group_by("meter_id")
        .agg("move")
    )
    runs = {}
    for meter, of in moves.iter_rows():
        length = last_run(of)
        runs[meter] = length if sum(of[-length:]) > 0 else -length
    return runs


def _signals(signals: pl.DataFrame, *, since: date) -> pl.DataFrame:
    """Return how many signals of each meter have no response, and of what day the newest is."""
    return (
        signals.filter(pl.col("answered_on").is_null())
        .group_by("meter_id")
        .agg(
            open_signals=pl.len().cast(pl.Int64),
            recent_signals=(pl.col("visit_on") >= since).sum().cast(pl.Int64),
            signalled_on=pl.col("visit_on").max(),
        )
    )


def _checked(evidence: MeterEvidence) -> dict[str, tuple[CheckAsked, ...]]:
    """Return the open signals of checks since each meter's last calibration, newest first."""
    asking = (
        evidence.signals.filter(
            pl.col("chart").str.contains(CHECK_MARK) & pl.col("answered_on").is_null()
        )
        .join(evidence.schedule.select("meter_id", "calibrated_on"), on="meter_id")
        .filter(pl.col("calibrated_on").is_null() | (pl.col("visit_on") > pl.col("calibrated_on")))
        .select(
            "meter_id",
            "visit_on",
            what=pl.col("chart").str.split(CHECK_MARK).list.first(),
            failed=pl.col("rule") == CHECK_FAILED,
        )
        .unique()
        .sort("meter_id", "visit_on", "failed", "what", descending=[False, True, True, False])
    )
    return grouped(
        (meter, CheckAsked(on, what, failed)) for meter, on, what, failed in asking.iter_rows()
    )


def _lost(evidence: MeterEvidence, *, since: date) -> dict[str, tuple[date, ...]]:
    """Return the visits of late before which an adjustment destroyed the evidence."""
    answered = evidence.responses.filter(pl.col("problem") == "")
    lost = (
        evidence.ledger.filter(pl.col("evidence_lost") & (pl.col("performed_on") >= since))
        .select("meter_id", "performed_on")
        .unique()
        .join(
            answered.select("meter_id", performed_on="visit_on"),
            on=["meter_id", "performed_on"],
            how="anti",
        )
        .sort("meter_id", "performed_on")
    )
    return grouped(lost.iter_rows())


def _noted(rows: pl.DataFrame) -> dict[str, tuple[Noted, ...]]:
    """Return what is on file about each meter, newest first."""
    ordered = rows.sort("on_date", "words", descending=[True, False], nulls_last=True)
    return grouped(
        (meter, Noted(on, words, speaks))
        for meter, on, words, speaks in ordered.select(NOTED.keys()).iter_rows()
    )
