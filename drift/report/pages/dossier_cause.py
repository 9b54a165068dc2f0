"""This module says what may have put a meter off: its pattern over 0, 5 and 10 % against each fault's."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.special import stdtrit

from drift import format as text
from drift.frames import Row
from drift.meter.causes import NOTHING
from drift.meter.dial import chamber_scale_of
from drift.meter.drift_pattern import PATTERNED, best_amplitude, pattern_of
from drift.report.charts.rows import figure_rows
from drift.report.pages.dossier_bench import CAUSE_WORDS
from drift.report.pages.dossier_history import PointRows
from drift.review.results import Review
from drift.trend.equivalence import DRIFTING

# Visits whose biases make a pattern, and adjustments from which a drift is said to be hidden.
_VISITS, _HIDING = 4, 2
_CONFIDENCE = 0.95
_PANELS = 6
# Along a curve, % air.
_ALONG = np.linspace(0, 10, 11)


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
class _Pattern:
    """What a meter shows at its points: values with errors and interval, and what they are of."""

    of_drift: bool
    air_pct: list[float]
    mean: list[float]
    error: list[float]
    low: list[float]
    high: list[float]
    visits: list[Row]
    days: tuple[str, ...]


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
    pattern = _of_drift(points) if _hidden(points) else _of_bias(points)
    weighed = _weighed(review, pattern, meter_id) if pattern else []
    if pattern is None or not weighed:
        return CausePart("Nothing to look for on the bench", "", hint, ())
    best = weighed[0]
    panels = tuple(
        _panel(review, pattern, row, meter_id=meter_id, likely=row is best and _told(row))
        for row in weighed[:_PANELS]
    )
    return CausePart(_title(best, pattern), _lead(pattern), hint, panels)


def _told(row: Row) -> bool:
    """Say whether a cause is likelier than all others together."""
    return row["probability"] > 0.5 and row["cause"] != NOTHING


def _hidden(points: Sequence[PointRows]) -> bool:
    """Say whether adjustments hide a drift that is confirmed."""
    drifts = any(point.trend and point.trend["verdict"] == DRIFTING for point in points)
    adjusted = {row["performed_on"] for point in points for row in point.visits if row["adjusted"]}
    return drifts and len(adjusted) >= _HIDING


def _of_drift(points: Sequence[PointRows]) -> _Pattern | None:
    """Return the yearly drift at each point."""
    known = [
        (point.point_pct, point.trend)
        for point in points
        if point.trend and text.known(point.trend["drift"]) and text.known(point.trend["drift_low"])
    ]
    if len(known) < 2:
        return None
    low = [trend["drift_low"] for _, trend in known]
    high = [trend["drift_high"] for _, trend in known]
    return _Pattern(
        of_drift=True,
        air_pct=[at for at, _ in known],
        mean=[trend["drift"] for _, trend in known],
        error=[max(1e-6, (b - a) / 3.92) for a, b in zip(low, high, strict=True)],
        low=low,
        high=high,
        visits=[],
        days=(),
    )


def _of_bias(points: Sequence[PointRows]) -> _Pattern | None:
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
        if rows:
            kept.append((point.point_pct, rows[-_VISITS:]))
    if len(kept) < 2 or min(len(rows) for _, rows in kept) < 2:
        return None
    found = [[row["as_found_bias_pct"] for row in rows] for _, rows in kept]
    # The points of one meter scatter alike: their spread is taken together.
    spread = float(np.sqrt(np.mean([np.var(each, ddof=1) for each in found])))
    freedom = sum(len(each) - 1 for each in found)
    error = [max(1e-4, spread / len(each) ** 0.5) for each in found]
    reach = float(stdtrit(freedom, 0.5 + _CONFIDENCE / 2))
    mean = [float(np.mean(each)) for each in found]
    days = sorted({row["performed_on"] for _, rows in kept for row in rows})
    return _Pattern(
        of_drift=False,
        air_pct=[at for at, _ in kept],
        mean=mean,
        error=error,
        low=[m - reach * e for m, e in zip(mean, error, strict=True)],
        high=[m + reach * e for m, e in zip(mean, error, strict=True)],
        visits=[row for _, rows in kept for row in rows],
        days=(text.day(days[0]), text.day(days[-1])),
    )


def _weighed(review: Review, pattern: _Pattern, meter_id: str) -> list[Row]:
    """Return the faults with their chances, likeliest first."""
    if pattern.of_drift:
        return review.drift_causes(meter_id).to_dicts()
    causes = review.reference.causes.filter(pl.col("meter_id") == meter_id)
    latest = causes.filter(pl.col("segment") == pl.col("segment").max()).to_dicts()
    if not latest or latest[0]["probability"] is None:
        return []
    rows = [{"cause": row["cause"], "probability": row["probability"]} for row in latest]
    nothing = max(0.0, 1 - sum(row["probability"] for row in rows))
    rows.append({"cause": NOTHING, "probability": nothing})
    return sorted(rows, key=lambda row: row["probability"], reverse=True)


def _title(best: Row, pattern: _Pattern) -> str:
    """Return the finding on the cause."""
    if not _told(best):
        return "No cause stands out"
    name = CAUSE_WORDS[best["cause"]][0]
    if pattern.of_drift:
        return f"The likeliest cause: {name}. Readings between resets cannot say so; the drift can."
    return f"The likeliest cause: {name}."


def _lead(pattern: _Pattern) -> str:
    """Say what the panels draw."""
    if pattern.of_drift:
        what = "Drift a year at each point without adjustments, % air a year, with 95 % interval"
    else:
        what = (
            f"Mean bias at each point, {pattern.days[0]} to {pattern.days[1]}, % air, with 95 % "
            "interval; thin lines are the visits"
        )
    return f"{what}. The same dots in each panel, against what one fault does by the dial's law, scaled to fit best."


def _panel(
    review: Review, pattern: _Pattern, row: Row, *, meter_id: str, likely: bool
) -> CausePanel:
    """Return the panel of one fault."""
    cause = row["cause"]
    k = chamber_scale_of(review.sources.meters, meter_id)
    ends = _ends(pattern, k)
    return CausePanel(
        name="nothing to explain" if cause == NOTHING else CAUSE_WORDS[cause][0],
        chance=text.probability(row["probability"]),
        why=_why(review, pattern, cause, meter_id=meter_id, likely=likely),
        likely=likely,
        rows=figure_rows(
            "meter_cause",
            {
                "dots": pl.DataFrame(
                    {
                        "point_pct": pattern.air_pct,
                        "mean": pattern.mean,
                        "low": pattern.low,
                        "high": pattern.high,
                    }
                ),
                "visits": _visit_lines(pattern),
                "curve": _curve(pattern, cause, k),
                "tolerance": _strip(review, pattern),
            },
            params={"low": ends[0], "high": ends[1], "likely": likely},
        ),
    )


def _ends(pattern: _Pattern, k: float) -> tuple[float, float]:
    """Return the ends of the axis that all panels share."""
    curves = [
        _amplitude(pattern, cause, k) * pattern_of(cause, [0.0, 10.0], k=k) for cause in PATTERNED
    ]
    values = [*pattern.low, *pattern.high, 0.0, *np.concatenate(curves).tolist()]
    if not pattern.of_drift:
        values += [row["as_found_bias_pct"] for row in pattern.visits]
    low, high = min(values), max(values)
    beside = 0.06 * max(0.02, high - low)
    return low - beside, high + beside


def _amplitude(pattern: _Pattern, cause: str, k: float) -> float:
    """Return the amplitude with which a fault fits best, at 5 % air."""
    return best_amplitude(cause, pattern.mean, pattern.error, air_pct=pattern.air_pct, k=k)


def _curve(pattern: _Pattern, cause: str, k: float) -> pl.DataFrame:
    """Return the curve of a fault; nothing lies at zero, and plain drift has none of its own."""
    if cause == NOTHING:
        return pl.DataFrame({"air_pct": [0.0, 10.0], "bias": [0.0, 0.0]})
    if cause not in PATTERNED:
        return pl.DataFrame({"air_pct": [], "bias": []})
    bias = _amplitude(pattern, cause, k) * pattern_of(cause, _ALONG, k=k)
    return pl.DataFrame({"air_pct": _ALONG, "bias": bias})


def _visit_lines(pattern: _Pattern) -> pl.DataFrame:
    """Return the biases of each visit."""
    return pl.DataFrame(
        {
            "visit": [row["visit"] for row in pattern.visits],
            "on": [row["performed_on"] for row in pattern.visits],
            "point_pct": [row["point_pct"] for row in pattern.visits],
            "bias": [row["as_found_bias_pct"] for row in pattern.visits],
        }
    )


def _strip(review: Review, pattern: _Pattern) -> pl.DataFrame:
    """Return the tolerance of biases; a drift has none."""
    if pattern.of_drift:
        return pl.DataFrame({"low": [], "high": []})
    tolerance = review.policy.tolerance_pct
    return pl.DataFrame({"low": [-tolerance], "high": [tolerance]})


def _why(review: Review, pattern: _Pattern, cause: str, *, meter_id: str, likely: bool) -> str:
    """Say what shape a fault has and what decides for or against it."""
    k = chamber_scale_of(review.sources.meters, meter_id)
    parts = [_SHAPES[cause].format(ratio=_ratio(cause, k)) if cause in _SHAPES else ""]
    if cause == "leak":
        parts.append(_erratic(review, meter_id))
    if cause == "mark_misplaced":
        parts.append(_mark_moves(review, meter_id))
    if cause == "vessel_volume":
        parts.append(
            _fleet(review) if pattern.of_drift else "Would show on every meter that used it."
        )
    if cause == NOTHING and pattern.of_drift:
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
    if cause not in PATTERNED:
        return ""
    shape = pattern_of(cause, [0.0, 5.0, 10.0], k=k)
    least = min(value for value in shape if value > 0)
    return " : ".join(text.plain(round(value / least, 1)) for value in shape if value > 0)


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
