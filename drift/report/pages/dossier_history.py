"""This module gathers the rows of a dossier's large figure, all but its lanes of events."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

import polars as pl

from drift import format as text
from drift.frames import DAYS_PER_YEAR, Row, day_of
from drift.report.figures.meter_history import AS_FOUND, MOST_PANELS, ROOM, UNTOUCHED
from drift.review.results import Review

BOTH = "both"
# A value further out than this many times the tolerance is drawn at the edge, with its number.
_MOST_OUT = 6.0
# Control limits and forecasts further out widen the frame no more.
_SOFT_OUT = 2.2
# Beside the first and the last day, and beside what a panel has to show, in shares of it.
_BESIDE_DAYS, _BESIDE = 0.012, 0.06
_RUN_CHART = "individuals"


@dataclass(frozen=True, slots=True)
class PointRows:
    """What the figure shows of one verification point.

    Attributes
    ----------
    panel : int
        Its place from the top.
    point_pct : float
    visits : list of dict
        Its rows of `Review.judged`, by date.
    limits : list of dict
        Rows of the individuals chart with their ``performed_on``, by date.
    ahead : list of dict
        ``on_date level low high`` of the true bias expected, from the date of the review on.
    forecast, trend, jump : dict or None
        Its rows of `Review.forecasts`, `Review.path_trends` and `Review.jumps`.
    fitted : list of dict
        ``performed_on fit low high``: the line of its drift; empty where it jumped.
    """

    panel: int
    point_pct: float
    visits: list[Row]
    limits: list[Row]
    ahead: list[Row]
    forecast: Row | None
    trend: Row | None
    jump: Row | None
    fitted: list[Row]


@dataclass(frozen=True, slots=True)
class Frame:
    """The days and the biases that a figure shows; `ends` by state and panel, % air."""

    first: date
    last: date
    tolerance: float
    ends: dict[tuple[str, int], tuple[float, float]]

    def pixel(self, state: str) -> float:
        """Return how much bias a pixel stands for, % air, where all panels are shown."""
        return (
            sum(high - low for (named, _), (low, high) in self.ends.items() if named == state)
            / ROOM
        )


def history_points(review: Review, ledger: pl.DataFrame) -> list[PointRows]:
    """Return what the figure shows of each point of one meter.

    Parameters
    ----------
    review : Review
    ledger : pl.DataFrame
        Its rows of `Review.judged` for the meter.
    """
    by_series = _by_series(_rows(ledger.sort("series", "visit")))
    most_seen = sorted(by_series.values(), key=lambda rows: (len(rows), rows[0]["point_pct"]))
    kept = sorted(most_seen[-MOST_PANELS:], key=lambda rows: float(rows[0]["point_pct"]))
    ours = pl.col("series").is_in(list(by_series))
    limits = _limits(review.charted.filter(ours, pl.col("chart") == _RUN_CHART), by_series)
    forecasts = {row["series"]: _dated(row) for row in _rows(review.forecasts.filter(ours))}
    trends = {row["series"]: row for row in _rows(review.path_trends.filter(ours))}
    ahead = _ahead(review, ledger["meter_id"][0])
    jumps = {row["series"]: row for row in _rows(review.jumps.filter(ours))}
    return [
        PointRows(
            panel=panel,
            point_pct=visits[0]["point_pct"],
            visits=visits,
            limits=limits.get(series, []),
            ahead=[
                *_expected_now(forecasts.get(series), review.as_of),
                *ahead.get(visits[0]["point_pct"], []),
            ],
            forecast=forecasts.get(series),
            trend=trends.get(series),
            jump=jumps.get(series),
            fitted=[] if series in jumps else _wedge(visits, trends.get(series), review.as_of),
        )
        for panel, visits in enumerate(kept)
        for series in (visits[0]["series"],)
    ]


def _limits(charted: pl.DataFrame, visits: Mapping[int, list[Row]]) -> dict[int, list[Row]]:
    """Return rows of charts by series and in the order of visits, each with its day."""
    days = {
        series: {row["visit"]: row["performed_on"] for row in rows}
        for series, rows in visits.items()
    }
    known = [
        {**row, "performed_on": days[row["series"]][row["visit"]]}
        for row in _rows(charted)
        if row["visit"] in days[row["series"]]
    ]
    return _by_series(sorted(known, key=lambda row: int(row["visit"])))


def _rows(frame: pl.DataFrame) -> Iterator[Row]:
    """Return the rows of a frame by the names of its columns."""
    return frame.iter_rows(named=True)


def _dated(forecast: Row) -> Row:
    """Return a forecast with the days of its crossing."""
    times = ("crossing", "crossing_early", "crossing_late")
    return forecast | {f"{name}_on": day_of(forecast[name]) for name in times}


def _expected_now(forecast: Row | None, as_of: date) -> list[Row]:
    """Return the true bias expected on the date of the review, where it is known."""
    if forecast is None:
        return []
    now = {"level": "level", "low": "level_low", "high": "level_high"}
    row = {name: forecast[column] for name, column in now.items()}
    return [] if None in row.values() else [{"on_date": as_of, **row}]


def _ahead(review: Review, meter_id: str) -> dict[float, list[Row]]:
    """Return the true bias expected from the date of the review on, by point and day."""
    later = review.forecast.filter(
        pl.col("meter_id") == meter_id, pl.col("on_date") > review.as_of
    ).select("point_pct", "on_date", "level_pct", "low", "high")
    found: dict[float, list[Row]] = {}
    for point, on, *edges in sorted(later.drop_nulls().iter_rows(), key=lambda row: row[1]):
        names = ("level", "low", "high")
        row = {"on_date": on, **dict(zip(names, edges, strict=True))}
        found.setdefault(point, []).append(row)
    return found


def _wedge(visits: list[Row], trend: Row | None, as_of: date) -> list[Row]:
    """Return the line of a drift from the first visit on, with the wedge of its interval."""
    known = [row for row in visits if text.known(row["unadjusted_path_pct"])]
    if trend is None or trend["drift"] is None or len(known) < 2:
        return []
    start, began = known[0]["unadjusted_path_pct"], known[0]["performed_on"]
    return [
        {
            "performed_on": on,
            **{
                name: start + trend[rate] * (on - began).days / DAYS_PER_YEAR
                for name, rate in (("fit", "drift"), ("low", "drift_low"), ("high", "drift_high"))
            },
        }
        for on in (began, as_of)
    ]


def _by_series(rows: Iterable[Row]) -> dict[int, list[Row]]:
    """Return the rows of each series, in their order."""
    found: dict[int, list[Row]] = {}
    for row in rows:
        found.setdefault(row["series"], []).append(row)
    return found


def history_frame(review: Review, points: Sequence[PointRows]) -> Frame:
    """Return the days and biases that the figure has to show."""
    days = [row["performed_on"] for point in points for row in point.visits]
    coming = [row["on_date"] for point in points for row in point.ahead]
    first, last = min(days), max(*days, *coming, review.as_of)
    beside = timedelta(days=max(15, round(_BESIDE_DAYS * (last - first).days)))
    tolerance = review.policy.tolerance_pct
    ends = {}
    for point in points:
        ends[AS_FOUND, point.panel] = _ends(
            _found_reach(point, tolerance), tolerance, most=_MOST_OUT * tolerance
        )
        ends[UNTOUCHED, point.panel] = _ends(_path_reach(point), tolerance, most=math.inf)
    return Frame(first - beside, last + (beside if not coming else timedelta(0)), tolerance, ends)


def _found_reach(point: PointRows, tolerance: float) -> Iterator[float | None]:
    """Yield the biases that a panel of biases as found is to hold."""
    for row in point.visits:
        yield from (row["as_found_bias_pct"], row["as_left_bias_pct"])
    soft = _SOFT_OUT * tolerance
    for row in point.limits:
        yield from (value for value in (row["lower"], row["upper"]) if _within(value, soft))
    for row in point.ahead:
        yield from (max(-soft, row["low"]), min(soft, row["high"]))


def _path_reach(point: PointRows) -> Iterator[float | None]:
    """Yield the biases that a panel of the path without adjustments is to hold."""
    for row in point.visits:
        yield row["unadjusted_path_pct"]
    for row in point.fitted:
        yield row["fit"]


def _within(value: float | None, reach: float) -> bool:
    """Say whether a value is known and no further from zero than `reach`."""
    return text.known(value) and abs(value or 0.0) <= reach


def _ends(values: Iterator[float | None], tolerance: float, *, most: float) -> tuple[float, float]:
    """Return the ends of an axis of bias: beyond every value up to `most`, and the tolerance."""
    held = [
        min(most, max(-most, value)) for value in values if value is not None and text.known(value)
    ]
    low, high = min(-tolerance, *held), max(tolerance, *held)
    beside = _BESIDE * max(2 * tolerance, high - low)
    return low - beside, high + beside


def history_params(frame: Frame) -> dict[str, float]:
    """Return the ends of each panel in both states, as parameters of the chart."""
    params: dict[str, float] = {}
    for panel in range(MOST_PANELS):
        for state, name in ((AS_FOUND, "found"), (UNTOUCHED, "path")):
            low, high = frame.ends.get((state, panel), (0.0, 0.0))
            params |= {f"{name}_low_{panel}": low, f"{name}_high_{panel}": high}
    return params


def left_frame(point: PointRows, frame: Frame) -> Row | None:
    """Return the visit at which the path without adjustments first lies past the frame."""
    low, high = frame.ends[AS_FOUND, point.panel]
    if not any(row["adjusted"] for row in point.visits):
        return None
    return next(
        (
            row
            for row in point.visits
            if text.known(row["unadjusted_path_pct"])
            and not low <= row["unadjusted_path_pct"] <= high
        ),
        None,
    )


def _trace(point: PointRows, frame: Frame) -> int:
    """Return the visit up to which the path is drawn beside what was found; 0 for not at all."""
    left = left_frame(point, frame)
    return left["visit"] if left else 0


def visit_dots(points: Sequence[PointRows], frame: Frame) -> list[Row]:
    """Return a row a visit and point: where it was found and left, and what came before."""
    rows: list[Row] = []
    for point in points:
        trace = _trace(point, frame)
        for before, row in pairwise([{}, *point.visits]):
            # After evidence was lost nothing joins a visit to the one before.
            joined = before if row["drift_step_pct"] is not None else {}
            rows.append(
                {
                    "panel": point.panel,
                    "on": row["performed_on"],
                    "before_on": joined.get("performed_on"),
                    "before": joined.get("left_bias_pct"),
                    "found": row["as_found_bias_pct"],
                    "left": row["as_left_bias_pct"],
                    "before_path": joined.get("unadjusted_path_pct"),
                    "path": row["unadjusted_path_pct"],
                    "traced": row["visit"] <= trace,
                    "outside": row["within"] is False,
                    "reset": row["adjusted"],
                    "point": text.point(row["point_pct"]),
                    "operator": row["operator"] or None,
                    "vessel": row["vessel_id"] or None,
                    "remarks": row["remarks"] or None,
                }
            )
    return rows


def bands_of(points: Sequence[PointRows]) -> list[Row]:
    """Return the fan of the forecast and the wedge of the drift of each point."""
    rows = []
    for point in points:
        rows += [
            _band(point, AS_FOUND, row["on_date"], row["low"], row["level"], row["high"])
            for row in point.ahead
        ]
        rows += [
            _band(point, UNTOUCHED, row["performed_on"], row["low"], row["fit"], row["high"])
            for row in point.fitted
        ]
    return rows


def _band(point: PointRows, state: str, on: date, *edges: float) -> Row:
    """Return one day of a band."""
    low, middle, high = edges
    return {
        "panel": point.panel,
        "state": state,
        "on": on,
        "low": low,
        "middle": middle,
        "high": high,
    }
