"""This module plans visits: which meters are due, what to read, what to expect."""

import math
from datetime import date, timedelta

import polars as pl

from drift.forecast.predict_visit import Bands, Expected, expected_at
from drift.format import day
from drift.frames import DAYS_PER_YEAR, EPOCH, Row, Schema
from drift.reference.bowl_pairs import bowl_pairs, in_force
from drift.review.policy import Policy
from drift.review.visit_check import History

# Days ahead of the review within which a meter is taken for due where no date was asked for: our
# choice, a month's work.
MONTH_DAYS = 30
# Readings at each point where the last visit does not say: two, for the rule of two successive.
_USUAL_REPLICATES = 2
_TIMES = ("once", "twice", "three times")
# Places to which a correct air content is written; a vessel is known to some thousandths.
_CORRECT_PLACES = 2

# One row per due meter and point, overdue meters first.  for_date is the day that is forecast: the
# due date, or the review's date where that is past.  correct_from says where correct_air_pct comes
# from.  bias_* are bands of the bias; reading_low to reading_high are the marks of the dial that
# one reading may show, all null where nothing can be expected; pass_low to pass_high is the
# tolerance about the correct air content.
PLAN: Schema = {
    "meter_id": pl.String,
    "next_due_on": pl.Date,
    "overdue_days": pl.Int64,
    "for_date": pl.Date,
    "point_pct": pl.Float64,
    "vessel_id": pl.String,
    "correct_air_pct": pl.Float64,
    "correct_from": pl.String,
    "replicates": pl.Int64,
    "resolution_pct": pl.Float64,
    "bias_mean_low": pl.Float64,
    "bias_mean_high": pl.Float64,
    "mean_low": pl.Float64,
    "mean_high": pl.Float64,
    "reading_low": pl.Float64,
    "reading_high": pl.Float64,
    "pass_low": pl.Float64,
    "pass_high": pl.Float64,
}


def due_by_default(as_of: date) -> date:
    """Return the date by which meters are due where none was asked for."""
    return as_of + timedelta(days=MONTH_DAYS)


def plan_visits(
    ledger: pl.DataFrame,
    *,
    schedule: pl.DataFrame,
    vessels: pl.DataFrame,
    bowls: pl.DataFrame,
    history: History,
    as_of: date,
    due_by: date,
    policy: Policy,
) -> pl.DataFrame:
    """Plan the visits of all meters that are due.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    schedule : pl.DataFrame
        ``meter_id`` and ``next_due_on``, null where nothing is due.
    vessels, bowls : pl.DataFrame
        Frames of `drift.reference.vessel_record.VESSEL_VALUES` and of
        `drift.reference.bowls.BOWL_VALUES`.
    history : History
        From `drift.review.visit_check.history_of`.
    as_of, due_by : date
        The review's date, and the last due date that is planned for.
    policy : Policy
        Tolerance and coverage of the bands.

    Returns
    -------
    pl.DataFrame
        Frame of `PLAN`, the longest overdue meter first, points in order.
    """
    due = schedule.filter(pl.col("next_due_on") <= due_by).sort("next_due_on", "meter_id")
    last = ledger.sort("series", "visit").group_by("series", maintain_order=True).last()
    usable = vessels.filter("usable", pl.col("calibrated_on") <= as_of)
    newest = {row["vessel_id"]: row for row in in_force(usable).iter_rows(named=True)}
    pairs = {
        (row["vessel_id"], row["meter_id"]): row
        for row in bowl_pairs(vessels, bowls, as_of=as_of).iter_rows(named=True)
    }
    bands = Bands(history.outlook)
    rows: list[Row] = []
    for meter in due.iter_rows(named=True):
        points = last.filter(pl.col("meter_id") == meter["meter_id"]).sort("point_pct")
        rows.extend(
            {
                "meter_id": meter["meter_id"],
                "next_due_on": meter["next_due_on"],
                "overdue_days": max((as_of - meter["next_due_on"]).days, 0),
                "for_date": max(meter["next_due_on"], as_of),
                "point_pct": point["point_pct"],
                **_reference(
                    point,
                    pairs.get((point["vessel_id"], point["meter_id"]))
                    or newest.get(point["vessel_id"]),
                ),
                "replicates": max(point["as_found_replicates"] or 0, _USUAL_REPLICATES),
                "resolution_pct": point["resolution_pct"] or policy.resolution_pct,
            }
            for point in points.iter_rows(named=True)
        )
    times = {
        history.series[key]: (row["for_date"] - EPOCH).days / DAYS_PER_YEAR
        for row in rows
        if (key := (row["meter_id"], row["point_pct"])) in history.series
    }
    found = expected_at(history.outlook, times)
    for row in rows:
        series = history.series.get((row["meter_id"], row["point_pct"]))
        row.update(_expected(row, None if series is None else found.get(series), bands, policy))
    return pl.DataFrame(rows, schema=PLAN)


def _reference(point: Row, value: Row | None) -> Row:
    """Return vessel and correct air content of a point, by what its vessel stands for."""
    stated = round(point["correct_air_pct"], 9)
    made: Row = {
        "vessel_id": point["vessel_id"],
        "correct_air_pct": stated,
        "correct_from": f"as at the visit of {day(point['performed_on'])}",
    }
    if stated == 0:
        return made | {"vessel_id": None, "correct_from": "bowl full of water"}
    if value is None:
        return made
    known = f"calibrated {day(value['calibrated_on'])}"
    if value.get("measured_on"):
        known += f", bowl measured {day(value['measured_on'])}"
    fills = min(max(round(stated / value["air_pct"]), 1), len(_TIMES))
    return made | {
        "correct_air_pct": round(value["air_pct"] * fills, _CORRECT_PLACES),
        "correct_from": f"{known}, drawn off {_TIMES[fills - 1]}",
    }


def _expected(row: Row, expected: Expected | None, bands: Bands, policy: Policy) -> Row:
    """Return what to expect of the readings of one point."""
    correct, step = row["correct_air_pct"], row["resolution_pct"]
    made: Row = {
        "pass_low": round(correct - policy.tolerance_pct, 9),
        "pass_high": round(correct + policy.tolerance_pct, 9),
    }
    if expected is None:
        return made
    level, count = policy.believable_level, row["replicates"]
    low, high = bands.band(expected, replicates=count, level=level)
    # As in `drift.review.visit_check`: all readings are covered together.
    one = bands.band(expected, replicates=1, level=1 - (1 - level) / count)
    marks = _marks(correct + one[0], correct + one[1], step)
    return made | {
        "bias_mean_low": low,
        "bias_mean_high": high,
        "mean_low": correct + low,
        "mean_high": correct + high,
        "reading_low": marks[0],
        "reading_high": marks[1],
    }


def _marks(low: float, high: float, step: float) -> tuple[float, float]:
    """Return the lowest and the highest mark of a dial from `low` to `high`, nearest if none."""
    first, last = math.ceil(low / step - 1e-6), math.floor(high / step + 1e-6)
    if first > last:
        first = last = round((low + high) / 2 / step)
    return round(first * step, 9), round(last * step, 9)
