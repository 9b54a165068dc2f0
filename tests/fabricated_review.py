"""A small seeded review whose meters have ids and remarks chosen to do harm.

It stands in for a laboratory when pages and figures are tested: the frames follow the schemas of
`drift.frames`, but no statistic in them was computed by the program.
"""

import dataclasses
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from drift import frames
from drift.limits.baseline_change import COMPARED
from drift.limits.charts.mark import MARK_CHARTS
from drift.limits.signals import SIGNALS
from drift.review.forecasts import FORECAST
from drift.review.meters import METERS
from drift.review.obligations import OBLIGATIONS
from drift.review.policy import Policy
from drift.review.responses import RESPONSES
from drift.review.results import Review
from drift.upkeep.intervals.estimates import FALLS
from drift.upkeep.intervals.from_drift import PROCESSES
from drift.upkeep.intervals.recommend import INTERVALS
from drift.upkeep.weigh import Upkeep
from tests.fabricated_conformity import fabricate_conformity
from tests.fabricated_history import (
    fabricate_changes,
    fabricate_charts,
    fabricate_forecasts,
    fabricate_ledger,
    fabricate_limits,
    fabricate_path_trends,
    filled_frame,
)
from tests.fabricated_ids import AS_OF, DRIFTER, FIRST, FRIENDLY, IDS, IMAGE, NEWCOMER, SCRIPT
from tests.fabricated_sources import fabricate_reference, fabricate_sources
from tests.fabricated_zero_span import fabricate_zero_span

# What is owed of meters of which anything is; the retired one owes nothing.
_OWED: dict[str, tuple[str, ...]] = {
    DRIFTER: ("do_not_use", "find_cause"),
    IDS[4]: ("overdue",),
    SCRIPT: ("close_file",),
    "CON": (),
}


def fabricate() -> Review:
    """Return the review."""
    noise = np.random.default_rng(20250115)
    ledger = fabricate_ledger(noise)
    made: dict[str, Any] = {
        "as_of": AS_OF,
        "source_name": f"histories {SCRIPT}",
        "policy": Policy(),
        "sources": fabricate_sources(ledger),
        "ledger": ledger,
        "charted": fabricate_charts(ledger),
        "limits": fabricate_limits(ledger),
        "phases": frames.empty(COMPARED),
        "marks": frames.empty(MARK_CHARTS),
        "path_trends": fabricate_path_trends(ledger),
        "changes": fabricate_changes(ledger),
        "forecasts": fabricate_forecasts(ledger),
        "signals": _signals(),
        "responses": _responses(),
        "meters": _meters(ledger),
        "obligations": _obligations(_meters(ledger)),
        "reference": fabricate_reference(),
        "upkeep": Upkeep(_present(), _intervals(), frames.empty(PROCESSES), frames.empty(FALLS)),
        "conformity": fabricate_conformity(ledger, hostile=IMAGE),
        "zero_span": fabricate_zero_span(),
        "own_meters": _own_meters(_meters(ledger)),
        "since": None,
        "fit": None,
    }
    # Frames that no page draws from are empty.
    empty = {
        field.name: frames.empty({"forecast": FORECAST}[field.name])
        for field in dataclasses.fields(Review)
        if field.name not in made
        and field.default is dataclasses.MISSING
        and field.default_factory is dataclasses.MISSING
    }
    return Review(**made | empty)


def of_many(review: Review, *, meters: int) -> Review:
    """Return a review of many meters that are like the friendly one, for pages of a whole fleet."""
    one = pl.col("meter_id") == FRIENDLY
    copies = pl.DataFrame(
        {
            "meter_id": [f"M-{number:04}" for number in range(meters)],
            "base": [2 * number for number in range(meters)],
            "shift": [0.001 * (number % 150 - 75) for number in range(meters)],
        }
    )
    ledger = review.ledger.filter(one)
    first = ledger["series"].min()
    series = pl.col("series") - first + pl.col("base")

    def copied(frame: pl.DataFrame) -> pl.DataFrame:
        return copies.join(frame.select(pl.exclude("meter_id")), how="cross")

    forecasts = review.forecasts.filter(pl.col("series").is_in(ledger["series"].unique().to_list()))
    shifted = pl.col("level", "at_due", "next_mean_low", "next_mean_high") + pl.col("shift")
    standing = pl.when(pl.col("base") % 10 == 0).then(pl.lit("watch")).otherwise(pl.lit("holding"))
    return dataclasses.replace(
        review,
        ledger=copied(ledger).with_columns(series=series).select(review.ledger.columns),
        forecasts=copied(forecasts)
        .with_columns(shifted, series=series)
        .select(review.forecasts.columns),
        meters=copied(review.meters.filter(one))
        .with_columns(standing=standing, level_pct=pl.col("shift"))
        .select(review.meters.columns),
    )


def _signals() -> pl.DataFrame:
    rows: list[dict[str, object]] = [
        {
            "signal_id": f"S-{number:010x}",
            "meter_id": meter_id,
            "visit_on": FIRST + timedelta(days=120 * visit),
            "point_pct": 5.0,
            "chart": chart,
            "rule": "beyond_limits",
            "value": 0.091,
            "limit": 0.08,
            "sentence": f"At visit {visit} of {meter_id} the bias lay beyond its limits.",
            "answered_on": date(2024, 9, 1) if number == 1 else None,
        }
        for number, (meter_id, visit, chart) in enumerate(
            [(DRIFTER, 3, "individuals"), (DRIFTER, 6, "moving_range"), (SCRIPT, 5, "individuals")]
        )
    ]
    return filled_frame(rows, SIGNALS | {"answered_on": pl.Date})


def _responses() -> pl.DataFrame:
    rows: list[dict[str, object]] = [
        {
            "signal_id": signal_id,
            "recorded_on": date(2024, 9, 1),
            "recorded_by": "A. Nobody",
            "finding": SCRIPT,
            "action": "hand reset",
            "problem": problem,
        }
        for signal_id, problem in (
            ("S-0000000001", ""),
            (IMAGE, "names no signal of this review"),
        )
    ]
    return filled_frame(rows, RESPONSES)


def _meters(ledger: pl.DataFrame) -> pl.DataFrame:
    standings = {DRIFTER: "drifting", SCRIPT: "watch", NEWCOMER: "unproven", "CON": "retired"}
    order = (DRIFTER, IDS[4], SCRIPT, *(i for i in IDS if i not in {DRIFTER, IDS[4], SCRIPT}))
    rows: list[dict[str, object]] = []
    for meter_id in order:
        mine = ledger.filter((pl.col("meter_id") == meter_id) & (pl.col("point_pct") == 5.0))
        last = mine["performed_on"][-1]
        row: dict[str, object] = {
            "meter_id": meter_id,
            "standing": standings.get(meter_id, "holding"),
            "overdue": meter_id == IDS[4],
            "last_visit_on": last,
            "next_due_on": None if meter_id == "CON" else last + timedelta(days=120),
            "visits": mine.height,
            "segments": mine["segment"][-1],
            "worst_point_pct": 5.0,
            "as_found_bias_pct": mine["as_found_bias_pct"][-1],
            "level_pct": mine["left_bias_pct"][-1],
            "resolution_limited": meter_id == "am-01",
            "obligations": " ".join(_OWED.get(meter_id, ("keep",))),
            "reason": f"Reason for {meter_id}.",
            "action": f"Action for {meter_id}.",
        }
        if meter_id not in {NEWCOMER, "am-01"}:
            row |= {
                "drift_pct_per_year": 0.06,
                "drift_low": 0.04,
                "drift_high": 0.08,
                "trend_p": 0.4,
                "trend_q": 0.6,
                "repeatability_pct": 0.021,
            }
        if meter_id != NEWCOMER:
            row |= {"p_out_next_due": 1.0 if meter_id == DRIFTER else 0.0}
        if meter_id == DRIFTER:
            row |= {"crossing_on": date(2025, 2, 20), "crossing_early": date(2024, 12, 10)}
        rows.append(row)
    return filled_frame(rows, METERS)


def _obligations(meters: pl.DataFrame) -> pl.DataFrame:
    """Return what is owed of each meter, in their order."""
    rows: list[dict[str, object]] = [
        {
            "meter_id": meter_id,
            "obligation": token,
            "by_on": AS_OF,
            "brief": f"{token} briefly",
            "sentence": f"{token} of {meter_id}.",
        }
        for meter_id, owed in meters.select("meter_id", "obligations").iter_rows()
        for token in owed.split()
    ]
    return filled_frame(rows, OBLIGATIONS)


def _own_meters(meters: pl.DataFrame) -> pl.DataFrame:
    """Return the meters as they stand without what they share: one hostile id stands better."""
    better = pl.when(pl.col("meter_id") == SCRIPT)
    return meters.with_columns(
        standing=better.then(pl.lit("holding")).otherwise("standing"),
        p_out_next_due=better.then(0.02).otherwise("p_out_next_due"),
    )


def _present() -> pl.DataFrame:
    """Return the intervals in force; the retired meter has none."""
    in_use = [meter_id for meter_id in IDS if meter_id != "CON"]
    return pl.DataFrame({"meter_id": in_use, "interval_days": [120] * len(in_use)})


def _intervals() -> pl.DataFrame:
    """Return each kind of answer: days, days at least, none, and a hostile group and meter."""
    advice: dict[str, object] = {"method": "recommendation", "evidence": 8, "carried": True}
    told: dict[str, object] = {"evidence": 8, "carried": False}
    fleet: dict[str, object] = {"scope": "fleet", "name": "fleet"}
    like: dict[str, object] = {"scope": "like", "name": f"built as {SCRIPT}"}
    rows: list[dict[str, object]] = [
        fleet | advice | {"days": 91.0, "basis": "91 days for the fleet."},
        fleet | told | {"method": "survival_weibull", "basis": "No law follows from so few."},
        fleet
        | told
        | {"method": "reliability", "days": 178.6, "low_days": 104.5, "high_days": 335.8}
        | {"carried": True, "basis": "491 of 504 checks passed."},
        like | advice | {"days": 60.0, "basis": f"60 days as {SCRIPT}."},
        like | told | {"method": "reliability", "low_days": 36.2, "basis": "8 of 8 passed."},
    ]
    for meter_id, days in ((DRIFTER, 45.0), (SCRIPT, 60.0), (FRIENDLY, 120.0)):
        meter: dict[str, object] = {"scope": "meter", "name": meter_id, "meter_id": meter_id}
        rows += [
            meter | advice | {"days": days, "basis": f"Advice for {meter_id}."},
            meter
            | told
            | {"method": "forecast", "days": days, "carried": True, "basis": "The forecast falls."},
        ]
    return filled_frame(rows, INTERVALS)
