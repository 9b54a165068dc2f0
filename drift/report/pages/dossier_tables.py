"""This module turns frames of one meter into the tables of its dossier."""

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import Any

import polars as pl

from drift import format as text
from drift.frames import Row, day_of, of_meter
from drift.report.pages import captions, trend_words
from drift.report.pages.parts import MeterRow, TrendRow
from drift.review.register_faults import register_faults
from drift.review.results import Review

# How limits are set.
_FORMS = {
    "kept_rate": "limits that keep their false-alarm rate",
    "sigma": "limits at multiples of sigma",
    "t": "limits at t times sigma",
}
_FACTS: tuple[tuple[str, str, Callable[[Any], str]], ...] = (
    ("maker", "Made by", str),
    ("model", "Model", str),
    ("serial", "Serial number", str),
    ("type", "Type", str),
    ("procedure", "Procedure", str),
    ("received_on", "Received", text.day),
    ("in_service_on", "In service since", text.day),
    ("removed_on", "Left for good", text.day),
    ("status", "Status on record", text.words_of),
    ("site", "Kept at", str),
    ("interval_days", "Interval", lambda days: text.count(days, "day")),
    ("dial_resolution_pct", "Dial read to", lambda pct: f"{text.plain(pct)}{text.NO_BREAK}% air"),
    ("remarks", "Remarks", str),
)


def facts(review: Review, meter_id: str) -> tuple[tuple[str, str], ...]:
    """Return what is on record of a meter beside its readings, as pairs of label and text."""
    known = of_meter(review.sources.meters, meter_id).to_dicts()
    row = known[-1] if known else {}
    own = [(label, shown(row[name])) for name, label, shown in _FACTS if row.get(name) is not None]
    return (*own, *_vessels_used(review, meter_id))


def _vessels_used(review: Review, meter_id: str) -> list[tuple[str, str]]:
    """Return the certificates on record of the vessels that a meter was read with."""
    sessions = review.sources.sessions
    read = sessions["vessel_id"].filter(sessions["meter_id"] == meter_id).unique()
    used = {name for names in read.drop_nulls() for name in names.split(" + ")}
    named = ("calibrated_on", "certificate", "due_on")
    kept = [
        (item, *row)
        for items, key in (
            (review.sources.vessels, "vessel_id"),
            (review.sources.equipment, "equipment_id"),
        )
        for item, *row in zip(items[key], *(items[name] for name in named), strict=True)
        if item in used and row[1] is not None
    ]
    return [
        (
            f"Vessel {item}",
            f"certificate {certificate} of {text.day(on)}"
            + (f", to {text.day(due)}" if due else ""),
        )
        for item, on, certificate, due in sorted(kept, key=lambda row: row[:2])
    ]


def trend_rows(
    trends: pl.DataFrame,
    path_trends: pl.DataFrame,
    forecasts: pl.DataFrame,
    *,
    meter: MeterRow,
    review: Review,
) -> tuple[TrendRow, ...]:
    """Return trend and forecast of each point of one meter, in order of the points."""
    ahead = {row["series"]: row for row in forecasts.iter_rows(named=True)}
    paths = {row["series"]: row for row in path_trends.iter_rows(named=True)}
    unknown = dict.fromkeys((*forecasts.columns, *path_trends.columns))
    rows = []
    for row in trends.iter_rows(named=True):
        # Of a name that several have that of the trends counts, then that of the paths.
        series = row["series"]
        drifts = dict.fromkeys(("drift", "drift_low", "drift_high"))
        rows.append({**unknown, **ahead.get(series, {}), **drifts, **paths.get(series, {}), **row})
    rows.sort(key=lambda row: float(row["point_pct"]))
    return tuple(_trend_row(row, meter=meter, review=review) for row in rows)


def _trend_row(row: dict[str, Any], *, meter: MeterRow, review: Review) -> TrendRow:
    """Return trend and forecast at one point."""
    return TrendRow(
        point_pct=row["point_pct"],
        visits=row["visits"] or 0,
        drift=row["drift"],
        low=row["drift_low"],
        high=row["drift_high"],
        p=row["drift_p"],
        q=row["drift_q"],
        verdict=row["verdict"],
        slope=row["slope"],
        slope_low=row["slope_low"],
        slope_high=row["slope_high"],
        slope_p=row["slope_p"],
        robust_slope=row["robust_slope"],
        robust_low=row["robust_low"],
        robust_high=row["robust_high"],
        known_slope=row["known_slope"],
        known_low=row["known_low"],
        known_high=row["known_high"],
        sen_slope=row["sen_slope"],
        sen_low=row["sen_low"],
        sen_high=row["sen_high"],
        kendall_p=row["kendall_p"],
        residuals=trend_words.residuals(row, level=review.policy.trend_level),
        level=row["level"],
        at_due=row["at_due"],
        at_due_low=row["at_due_low"],
        at_due_high=row["at_due_high"],
        next_mean_low=row["next_mean_low"],
        next_mean_high=row["next_mean_high"],
        p_out=row["p_out_due"],
        crossing=captions.crossing(
            on=day_of(row["crossing"]),
            early=day_of(row["crossing_early"]),
            late=day_of(row["crossing_late"]),
            p_out=row["p_out_due"],
            outside=meter.standing == "out"
            and row["level"] is not None
            and abs(row["level"]) > review.policy.tolerance_pct,
            last_visit_on=meter.last_visit_on,
            policy=review.policy,
            as_of=review.as_of,
        ),
    )


@dataclass(frozen=True, slots=True)
class PointReading:
    """What was read at one point of one visit, % air; None where not read or not known."""

    found_pct: float | None
    left_pct: float | None
    step_pct: float | None
    path_pct: float | None
    out: bool


@dataclass(frozen=True, slots=True)
class VisitRow:
    """One visit: points in the order of the page; adjusted and lost concern any of them."""

    performed_on: date
    points: tuple[PointReading | None, ...]
    adjusted: bool
    evidence_lost: bool
    signals: int
    vessel_id: str
    operator: str
    events: str
    remarks: str


def visit_rows(ledger: pl.DataFrame, signals: pl.DataFrame) -> tuple[VisitRow, ...]:
    """Return the visits of one meter, newest first, each with its points side by side."""
    points = ledger["point_pct"].unique().sort().to_list()
    spoke = Counter(signals["visit_on"])
    ordered = ledger.sort("performed_on", "visit_id", "point_pct", descending=[True, True, False])
    together = groupby(ordered.to_dicts(), key=lambda row: (row["performed_on"], row["visit_id"]))
    return tuple(_visit_row(list(rows), points=points, spoke=spoke) for _, rows in together)


def _visit_row(
    visit: list[dict[str, Any]], *, points: list[float], spoke: Mapping[date, int]
) -> VisitRow:
    """Return one visit from its rows; `spoke` counts signals by date."""
    read = {row["point_pct"]: row for row in visit}
    on = visit[0]["performed_on"]
    return VisitRow(
        performed_on=on,
        points=tuple(_reading(read[pct]) if pct in read else None for pct in points),
        adjusted=any(row["adjusted"] for row in visit),
        evidence_lost=any(row["evidence_lost"] for row in visit),
        signals=spoke.get(on, 0),
        vessel_id=_joined(visit, "vessel_id"),
        operator=_joined(visit, "operator"),
        events=_joined(visit, "events"),
        remarks=_joined(visit, "remarks"),
    )


def _reading(row: dict[str, Any]) -> PointReading:
    """Return what one visit says of one point."""
    return PointReading(
        found_pct=row["as_found_bias_pct"],
        left_pct=row["as_left_bias_pct"],
        step_pct=row["drift_step_pct"],
        path_pct=row["unadjusted_path_pct"],
        out=row["within"] is False,
    )


def _joined(visit: list[dict[str, Any]], column: str) -> str:
    """Return the different texts of a column, in order of the points."""
    return "; ".join(dict.fromkeys(row[column] for row in visit if row[column]))


@dataclass(frozen=True, slots=True)
class LimitRow:
    """Where the limits of one chart, point and phase come from; note is of the list below."""

    point_pct: float
    phase: int
    centre: float | None
    sigma: float | None
    points: int
    first_on: date | None
    last_on: date | None
    note: str
    full: bool


@dataclass(frozen=True, slots=True)
class LimitGroup:
    """Limits of one chart that were set in the same way: false alarms, estimator and form."""

    chart: str
    alarms: str
    estimator: str
    rows: tuple[LimitRow, ...]


def limit_groups(limits: pl.DataFrame, ledger: pl.DataFrame) -> tuple[LimitGroup, ...]:
    """Return where the limits of one meter's charts, `Review.limits_settled`, come from."""
    points = dict(zip(ledger["series"], ledger["point_pct"], strict=True))
    known = [row for row in limits.iter_rows(named=True) if row["series"] in points]
    rows = sorted(known, key=lambda row: (row["chart"], points[row["series"]], row["phase"]))
    together = groupby(
        rows,
        key=lambda row: (row["chart"], row["nominal_rate"], row["attained_rate"], _set_by(row)),
    )
    return tuple(
        LimitGroup(
            chart=text.words_of(chart),
            alarms=_alarms(nominal, attained),
            estimator=estimator,
            rows=tuple(_limit_row(row, points[row["series"]]) for row in group),
        )
        for (chart, nominal, attained, estimator), group in together
    )


def _set_by(limit: Row) -> str:
    """Return how limits are set: estimator and form, those that are known."""
    return "; ".join(filter(None, (limit["estimator"], _FORMS.get(limit["form"]))))


def _limit_row(limit: Row, point_pct: float) -> LimitRow:
    """Return one row of the table."""
    left_out = f"Left out: {limit['left_out']}." if limit["left_out"] else None
    return LimitRow(
        point_pct=point_pct,
        phase=limit["phase"],
        centre=limit["centre"],
        sigma=limit["sigma"],
        points=limit["points"],
        first_on=day_of(limit["first_t_years"]),
        last_on=day_of(limit["last_t_years"]),
        note=" ".join([limit["note"] or "", *([left_out] if left_out else [])]),
        full=limit["full"],
    )


def _alarms(nominal: float | None, attained: float | None) -> str:
    """Return the false-alarm rate that was aimed at and the one that the dial allows."""
    if attained is None:
        return text.rate(nominal)
    return f"{text.rate(nominal)}, attained {text.rate(attained)}"


@dataclass(frozen=True, slots=True)
class EventRow:
    """One service event or mark record."""

    performed_on: date
    what: str
    operator: str
    remarks: str


def event_rows(review: Review, meter_id: str) -> tuple[EventRow, ...]:
    """Return service events and mark records of one meter, newest first."""
    told = (
        (review.sources.service, lambda row: row["action"].replace("_", " ")),
        (review.sources.marks, _mark_words),
    )
    events = [
        EventRow(
            performed_on=row["performed_on"],
            what=said(row),
            operator=row["operator"] or "",
            remarks=row["remarks"] or "",
        )
        for frame, said in told
        for row in of_meter(frame, meter_id).iter_rows(named=True)
    ]
    return tuple(sorted(events, key=lambda event: (event.performed_on, event.what), reverse=True))


def _mark_words(row: dict[str, Any]) -> str:
    """Return one record of the initial pressure mark in words."""
    units = {"kpa": "kPa", "psi": "psi"}
    unit = units.get(row["mark_unit"] or "", "% on the dial")
    zero = row["zero_reading_pct"]
    zero_words = f"; zero check read {text.plain(zero)}{text.NO_BREAK}%" if text.known(zero) else ""
    at = f"{text.plain(row['mark'])}{text.NO_BREAK}{unit}"
    return f"initial pressure mark {row['action']} at {at}{zero_words}"


@dataclass(frozen=True, slots=True)
class ComparedRow:
    """New visits at one point compared with old ones; began_on is None but for a new phase."""

    point_pct: float
    phase: int
    began_on: date | None
    why: str
    sentence: str


# Verdicts of `Review.phases` after which limits are not what they were before.
_CHANGES = ("spread_differs", "level_differs", "own_baseline", "other_gauge")


def compared_rows(review: Review, meter_id: str) -> tuple[tuple[ComparedRow, ...], int]:
    """Return where new visits of one meter differ from old ones, and how often they do not."""
    columns = ("verdict", "point_pct", "phase", "began_on", "why", "sentence")
    mine = of_meter(review.phases, meter_id).select(columns).rows()
    changed = tuple(
        ComparedRow(point, phase, began_on, why or "", sentence)
        for verdict, point, phase, began_on, why, sentence in mine
        if verdict in _CHANGES
    )
    return changed, len(mine) - len(changed)


def noted(review: Review, meter_id: str) -> tuple[str, ...]:
    """Return a sentence for each use while barred, row that could not be read and id alike."""
    words = (*_of(review.alike, "words", meter_id), *_of(review.held, "words", meter_id))
    told = [f"{clause[:1].upper()}{clause[1:]}." for clause in words]
    faults = _of(register_faults(review), "sentence", meter_id)
    return (*_of(review.uses, "sentence", meter_id), *faults, *told)


def _of(frame: pl.DataFrame, column: str, meter_id: str) -> pl.Series:
    """Return a column of the rows of one meter."""
    return frame[column].filter(frame["meter_id"] == meter_id)
