"""This module says of every meter where it stands and what must be done."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift.frames import Schema
from drift.review.fleet_facts import MeterEvidence, gather_facts, to_date
from drift.review.found_outside import POINT_PLACES
from drift.review.obligations import OBLIGATIONS, TOKENS, Verdict, decide
from drift.review.policy import Policy

# One row per meter: `data/meters.csv`, in the order of the file.  Values speak for the meter's
# worst point (highest probability of being out at the next due date); obligations are tokens of
# `drift.review.obligations`, strongest first, act_by the first day by which one is to be met.
METERS: Schema = {
    "meter_id": pl.String,
    "standing": pl.String,
    "overdue": pl.Boolean,
    "last_visit_on": pl.Date,
    "next_due_on": pl.Date,
    "visits": pl.Int64,
    "segments": pl.Int64,
    "worst_point_pct": pl.Float64,
    "as_found_bias_pct": pl.Float64,
    "level_pct": pl.Float64,
    "drift_pct_per_year": pl.Float64,
    "drift_low": pl.Float64,
    "drift_high": pl.Float64,
    "trend_p": pl.Float64,
    "trend_q": pl.Float64,
    "p_out_now": pl.Float64,
    "p_out_next_due": pl.Float64,
    "crossing_on": pl.Date,
    "crossing_early": pl.Date,
    "crossing_late": pl.Date,
    "repeatability_pct": pl.Float64,
    "resolution_limited": pl.Boolean,
    "obligations": pl.String,
    "act_by": pl.Date,
    "reason": pl.String,
    "action": pl.String,
}


@dataclass(frozen=True, slots=True)
class Standings:
    """Where the meters of a fleet stand and what must be done about them.

    Attributes
    ----------
    meters : pl.DataFrame
        Frame of `drift.review.meters.METERS`, by strongest obligation, then by P(out).
    obligations : pl.DataFrame
        Frame of `drift.review.obligations.OBLIGATIONS`, meters in the same order.
    """

    meters: pl.DataFrame
    obligations: pl.DataFrame


def build_meters(evidence: MeterEvidence, *, as_of: date, policy: Policy) -> Standings:
    """Decide all that is said of every meter.

    Parameters
    ----------
    evidence : Evidence
        What was found.
    as_of : date
        The date the review speaks for.
    policy : Policy
        The thresholds.
    """
    worst = _worst(_points(evidence.ledger, evidence.forecasts, evidence.path_trends))
    facts = gather_facts(evidence, worst, as_of=as_of, policy=policy)
    rows = (
        evidence.schedule.join(worst, on="meter_id", how="left")
        .join(
            evidence.chances.select("meter_id", p_out_next_due="p_out_due", p_out_now="p_out_now"),
            on="meter_id",
            how="left",
        )
        .join(_repeatability(evidence.ledger), on="meter_id", how="left")
        .sort("meter_id")
    )
    verdicts = [decide(facts[meter], policy) for meter in rows["meter_id"]]
    meters = _ordered(rows, verdicts)
    by_meter = dict(zip(rows["meter_id"], verdicts, strict=True))
    return Standings(
        meters=meters,
        obligations=pl.DataFrame(
            [
                (meter, one.token, one.since_on, one.by_on, one.brief, one.sentence)
                for meter in meters["meter_id"]
                for one in by_meter[meter].obligations
            ],
            schema=OBLIGATIONS,
            orient="row",
        ),
    )


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
            pl.col("p_out_due").fill_null(-1.0).round(POINT_PLACES),
            pl.col("as_found_bias_pct").abs().fill_null(-1.0).round(POINT_PLACES),
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


def _ordered(rows: pl.DataFrame, verdicts: list[Verdict]) -> pl.DataFrame:
    """Add the verdicts and sort as `in_order` does."""
    tokens = [[one.token for one in verdict.obligations] for verdict in verdicts]
    out = [verdict.standing == "out" for verdict in verdicts]
    judged = rows.with_columns(
        standing=pl.Series([verdict.standing for verdict in verdicts], dtype=pl.String),
        reason=pl.Series([verdict.reason for verdict in verdicts], dtype=pl.String),
        action=pl.Series([verdict.action for verdict in verdicts], dtype=pl.String),
        act_by=pl.Series([verdict.act_by for verdict in verdicts], dtype=pl.Date),
        obligations=pl.Series([" ".join(owed) for owed in tokens], dtype=pl.String),
        out=pl.Series(out, dtype=pl.Boolean),
    ).with_columns(
        # What has left the tolerance is not going to.
        pl.when(~pl.col("out")).then(name).alias(name)
        for name in ("crossing_on", "crossing_early", "crossing_late")
    )
    return in_order(
        judged.select(METERS.keys()).cast(METERS)  # type: ignore[arg-type]  # names to types
    )


def in_order(meters: pl.DataFrame) -> pl.DataFrame:
    """Sort a frame of `METERS` by the strongest obligation, then by risk; the retired last."""
    strongest = pl.col("obligations").str.split(" ").list.first()
    place = strongest.replace_strict(
        {token: at for at, token in enumerate(TOKENS)}, default=len(TOKENS), return_dtype=pl.Int64
    )
    return meters.sort(
        pl.col("standing") == "retired",
        place,
        "p_out_next_due",
        "meter_id",
        descending=[False, False, True, False],
        nulls_last=True,
    )
