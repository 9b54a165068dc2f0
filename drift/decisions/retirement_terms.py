"""This module names the grounds for not keeping a meter as it is, and judges a measured one."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from drift.decisions.retirement_frames import GROUNDS
from drift.format import fixed

# Work that is meant to cure what a service can cure.
CURES = ("gauge_replaced", "seal_replaced", "chamber_dried")
MET, NOT_MET, CANNOT_SAY = "met", "not_met", "cannot_say"


@dataclass(frozen=True, slots=True)
class Ground:
    """One ground.

    Attributes
    ----------
    name, title, unit : str
    calls_for : {"check_more_often", "service", "retire", ""}
        What it speaks for where it is met; nothing where it only supports others.
    met_from_above : bool
        Whether it is met at the threshold and above, or below it.
    """

    name: str
    title: str
    unit: str
    calls_for: str
    met_from_above: bool = True


GROUND_TABLE: tuple[Ground, ...] = (
    Ground("adjustment_rate", "adjusted often", "per year", "check_more_often"),
    Ground("adjustment_rise", "adjusted more and more often", "p value", "check_more_often", False),
    Ground("same_direction", "moved the same way again", "moves in a row", "check_more_often"),
    Ground("pass_rate", "passes too seldom", "of checks at most", "check_more_often", False),
    Ground("interval_in_force", "needs checking sooner", "days", "check_more_often", False),
    Ground("mark_travel", "mark far from where it began", "% on the dial", "service"),
    Ground("repeatability", "repeats worse than it did", "times its baseline", "service"),
    Ground("points_together", "cannot meet all points at once", "visits", "service"),
    Ground("needed_interval", "needs an impracticable interval", "days", "service", False),
    Ground("recurring_fault", "leak or water again", "faults", "service"),
    Ground("age", "old", "years", ""),
    Ground("cheaper_choice", "dearer as it is than otherwise", "times the high end", ""),
    Ground("cost", "dearer to keep than to replace", "times a new meter", "retire"),
)
BY_NAME = {ground.name: ground for ground in GROUND_TABLE}


@dataclass(frozen=True, slots=True)
class RetirementEvidence:
    """What retirement is weighed on.

    Attributes
    ----------
    as_of : date
    ledger : pl.DataFrame
        Frame of `drift.frames.LEDGER`.
    marks, service, meters : pl.DataFrame
        Rows in force of those input tables; they may be empty.
    needed : pl.DataFrame
        Of `drift.stats.processes.days_after_adjustment`; meters may be missing.
    present : pl.DataFrame
        ``meter_id interval_days`` in force.
    processes : pl.DataFrame
        Of `drift.stats.processes.forecast_processes`.
    causes : pl.DataFrame
        ``meter_id segment cause probability``; may be empty.
    """

    as_of: date
    ledger: pl.DataFrame
    marks: pl.DataFrame
    service: pl.DataFrame
    meters: pl.DataFrame
    needed: pl.DataFrame
    present: pl.DataFrame
    processes: pl.DataFrame
    causes: pl.DataFrame


Row = dict[str, Any]
# A value, a threshold and a sentence; no value where it cannot be said.
Finding = tuple[float | None, float | None, str]


def last_cures(evidence: RetirementEvidence) -> pl.DataFrame:
    """Return when work that is meant to cure was last done on each meter.

    Returns
    -------
    pl.DataFrame
        ``meter_id cured_on``, by meter_id.
    """
    done = pl.col("action").is_in(CURES) & (pl.col("performed_on") <= evidence.as_of)
    return (
        evidence.service.filter(done)
        .group_by("meter_id")
        .agg(cured_on=pl.col("performed_on").max())
        .sort("meter_id")
    )


def judge(meter_id: str, ground: str, finding: Finding) -> Row:
    """Return the row of one ground: its verdict by its value and threshold."""
    value, threshold, sentence = finding
    entry = BY_NAME[ground]
    if value is None or threshold is None:
        verdict = CANNOT_SAY
    elif entry.met_from_above:
        verdict = MET if value >= threshold else NOT_MET
    else:
        verdict = MET if value < threshold else NOT_MET
    return {
        "meter_id": meter_id,
        "ground": ground,
        "value": value,
        "threshold": threshold,
        "unit": entry.unit,
        "verdict": verdict,
        "sentence": sentence,
    }


def judged_rows(
    seen: pl.DataFrame, numbers: pl.DataFrame, grounds: dict[str, Callable[[Row], Finding]]
) -> pl.DataFrame:
    """Judge grounds on one row of numbers a meter, null where there is none."""
    rows = seen.join(numbers, on="meter_id", how="left").sort("meter_id")
    judged = [
        judge(row["meter_id"], ground, say(row))
        for row in rows.iter_rows(named=True)
        for ground, say in grounds.items()
    ]
    return pl.DataFrame(judged, schema=GROUNDS)


def one_place(value: float) -> str:
    """Return a number to one decimal place."""
    return fixed(value, places=1)


def two_places(value: float) -> str:
    """Return a number to two decimal places."""
    return fixed(value, places=2)
