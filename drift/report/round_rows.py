"""This module gathers what stands in the rows of a round's workbook before anything is typed."""

from collections.abc import Sequence

import polars as pl

from drift import format as text
from drift.frames import Row
from drift.intake.columns import TABLES
from drift.report.pages.bench import RoundFacts
from drift.review.open_points import ASKS_DECISION
from drift.review.results import Review
from drift.review.visit_occasions import FIRST, VISIT_REASONS

# Readings of a point that are left room for beyond those of its last visit: the one that decides
# where the first two do not agree.
_SPARE = 1
_FEWEST = 2
_STAGES = ("as found", "as left")
_STEPS = (0.1, 0.05, 0.02, 0.01)


def choice_lists(review: Review, found: RoundFacts) -> dict[str, Sequence[str | float]]:
    """Return the words that cells may be chosen from, by column, those of actions by their tab."""
    in_use = review.meters.filter(pl.col("standing") != "retired")["meter_id"]

    def words(table: str, column: str) -> list[str]:
        choices = next(one.choices for one in TABLES[table] if one.name == column)
        return [word.replace("_", " ") for word in choices]

    return {
        "meter_id": [*found.due, *sorted(set(in_use) - set(found.due))],
        "vessel_id": found.vessels["vessel_id"].to_list(),
        "operator": found.names,
        "stage": _STAGES,
        "point": sorted({*review.policy.points_pct, *found.plan["point_pct"].to_list()}),
        "resolution_pct": _STEPS,
        "mark_unit": list(next(c.choices for c in TABLES["marks"] if c.name == "mark_unit")),
        "Marks action": words("marks", "action"),
        "Work action": words("service", "action"),
        "check": words("checks", "check"),
        "visit_reason": words("readings", "visit_reason"),
    }


def given_rows(title: str, review: Review, found: RoundFacts) -> list[Row]:
    """Return what is given in the rows of a tab, by column; nothing for a tab that begins empty."""
    if title == "Readings":
        return [row for meter_id in found.due for row in _reading_rows(meter_id, found)]
    if title == "Marks":
        return [_mark_row(meter_id, found) for meter_id in found.due]
    if title == "Open signals":
        open_ones = review.signals.filter(pl.col("answered_on").is_null())
        return [
            {name: row[name] for name in ("signal_id", "meter_id", "visit_on")}
            | {"known": row["sentence"]}
            for row in open_ones.sort("meter_id", "visit_on").iter_rows(named=True)
        ]
    if title == "New meters":
        return [{"meter_id": name} for name in found.due if found.occasions[name].code == FIRST]
    if title == "Decisions":
        asked = found.open_points.filter(pl.col("asks") == ASKS_DECISION)
        names = {"meter_id": "meter_id", "about": "visit_on", "known": "seen"}
        return [
            {name: row[of] for name, of in names.items()} for row in asked.iter_rows(named=True)
        ]
    return []


def _reading_rows(meter_id: str, found: RoundFacts) -> list[Row]:
    """Return the rows of the readings of one meter, as found and then as left."""
    points = found.plan.filter(pl.col("meter_id") == meter_id).sort("point_pct")
    return [
        {
            "meter_id": meter_id,
            "stage": stage,
            "point": point["point_pct"],
            "replicate": number,
            "vessel_id": point["vessel_id"],
            "draws": _draws(point, found),
            "resolution_pct": point["resolution_pct"],
            "visit_reason": VISIT_REASONS[found.occasions[meter_id].code].replace("_", " "),
            "correct_air_pct": point["correct_air_pct"],
            "reading_low": point["reading_low"] if stage == _STAGES[0] else None,
            "reading_high": point["reading_high"] if stage == _STAGES[0] else None,
        }
        for stage in _STAGES
        for point in points.iter_rows(named=True)
        for number in range(1, _rows_at(point, stage) + 1)
    ]


def _rows_at(point: Row, stage: str) -> int:
    """Return how many readings of a point have room."""
    return (int(point["replicates"]) if stage == _STAGES[0] else _FEWEST) + _SPARE


def _draws(point: Row, found: RoundFacts) -> int | None:
    """Return how often a point's vessel is drawn off, where it is known what it stands for."""
    if not point["vessel_id"]:
        return None
    one = found.pairs.filter(
        pl.col("vessel_id") == point["vessel_id"], pl.col("meter_id") == point["meter_id"]
    )["air_pct"]
    alone = found.vessels.filter(pl.col("vessel_id") == point["vessel_id"])["air_pct"]
    air, correct = [*one, *alone], point["correct_air_pct"]
    return max(round(correct / air[0]), 1) if air and correct is not None else None


def _mark_row(meter_id: str, found: RoundFacts) -> Row:
    """Return the row of the mark of one meter."""
    dial = found.dials.get(meter_id, found.dials[""])
    known = None if dial["mark"] is None else text.plain(dial["mark"])
    return {"meter_id": meter_id, "mark_unit": dial["unit"], "known": known}
