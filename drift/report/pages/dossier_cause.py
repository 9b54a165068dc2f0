"""This module sets a meter's pattern over 0, 5 and 10 % air against that of each fault."""

from dataclasses import dataclass

import polars as pl

from drift import format as text
from drift.frames import of_meter
from drift.meter.causes import NOTHING
from drift.report.figures.rows import listed_rows
from drift.report.pages.dossier_bench import CAUSE_WORDS
from drift.review.cause_patterns import CausePattern, Fault
from drift.review.results import Review

# Faults that have a panel.
_PANELS = 6
# From this chance on a fault is likelier than all others together.
_LIKELY = 0.5


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


def cause_part(review: Review, meter_id: str, *, hint: str) -> CausePart:
    """Return what the dossier says of the cause.

    Parameters
    ----------
    review : Review
    meter_id : str
    hint : str
        What `drift.report.pages.dossier_bench` words of its readings' own weighing.
    """
    shown = review.cause_pattern(meter_id)
    if shown is None:
        return CausePart("Nothing to look for on the bench", "", hint, ())
    shown_faults = shown.faults[:_PANELS]
    panels = tuple(_panel(review, shown, fault, meter_id=meter_id) for fault in shown_faults)
    return CausePart(_title(shown), _lead(shown), hint, panels)


def _told(fault: Fault) -> bool:
    """Say whether a fault is likelier than all others together."""
    return fault.probability > _LIKELY and fault.cause != NOTHING


def _title(shown: CausePattern) -> str:
    """Return the finding on the cause."""
    best = shown.faults[0]
    if best.cause == NOTHING and best.probability > _LIKELY:
        return "Most likely there is nothing to explain"
    if not _told(best):
        return "No cause stands out"
    name = CAUSE_WORDS[best.cause][0]
    if shown.of_drift:
        return f"The likeliest cause: {name}. The drift shows it; readings between resets do not."
    return f"The likeliest cause: {name}."


def _lead(shown: CausePattern) -> str:
    """Say what the panels draw."""
    if shown.of_drift:
        what = "Drift a year at each point without adjustments, % air a year, with 95 % interval"
    else:
        days = sorted({on for _, on, _, _ in shown.visits})
        what = (
            f"Mean bias at each point, {text.day(days[0])} to {text.day(days[-1])}, % air, with "
            "95 % interval; thin lines are the visits"
        )
    line = "the line is what one fault would do by the law of the dial, scaled to fit best"
    return f"{what}. Each panel has the same dots; {line}."


def _panel(review: Review, shown: CausePattern, fault: Fault, *, meter_id: str) -> CausePanel:
    """Return the panel of one fault."""
    low, high = _ends(shown)
    tolerance, pattern = review.policy.tolerance_pct, shown.pattern
    likely = fault is shown.faults[0] and _told(fault)
    named = {"likely": likely, "low": low, "high": high}
    return CausePanel(
        name="nothing to explain" if fault.cause == NOTHING else CAUSE_WORDS[fault.cause][0],
        chance=text.probability(fault.probability),
        why=_why(review, shown, fault, meter_id=meter_id),
        likely=likely,
        rows=listed_rows(
            "meter_cause",
            {
                "dots": [
                    {"point_pct": at, "mean": mean, "low": least, "high": most}
                    for at, mean, least, most in zip(
                        pattern.air_pct, pattern.values, pattern.low, pattern.high, strict=True
                    )
                ],
                "visits": [
                    {"visit": visit, "point_pct": at, "bias": bias}
                    for visit, _, at, bias in shown.visits
                ],
                "curve": [{"air_pct": at, "bias": bias} for at, bias in fault.curve],
                "tolerance": [] if shown.of_drift else [{"low": -tolerance, "high": tolerance}],
            },
            params=named,
        ),
    )


def _ends(shown: CausePattern) -> tuple[float, float]:
    """Return the ends of the axis that all panels share."""
    values = [0.0, *shown.pattern.low, *shown.pattern.high]
    values += [bias for *_, bias in shown.visits]
    values += [bias for fault in shown.faults for _, bias in fault.curve]
    low, high = min(values), max(values)
    beside = 0.06 * max(0.02, high - low)
    return low - beside, high + beside


def _why(review: Review, shown: CausePattern, fault: Fault, *, meter_id: str) -> str:
    """Say what shape a fault has and what decides for or against it."""
    cause = fault.cause
    ratio = " : ".join(text.plain(round(each, 1)) for each in fault.growth)
    parts = [_SHAPES[cause].format(ratio=ratio)]
    if cause == "leak":
        parts.append(_erratic(review, meter_id))
    if cause == "mark_misplaced":
        parts.append(_mark_moves(review, meter_id))
    if cause == "vessel_volume":
        alike = "Would show on every meter that used it."
        parts.append(_fleet(review) if shown.of_drift else alike)
    if _told(fault):
        parts.append(CAUSE_WORDS[cause][1])
    return " ".join(part for part in parts if part)


_SHAPES = {
    "mark_misplaced": "Off at every point, as {ratio} from 0 to 10 %, and steady.",
    "leak": "Off at every point, as {ratio} from 0 to 10 %, and different from visit to visit.",
    "chamber_water": "Right at 0 %, off above it as {ratio}, always high.",
    "hand_shifted": "Right at 0 %, off above it as {ratio}.",
    "vessel_volume": "Right at 0 %, off above it as {ratio}.",
    "plain_drift": "Grows with time at its own rate at each point; no one fault has its shape.",
    NOTHING: "A sound meter; its readings scattered by chance.",
}


def _erratic(review: Review, meter_id: str) -> str:
    """Say how its readings scatter now against the fleet's."""
    own = of_meter(review.conformity.repeatability, meter_id).to_dicts()
    row = of_meter(review.meters, meter_id).to_dicts()
    if not own or not row or not text.known(row[0]["repeatability_pct"]):
        return ""
    return (
        f"One reading scatters by {text.spread(row[0]['repeatability_pct'])}{text.NO_BREAK}% air."
    )


def _mark_moves(review: Review, meter_id: str) -> str:
    """Say whether the mark moved."""
    marks = of_meter(review.sources.marks, meter_id).sort("performed_on")
    if marks.is_empty():
        return "Where the mark stood is not on record."
    moved = marks.filter(pl.col("action") == "moved").height
    if moved:
        return f"The mark was moved {text.how_often(moved)}."
    since = marks["performed_on"][0].year
    return f"The mark has stood at {text.plain(marks['mark'][-1])} since {since}."


def _fleet(review: Review) -> str:
    """Say how the fleet drifts together, which is all that a vessel can explain."""
    shared = review.reference.effects.filter(pl.col("kind") == "fleet_drift").to_dicts()
    if not shared or shared[0]["effect_pct"] is None:
        return "Would show on all meters that used it."
    row = shared[0]
    return (
        "Would make all meters drift alike; together they drift "
        f"{text.bias_with_unit(row['effect_pct'])} a year "
        f"({text.interval(row['low'], row['high'])})."
    )
