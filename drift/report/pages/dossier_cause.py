"""This module sets a meter's pattern over 0, 5 and 10 % air against that of each fault."""

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from drift import format as text
from drift.frames import Row
from drift.meter.causes import NOTHING
from drift.meter.dial import chamber_scale_of
from drift.meter.fault_pattern import (
    PATTERNED,
    FaultPattern,
    fitted_curve,
    growth_of,
    pattern_of_biases,
)
from drift.report.charts.rows import listed_rows
from drift.report.pages.dossier_bench import CAUSE_WORDS
from drift.report.pages.dossier_history import PointRows
from drift.review.results import Review
from drift.trend.equivalence import DRIFTING

# Visits whose biases make a pattern, and adjustments from which a drift is said to be hidden.
_VISITS, _HIDING = 4, 2
_PANELS = 6


@dataclass(frozen=True, slots=True)
class CausePanel:
    """One fault: its name, its chance, what decides for or against it, and its small figure."""

    name: str
    chance: str
    why: str
    likely: bool
    rows: str


@dataclass(frozen=True, slots=True)
class CausePart:
    """What a dossier says of the cause.

    Attributes
    ----------
    title : str
    lead : str
        What is drawn and on what it rests.
    hint : str
        The words of the readings' own weighing, with what was done about it.
    panels : tuple of CausePanel
        Likeliest first; none where there is nothing to explain.
    """

    title: str
    lead: str
    hint: str
    panels: tuple[CausePanel, ...]


@dataclass(frozen=True, slots=True)
class _Shown:
    """A pattern, whether of drifts, and of which visits where it is of biases."""

    pattern: FaultPattern
    of_drift: bool
    visits: list[Row]
    days: tuple[str, str]


def cause_part(
    review: Review, points: Sequence[PointRows], *, meter_id: str, hint: str
) -> CausePart:
    """Return what the dossier says of the cause.

    Parameters
    ----------
    review : Review
    points : sequence of PointRows
        What the large figure shows of the meter.
    meter_id : str
    hint : str
        What `drift.report.pages.dossier_bench` words of its readings' own weighing.
    """
    shown = _of_drift(review, meter_id) if _hidden(points) else _of_bias(points)
    weighed = _weighed(review, shown, meter_id) if shown else []
    if shown is None or not weighed:
        return CausePart("Nothing to look for on the bench", "", hint, ())
    best = weighed[0]
    panels = tuple(
        _panel(review, shown, row, meter_id=meter_id, likely=row is best and _told(row))
        for row in weighed[:_PANELS]
    )
    return CausePart(_title(best, shown), _lead(shown), hint, panels)


def _told(row: Row) -> bool:
    """Say whether a cause is likelier than all others together."""
    return row["probability"] > 0.5 and row["cause"] != NOTHING


def _hidden(points: Sequence[PointRows]) -> bool:
    """Say whether adjustments hide a drift that is confirmed."""
    drifts = any(point.trend and point.trend["verdict"] == DRIFTING for point in points)
    adjusted = {row["performed_on"] for point in points for row in point.visits if row["adjusted"]}
    return drifts and len(adjusted) >= _HIDING


def _of_drift(review: Review, meter_id: str) -> _Shown | None:
    """Return the yearly drift at each point."""
    pattern = review.drift_pattern(meter_id)
    return None if pattern is None else _Shown(pattern, of_drift=True, visits=[], days=("", ""))


def _of_bias(points: Sequence[PointRows]) -> _Shown | None:
    """Return the mean bias of each point at the last visits of one state of the meter."""
    since = max((point.jump["by"] for point in points if point.jump), default=None)
    segment = max(row["segment"] for point in points for row in point.visits)
    kept: list[tuple[float, list[Row]]] = []
    for point in points:
        rows = [
            row
            for row in point.visits
            if row["segment"] == segment
            and text.known(row["as_found_bias_pct"])
            and (since is None or row["performed_on"] >= since)
        ]
        if len(rows) > 1:
            kept.append((point.point_pct, rows[-_VISITS:]))
    if len(kept) < 2:
        return None
    visits = [row for _, rows in kept for row in rows]
    days = sorted({row["performed_on"] for row in visits})
    return _Shown(
        pattern_of_biases([(at, [row["as_found_bias_pct"] for row in rows]) for at, rows in kept]),
        of_drift=False,
        visits=visits,
        days=(text.day(days[0]), text.day(days[-1])),
    )


def _weighed(review: Review, shown: _Shown, meter_id: str) -> list[Row]:
    """Return the faults with their chances, likeliest first."""
    if shown.of_drift:
        return review.drift_causes(meter_id).to_dicts()
    causes = review.reference.causes.filter(pl.col("meter_id") == meter_id)
    latest = causes.filter(pl.col("segment") == pl.col("segment").max()).to_dicts()
    if not latest or latest[0]["probability"] is None:
        return []
    rows = [{"cause": row["cause"], "probability": row["probability"]} for row in latest]
    nothing = max(0.0, 1 - sum(row["probability"] for row in rows))
    rows.append({"cause": NOTHING, "probability": nothing})
    return sorted(rows, key=lambda row: row["probability"], reverse=True)


def _title(best: Row, shown: _Shown) -> str:
    """Return the finding on the cause."""
    if not _told(best):
        return "No cause stands out"
    name = CAUSE_WORDS[best["cause"]][0]
    if shown.of_drift:
        return f"The likeliest cause: {name}. Readings between resets cannot say so; the drift can."
    return f"The likeliest cause: {name}."


def _lead(shown: _Shown) -> str:
    """Say what the panels draw."""
    if shown.of_drift:
        what = "Drift a year at each point without adjustments, % air a year, with 95 % interval"
    else:
        what = (
            f"Mean bias at each point, {shown.days[0]} to {shown.days[1]}, % air, with 95 % "
            "interval; thin lines are the visits"
        )
    against = "against what one fault does by the dial's law, scaled to fit best"
    return f"{what}. The same dots in each panel, {against}."


def _panel(review: Review, shown: _Shown, row: Row, *, meter_id: str, likely: bool) -> CausePanel:
    """Return the panel of one fault."""
    cause = row["cause"]
    k = chamber_scale_of(review.sources.meters, meter_id)
    low, high = _ends(shown, k)
    tolerance = review.policy.tolerance_pct
    pattern = shown.pattern
    return CausePanel(
        name="nothing to explain" if cause == NOTHING else CAUSE_WORDS[cause][0],
        chance=text.probability(row["probability"]),
        why=_why(review, shown, cause, meter_id=meter_id, likely=likely),
        likely=likely,
        rows=listed_rows(
            "meter_cause",
            {
                "dots": [
                    {"point_pct": at, "mean": mean, "low": low, "high": high}
                    for at, mean, low, high in zip(
                        pattern.air_pct, pattern.values, pattern.low, pattern.high, strict=True
                    )
                ],
                "visits": [
                    {
                        "visit": row["visit"],
                        "on": row["performed_on"],
                        "point_pct": row["point_pct"],
                        "bias": row["as_found_bias_pct"],
                    }
                    for row in shown.visits
                ],
                "curve": [
                    {"air_pct": at, "bias": bias} for at, bias in fitted_curve(cause, pattern, k=k)
                ],
                "tolerance": [] if shown.of_drift else [{"low": -tolerance, "high": tolerance}],
            },
            params={"low": low, "high": high, "likely": likely},
        ),
    )


def _ends(shown: _Shown, k: float) -> tuple[float, float]:
    """Return the ends of the axis that all panels share."""
    values = [0.0, *shown.pattern.low, *shown.pattern.high]
    values += [row["as_found_bias_pct"] for row in shown.visits]
    for cause in PATTERNED:
        values += [bias for _, bias in fitted_curve(cause, shown.pattern, k=k)]
    low, high = min(values), max(values)
    beside = 0.06 * max(0.02, high - low)
    return low - beside, high + beside


def _why(review: Review, shown: _Shown, cause: str, *, meter_id: str, likely: bool) -> str:
    """Say what shape a fault has and what decides for or against it."""
    k = chamber_scale_of(review.sources.meters, meter_id)
    parts = [_SHAPES[cause].format(ratio=_ratio(cause, k)) if cause in _SHAPES else ""]
    if cause == "leak":
        parts.append(_erratic(review, meter_id))
    if cause == "mark_misplaced":
        parts.append(_mark_moves(review, meter_id))
    if cause == "vessel_volume":
        parts.append(
            _fleet(review) if shown.of_drift else "Would show on every meter that used it."
        )
    if cause == NOTHING and shown.of_drift:
        parts = ["A sound meter, read with scatter alone."]
    if likely:
        parts.append(CAUSE_WORDS[cause][1])
    return " ".join(part for part in parts if part)


_SHAPES = {
    "mark_misplaced": "Off at every point, growing as {ratio}, and steady.",
    "leak": "Off at every point, growing as {ratio}, and different from visit to visit.",
    "chamber_water": "Nothing at 0 %, growing as {ratio}, always high.",
    "hand_shifted": "Nothing at 0 %, growing as {ratio}.",
    "vessel_volume": "Nothing at 0 %, growing as {ratio}.",
    "plain_drift": "Grows with time at its own rate at each point; no one fault has its shape.",
    NOTHING: "A sound meter whose readings scattered so.",
}


def _ratio(cause: str, k: float) -> str:
    """Return how a fault grows over the points, such as 1 : 2 : 3."""
    return " : ".join(text.plain(round(each, 1)) for each in growth_of(cause, k=k))


def _erratic(review: Review, meter_id: str) -> str:
    """Say how its readings scatter now against the fleet's."""
    own = review.conformity.repeatability.filter(pl.col("meter_id") == meter_id).to_dicts()
    row = review.meters.filter(pl.col("meter_id") == meter_id).to_dicts()
    if not own or not row or not text.known(row[0]["repeatability_pct"]):
        return ""
    return (
        f"One reading scatters by {text.spread(row[0]['repeatability_pct'])}{text.NO_BREAK}% air."
    )


def _mark_moves(review: Review, meter_id: str) -> str:
    """Say whether the mark moved."""
    marks = review.sources.marks.filter(pl.col("meter_id") == meter_id).sort("performed_on")
    if marks.is_empty():
        return "Where the mark stood is not on record."
    moved = marks.filter(pl.col("action") == "moved").height
    if moved:
        return f"The mark was moved {text.count(moved, 'time')}."
    since = marks["performed_on"][0].year
    return f"The mark has stood at {text.plain(marks['mark'][-1])} since {since}."


def _fleet(review: Review) -> str:
    """Say how the fleet drifts together, which is all that a vessel can explain."""
    shared = review.reference.effects.filter(pl.col("kind") == "fleet_drift").to_dicts()
    if not shared or shared[0]["effect_pct"] is None:
        return "Would show alike on all meters that used it."
    row = shared[0]
    return (
        f"Would drift alike on all meters; together they drift {text.bias(row['effect_pct'])} a "
        f"year ({text.interval(row['low'], row['high'])})."
    )
