"""Histories, charts, trends and forecasts of the fabricated review."""

from datetime import date, timedelta

import numpy as np
import polars as pl

from drift import frames
from drift.forecast.forecasts import SERIES
from drift.limits.charts.shape import CHARTED, LIMITS
from drift.meter.ledger import LEDGER
from drift.trend.change_points import CHANGES
from drift.trend.path_trend import PATH_TRENDS
from tests.fabricated_ids import (
    AS_OF,
    DRIFTER,
    FIRST,
    FRIENDLY,
    IDS,
    NEWCOMER,
    POINTS,
    REMARK,
    SCRIPT,
    VISITS,
)


def _years(on: date) -> float:
    return (on - frames.EPOCH).days / frames.DAYS_PER_YEAR


def filled_frame(rows: list[dict[str, object]], schema: frames.Schema) -> pl.DataFrame:
    """Return rows as a frame of `schema`; keys that a row lacks are null."""
    filled = [{name: row.get(name) for name in schema} for row in rows]
    return pl.DataFrame(filled, schema=schema)


def fabricate_ledger(noise: np.random.Generator) -> pl.DataFrame:
    rows: list[dict[str, object]] = []
    for series, (meter_id, point) in enumerate((m, p) for m in IDS for p in POINTS):
        drift = 0.06 if meter_id == DRIFTER else 0.0
        visits = 1 if meter_id == NEWCOMER else VISITS
        steps = drift / 4 + noise.normal(0, 0.02, visits)
        path = np.cumsum(steps)
        left, segment = 0.0, 1
        for visit in range(visits):
            found = left + (steps[visit] if visit else path[0])
            adjusted = meter_id == DRIFTER and visit in {3, 6}
            lost = meter_id == "CON" and visit == 4
            on = FIRST + timedelta(days=120 * visit)
            left = 0.01 if adjusted else found
            rows.append(
                {
                    "series": series,
                    "meter_id": meter_id,
                    "point_pct": point,
                    "visit": visit + 1,
                    "visit_id": on.isoformat(),
                    "performed_on": on,
                    "t_years": _years(on),
                    "correct_air_pct": point,
                    "as_found_bias_pct": None if lost else found,
                    "as_found_replicates": None if lost else 2,
                    "as_found_biases_pct": None if lost else [found - 0.005, found + 0.005],
                    "as_left_bias_pct": left if adjusted else None,
                    "left_bias_pct": None if lost else left,
                    "resolution_pct": 0.05,
                    "adjusted": adjusted or lost,
                    "events": "hand_reset" if adjusted else None,
                    "evidence_lost": lost,
                    "calibration": "neither" if lost else "both",
                    "points_missing": "5, 10" if lost else None,
                    "drift_step_pct": None if lost or not visit else steps[visit],
                    "unadjusted_path_pct": None if lost else path[visit],
                    "segment": segment,
                    "phase": 1,
                    "vessel_id": "V-1" if visit else None,
                    "operator": "R. <b>Example</b>",
                    "remarks": REMARK if visit == 2 else None,
                }
            )
            segment += adjusted or lost
    return filled_frame(rows, LEDGER)


def fabricate_charts(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return points of three charts; the newcomer has no limits, and one value is nan."""
    rows: list[dict[str, object]] = []
    for row in ledger.iter_rows(named=True):
        known = row["meter_id"] != NEWCOMER
        found = row["as_found_bias_pct"]
        both = {
            "series": row["series"],
            "visit": row["visit"],
            "t_years": row["t_years"],
            "phase": 1,
            "in_baseline": row["visit"] <= 7,
        }
        level = {"centre": 0.0, "lower": -0.08, "upper": 0.08} if known else {}
        moving = {"centre": 0.03, "upper": 0.09} if known else {}
        value = float("nan") if found is None else found
        rows += [
            both | {"chart": "individuals", "value": value} | level,
            both | {"chart": "ewma", "value": value} | level,
        ]
        if row["visit"] > 1:
            rows.append(both | {"chart": "moving_range", "value": abs(value)} | moving)
    return filled_frame(rows, CHARTED)


def fabricate_limits(ledger: pl.DataFrame) -> pl.DataFrame:
    rows: list[dict[str, object]] = [
        {
            "series": series,
            "chart": "individuals",
            "phase": 1,
            "centre": 0.0,
            "sigma": 0.0266,
            "points": 7,
            "first_t_years": _years(FIRST),
            "last_t_years": _years(FIRST + timedelta(days=720)),
            "estimator": "mean moving range / d2",
            "note": "first 7 visits",
        }
        for series in ledger.filter(pl.col("meter_id") != NEWCOMER)["series"].unique().sort()
    ]
    return filled_frame(rows, LIMITS)


def fabricate_path_trends(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return one drift of each verdict; the newcomer has none, the coarse dial hides its own."""
    told = {
        DRIFTER: {"drift": 0.058, "drift_p": 0.0002, "drift_q": 0.003, "verdict": "drifting"},
        FRIENDLY: {"drift": 0.004, "drift_p": 0.4, "drift_q": 0.6, "verdict": "shown_steady"},
        "am-01": {"drift_p": 0.6, "drift_q": 0.8, "verdict": "undecided"},
        NEWCOMER: {},
    }
    rows: list[dict[str, object]] = []
    for (series,), group in ledger.group_by("series", maintain_order=True):
        meter_id = group["meter_id"][0]
        other = {"drift": 0.02, "drift_p": 0.3, "drift_q": 0.5, "verdict": "undecided"}
        row: dict[str, object] = {"series": series, "steps": group.height - 1}
        row |= told.get(meter_id, other)
        if meter_id != NEWCOMER:
            row |= {"drift_low": -0.01, "drift_high": 0.07}
        rows.append(row)
    return filled_frame(rows, PATH_TRENDS)


def fabricate_changes(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return one jump, of the first hostile meter at 5 %."""
    mine = ledger.filter((pl.col("meter_id") == SCRIPT) & (pl.col("point_pct") == 5.0))
    row = {
        "series": mine["series"][0],
        "t_before": mine["t_years"][3],
        "t_after": mine["t_years"][4],
        "t_low": mine["t_years"][3],
        "t_high": mine["t_years"][4],
        "size": -0.12,
        "size_low": -0.16,
        "size_high": -0.08,
        "p": 0.001,
    }
    return filled_frame([row], CHANGES)


def fabricate_forecasts(ledger: pl.DataFrame) -> pl.DataFrame:
    rows: list[dict[str, object]] = []
    for (series,), group in ledger.group_by("series", maintain_order=True):
        meter_id, level = group["meter_id"][-1], group["left_bias_pct"][-1]
        row: dict[str, object] = {
            "series": series,
            "due_t_years": _years(AS_OF) + 0.2,
            "level": level,
        }
        if meter_id != NEWCOMER:
            row |= {
                "drift": 0.06,
                "drift_low": 0.04,
                "drift_high": 0.08,
                "at_due": level + 0.02,
                "at_due_low": level - 0.04,
                "at_due_high": level + 0.08,
                "next_mean_low": level - 0.06,
                "next_mean_high": level + 0.11,
                "p_out_due": 1.0 if meter_id == DRIFTER else 0.0,
            }
        if meter_id == DRIFTER:
            row |= {"crossing": _years(AS_OF) + 0.1, "crossing_early": _years(AS_OF) - 0.1}
        rows.append(row)
    return filled_frame(rows, SERIES)
