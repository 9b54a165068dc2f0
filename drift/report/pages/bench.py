"""This module gathers what the page of the bench knows when it is opened far from everything."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from drift.frames import Row
from drift.intake.column import HIGHEST_AIR_PCT, LOWEST_AIR_PCT
from drift.meter.bench_rules import (
    FAULTS,
    GRADUATION,
    LEAK_ERRATIC,
    LEAK_SPREAD,
    NAMED_FROM,
    NODES,
    SPREADS,
)
from drift.report.pages.parts import Stamp
from drift.report.pages.rows import stamp
from drift.review.bench_advice import FAULT_WORDS, MARK_UNITS, PRESSURE_STEPS
from drift.review.results import Review
from drift.review.visit_occasions import Occasion
from drift.version import __version__

# What the script weighs faults by, as `drift.meter.bench_rules` does.
BENCH_LAW: dict[str, Any] = {
    "faults": FAULTS,
    "spreads": SPREADS,
    "leakSpread": LEAK_SPREAD,
    "leakErratic": LEAK_ERRATIC,
    "graduation": GRADUATION,
    "nodes": list(NODES),
    "namedFrom": NAMED_FROM,
}
# Names of operators that are offered; others are typed in.
_MOST_NAMES = 12
_NAMELESS = 8


@dataclass(frozen=True, slots=True)
class RoundFacts:
    """What `drift.review.bench_round` found, for the page.

    Attributes
    ----------
    plan : pl.DataFrame
        Frame of `drift.review.visit_plan.PLAN` of every meter in use.
    due : tuple of str
        The meters of the round, in order.
    occasions : mapping of str to Occasion
        Why each of them is seen.
    dials : mapping of str to dict
        From `drift.review.bench_round.known_dials`.
    vessels : pl.DataFrame
        Frame of `drift.review.bench_round.ROUND_VESSELS`.
    pairs : pl.DataFrame
        Frame of `drift.reference.bowl_pairs.BOWL_PAIRS`.
    tolerance : mapping of str to float
        From `drift.review.bench_round.tolerance_steps`.
    names : list of str
        Who has read meters before.
    open_points : pl.DataFrame
        Frame of `drift.review.open_points.OPEN_POINTS`.
    """

    plan: pl.DataFrame
    due: tuple[str, ...]
    occasions: Mapping[str, Occasion]
    dials: Mapping[str, Row]
    vessels: pl.DataFrame
    pairs: pl.DataFrame
    tolerance: Mapping[str, float]
    names: list[str]
    open_points: pl.DataFrame


@dataclass(frozen=True, slots=True)
class BenchPage:
    """The page of the bench: its stamp, and all that its script knows, as JSON."""

    stamp: Stamp
    due_by: date
    facts: str


def bench_page(review: Review, found: RoundFacts, *, due_by: date) -> BenchPage:
    """Return everything that the page of the bench knows.

    Parameters
    ----------
    review : Review
        What was found.
    found : RoundFacts
        The round.
    due_by : date
        The last due date that is planned for.
    """
    policy = review.policy
    told: dict[str, Any] = {
        "version": __version__,
        "source": review.source_name,
        "asOf": review.as_of.isoformat(),
        "dueBy": due_by.isoformat(),
        "laboratory": policy.laboratory,
        "level": policy.believable_level,
        "rules": dict(found.tolerance) | {"lowest": LOWEST_AIR_PCT, "highest": HIGHEST_AIR_PCT},
        "holds": policy.adjust_after == "every_point",
        "points": list(policy.required_points_pct or policy.points_pct),
        "step": policy.resolution_pct,
        "interval": policy.interval_days,
        "law": BENCH_LAW,
        "faults": {name: list(words) for name, words in FAULT_WORDS.items()},
        "units": MARK_UNITS,
        "pressureSteps": PRESSURE_STEPS,
        "names": found.names[:_MOST_NAMES],
        "vessels": found.vessels.with_columns(pl.col("calibrated_on").cast(pl.String)).to_dicts(),
        "usual": found.dials[""],
        "meters": _meters(review, found),
    }
    told["key"] = hashlib.sha256(review.source_name.encode()).hexdigest()[:_NAMELESS]
    return BenchPage(stamp(review), due_by, _as_json(told))


def _as_json(told: Mapping[str, Any]) -> str:
    """Return JSON that no tag inside it can end."""
    text = json.dumps(told, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")


def _meters(review: Review, found: RoundFacts) -> list[Row]:
    """Return what is known of each meter in use, those of the round first."""
    standing = {row["meter_id"]: row for row in review.meters.iter_rows(named=True)}
    table = {row["meter_id"]: row for row in review.sources.meters.iter_rows(named=True)}
    planned = {
        str(key[0]): plan for key, plan in found.plan.partition_by("meter_id", as_dict=True).items()
    }
    bowls: dict[str, dict[str, Row]] = {}
    for pair in found.pairs.iter_rows(named=True):
        on = max(pair["calibrated_on"], pair["measured_on"] or pair["calibrated_on"])
        worth = {"air": pair["air_pct"], "on": on.isoformat()}
        bowls.setdefault(pair["meter_id"], {})[pair["vessel_id"]] = worth
    # A meter that was never read begins at the bench as one that the page does not know.
    due = [name for name in found.due if name in standing]
    order = [*due, *sorted(set(planned) & set(standing) - set(due))]
    made = []
    for name in order:
        about, row = table.get(name, {}), standing[name]
        kind = "due" if name in found.due else "known"
        made.append(
            {
                "id": name,
                "site": about.get("site") or "",
                "kind": "withdrawn" if about.get("status") == "withdrawn" else kind,
                "due": _iso(row["next_due_on"]),
                "late": int(planned[name]["overdue_days"][0]),
                "interval": about.get("interval_days") or review.policy.interval_days,
                "last": _iso(row["last_visit_on"]),
                "occasion": found.occasions[name].title if name in found.occasions else "",
                "first": list(found.occasions[name].steps) if name in found.occasions else [],
                "standing": row["standing"],
                "for": _iso(planned[name]["for_date"][0]),
                **found.dials.get(name, found.dials[""]),
                "bowl": bowls.get(name, {}),
                "points": [_point(each) for each in planned[name].iter_rows(named=True)],
            }
        )
    return made


def _iso(day: date | None) -> str | None:
    """Return a day as it is written in a file."""
    return day.isoformat() if day else None


def _point(row: Row) -> Row:
    """Return what to read at one point, and the band of what is expected, null where none is."""
    known = row["reading_low"] is not None and row["mean_low"] is not None
    band = {
        "one": [row["reading_low"], row["reading_high"]],
        "mean": [row["mean_low"], row["mean_high"]],
        "replicates": row["replicates"],
    }
    return {
        "pct": row["point_pct"],
        "vessel": row["vessel_id"] or "",
        "correct": row["correct_air_pct"],
        "from": row["correct_from"],
        "step": row["resolution_pct"],
        "band": band if known else None,
    }
