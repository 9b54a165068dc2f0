"""This module gathers what is known of each meter and orders the fleet; it computes no forecast."""

from datetime import date, timedelta
from typing import Any

import polars as pl

from drift.decisions.impact import with_verdicts
from drift.decisions.standing import Facts, Verdict, decide
from drift.frames import DAYS_PER_YEAR, EPOCH, METERS
from drift.policy import Policy
from drift.stats.calibrations import looks_forward
from drift.stats.conformity import ACCEPTED
from drift.stats.equivalence import DRIFTING

# Who is named first: those that need action before their next due date.
_ORDER = ("out", "drifting", "overdue", "watch", "unproven", "holding", "retired")


def to_date(t_years: pl.Expr) -> pl.Expr:
    """Turn a time in years since the epoch into the day it falls on."""
    return pl.lit(EPOCH) + pl.duration(days=(t_years * DAYS_PER_YEAR).round(0).cast(pl.Int64))


def build_meters(
    ledger: pl.DataFrame,
    *,
    verdicts: pl.DataFrame,
    forecasts: pl.DataFrame,
    chances: pl.DataFrame,
    path_trends: pl.DataFrame,
    signals: pl.DataFrame,
    schedule: pl.DataFrame,
    jumps: pl.DataFrame,
    as_of: date,
    policy: Policy,
) -> pl.DataFrame:
    """Decide the standing of every meter.

    Parameters
    ----------
    ledger, forecasts, path_trends, signals : pl.DataFrame
        Frames of `drift.frames`; `signals` with ``answered_on``.
    verdicts : pl.DataFrame
        Verdict of the decision rule on every bias: ``meter_id visit_id point_pct stage verdict
        limit_pct``.
    chances : pl.DataFrame
        One row per meter: ``meter_id`` and ``p_out_due``, its points taken together.
    schedule : pl.DataFrame
        From `drift.decisions.schedule.build_schedule`.
    jumps : pl.DataFrame
        Frame of `drift.stats.jump_events.JUMP_EVENTS`.
    as_of : date
        The date the review speaks for.
    policy : Policy
        The thresholds.

    Returns
    -------
    pl.DataFrame
        Frame of `drift.frames.METERS`, those that need action first.
    """
    points = _points(ledger, forecasts, path_trends)
    since = as_of - timedelta(days=policy.signal_days)
    open_signals = (
        signals.filter(pl.col("answered_on").is_null() & (pl.col("visit_on") >= since))
        .group_by("meter_id")
        .agg(open_signals=pl.len().cast(pl.Int64))
    )
    rows = (
        schedule.join(_worst(points), on="meter_id", how="left")
        .join(chances.select("meter_id", p_out_next_due="p_out_due"), on="meter_id", how="left")
        .join(_left_out(points, schedule, verdicts), on="meter_id", how="left")
        .join(_last_good(ledger, verdicts), on="meter_id", how="left")
        .join(_confirmed(points), on="meter_id", how="left")
        .join(_repeatability(ledger), on="meter_id", how="left")
        .join(open_signals, on="meter_id", how="left")
        .with_columns(pl.col("open_signals").fill_null(0))
        .sort("meter_id")
    )
    late = {
        row["meter_id"]: row
        for row in _largest(jumps.filter(pl.col("by") >= since), "size").to_dicts()
    }
    decided = [
        decide(_facts(row, as_of, jump=late.get(row["meter_id"])), policy)
        for row in rows.iter_rows(named=True)
    ]
    return _ordered(rows, decided)


def _points(
    ledger: pl.DataFrame, forecasts: pl.DataFrame, path_trends: pl.DataFrame
) -> pl.DataFrame:
    """Return one row per series: its last readings, forecast and trend."""
    last = ledger.group_by("series", "meter_id", "point_pct").agg(
        seen_on=pl.col("performed_on").last(),
        found=pl.col("as_found_bias_pct").last(),
        left=pl.col("left_bias_pct").last(),
        visit_id=pl.col("visit_id").last(),
        as_found_bias_pct=pl.col("as_found_bias_pct").drop_nulls().last(),
    )
    ahead = forecasts.select(
        "series", "level", "p_out_due", "crossing", "crossing_early", "crossing_late"
    )
    return last.join(ahead, on="series", how="left").join(path_trends, on="series", how="left")


def _worst(points: pl.DataFrame) -> pl.DataFrame:
    """Return each meter's worst point: highest P(out), then largest bias, then lowest point."""
    return (
        points.sort(
            "meter_id",
            pl.col("p_out_due").fill_null(-1.0),
            pl.col("as_found_bias_pct").abs().fill_null(-1.0),
            "point_pct",
            descending=[False, True, True, False],
        )
        .unique("meter_id", keep="first", maintain_order=True)
        .select(
            "meter_id",
            "as_found_bias_pct",
            worst_point_pct="point_pct",
            level_pct="level",
            drift_pct_per_year="drift",
            drift_low="drift_low",
            drift_high="drift_high",
            trend_p="drift_p",
            trend_q="drift_q",
            crossing_on=to_date(pl.col("crossing")),
            crossing_early=to_date(pl.col("crossing_early")),
            crossing_late=to_date(pl.col("crossing_late")),
            resolution_limited=pl.col("verdict").is_not_null() & pl.col("drift").is_null(),
        )
    )


def _confirmed(points: pl.DataFrame) -> pl.DataFrame:
    """Return the surest point of each meter whose drift is confirmed, with that drift."""
    return (
        points.filter(pl.col("verdict") == DRIFTING)
        .sort("meter_id", "drift_p", "point_pct")
        .unique("meter_id", keep="first", maintain_order=True)
        .select(
            "meter_id",
            confirmed_point="point_pct",
            confirmed_drift="drift",
            confirmed_low="drift_low",
            confirmed_high="drift_high",
        )
    )


def _left_out(points: pl.DataFrame, schedule: pl.DataFrame, verdicts: pl.DataFrame) -> pl.DataFrame:
    """Return where the last visit found each meter outside, and where it left it so.

    A level that nobody read after an adjustment is not shown to be inside.
    """
    key = ["meter_id", "visit_id", "point_pct"]

    def judged(stage: str) -> pl.DataFrame:
        return verdicts.filter(pl.col("stage") == stage).select(
            *key,
            pl.col("verdict").is_in(ACCEPTED).alias(f"{stage}_in"),
            pl.col("limit_pct").alias(f"{stage}_limit"),
        )

    at_last = (
        points.join(
            schedule.select("meter_id", seen_on="last_visit_on"), on=["meter_id", "seen_on"]
        )
        .join(judged("as_found"), on=key, how="left")
        .join(judged("as_left"), on=key, how="left")
        .with_columns(
            left_in=pl.when(pl.col("left").is_not_null()).then(
                pl.coalesce("as_left_in", "as_found_in")
            ),
            left_limit=pl.coalesce("as_left_limit", "as_found_limit"),
        )
    )
    failed = _largest(at_last.filter(~pl.col("as_found_in")), "found").select(
        "meter_id", failed_point="point_pct", failed_found="found", failed_limit="as_found_limit"
    )
    unknown = pl.col("left").is_null() & ~pl.col("as_found_in")
    left = at_last.filter(~pl.col("left_in") | unknown)
    out = _largest(left.with_columns(stood=pl.coalesce("left", "found")), "stood").select(
        "meter_id",
        out_point="point_pct",
        out_found="found",
        out_left="left",
        out_limit=pl.when(unknown).then("as_found_limit").otherwise("left_limit"),
    )
    return failed.join(out, on="meter_id", how="full", coalesce=True)


def _last_good(ledger: pl.DataFrame, verdicts: pl.DataFrame) -> pl.DataFrame:
    """Return the last day before each meter's last visit that let every point go accepted."""
    return (
        with_verdicts(ledger, verdicts)
        .filter(
            looks_forward()
            & (pl.col("performed_on") < pl.col("performed_on").max().over("meter_id"))
        )
        .group_by("meter_id", "performed_on")
        .agg(good=pl.col("left_inside").fill_null(value=False).all())
        .filter("good")
        .group_by("meter_id")
        .agg(good_on=pl.col("performed_on").max())
    )


def _largest(points: pl.DataFrame, bias: str) -> pl.DataFrame:
    """Return each meter's point with the largest bias either way."""
    return points.sort("meter_id", pl.col(bias).abs(), descending=[False, True]).unique(
        "meter_id", keep="first", maintain_order=True
    )


def _repeatability(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return the standard deviation of replicates, pooled over all visits, points and stages."""
    spreads = pl.concat(
        [
            ledger.select(
                "meter_id",
                freedom=pl.col(f"{stage}_replicates") - 1,
                squares=(pl.col(f"{stage}_replicates") - 1) * pl.col(f"{stage}_spread_pct") ** 2,
            )
            for stage in ("as_found", "as_left")
        ]
    ).drop_nulls()
    return (
        spreads.group_by("meter_id")
        .agg(repeatability_pct=(pl.col("squares").sum() / pl.col("freedom").sum()).sqrt())
        .with_columns(pl.col("repeatability_pct").fill_nan(None))
    )


def _facts(row: dict[str, Any], as_of: date, *, jump: dict[str, Any] | None) -> Facts:
    """Pick the facts of one meter out of its row."""
    return Facts(
        status=row["status"],
        overdue=row["overdue"],
        next_due_on=row["next_due_on"],
        speaks_for=row["speaks_for"],
        as_of=as_of,
        last_visit_on=row["last_visit_on"],
        visits=row["visits"],
        out_point=row["out_point"],
        out_found=row["out_found"],
        out_left=row["out_left"],
        out_limit=row["out_limit"],
        failed_point=row["failed_point"],
        failed_found=row["failed_found"],
        failed_limit=row["failed_limit"],
        good_on=row["good_on"],
        point=row["worst_point_pct"],
        level=row["level_pct"],
        drift=row["drift_pct_per_year"],
        drift_low=row["drift_low"],
        drift_high=row["drift_high"],
        p_out=row["p_out_next_due"],
        confirmed_point=row["confirmed_point"],
        confirmed_drift=row["confirmed_drift"],
        confirmed_low=row["confirmed_low"],
        confirmed_high=row["confirmed_high"],
        crossing_on=row["crossing_on"],
        crossing_early=row["crossing_early"],
        open_signals=row["open_signals"],
        resolution_limited=row["resolution_limited"],
        jump=jump,
    )


def _ordered(rows: pl.DataFrame, verdicts: list[Verdict]) -> pl.DataFrame:
    """Add the verdicts and sort by what needs action, then by risk."""
    judged = rows.with_columns(
        standing=pl.Series([verdict.standing for verdict in verdicts], dtype=pl.String),
        reason=pl.Series([verdict.reason for verdict in verdicts], dtype=pl.String),
        action=pl.Series([verdict.action for verdict in verdicts], dtype=pl.String),
    )
    group = (
        pl.when(pl.col("status") == "retired")
        .then(pl.lit("retired"))
        .when(pl.col("overdue") & ~pl.col("standing").is_in(["out", "drifting"]))
        .then(pl.lit("overdue"))
        .otherwise("standing")
    )
    place = group.replace_strict({name: at for at, name in enumerate(_ORDER)})
    return (
        judged.with_columns(place=place)
        .sort(
            "place", "p_out_next_due", "meter_id", descending=[False, True, False], nulls_last=True
        )
        .select(METERS.keys())
        .cast(METERS)  # type: ignore[arg-type]  # names to types
    )
