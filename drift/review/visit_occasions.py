"""This module plans visits that no due date asks for: a first one, a return, after a drop, by name.

What is looked at on each occasion is common practice without a source; the current standard, local
codes and licensed practice prevail.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import polars as pl

from drift.format import day
from drift.review.policy import Policy
from drift.review.results import Review
from drift.review.visit_plan import PLAN

FIRST, RETURN, DROP, ROUND = "first", "return", "drop", "round"
# What the readings table calls the reason of such a visit.
VISIT_REASONS = {FIRST: "before_use", RETURN: "before_use", DROP: "doubt", ROUND: "scheduled"}
_LOOK = "Look over gauge glass, clamps, gasket, petcocks and bowl rim before water goes in."
_LEAK = "Check for leaks under pressure, and note it among the checks."


@dataclass(frozen=True, slots=True)
class Occasion:
    """Why a meter is seen.

    Attributes
    ----------
    code : str
        `FIRST`, `RETURN`, `DROP` or `ROUND`.
    title : str
        In a few words; empty for a visit of the round.
    steps : tuple of str
        What belongs to it beside the readings, in order, in sentences.
    """

    code: str
    title: str = ""
    steps: tuple[str, ...] = ()


def occasion_of(review: Review, meter_id: str) -> Occasion:
    """Say on which occasion a meter is seen: never read, withdrawn, dropped since, or none such.

    Parameters
    ----------
    review : Review
        What was found.
    meter_id : str
        Known or not.
    """
    mine = pl.col("meter_id") == meter_id
    last = review.ledger.filter(mine)["performed_on"].max()
    if not isinstance(last, date):
        return Occasion(FIRST, "First visit, before it is used", _FIRST_STEPS)
    status = review.sources.meters.filter(mine)["status"]
    if status.len() and status[-1] == "withdrawn":
        return Occasion(RETURN, "Withdrawn: before it is used again", _RETURN_STEPS)
    drops = review.sources.service.filter(
        mine & (pl.col("action") == "dropped") & (pl.col("performed_on") >= last)
    )["performed_on"]
    dropped = drops.max()
    if isinstance(dropped, date):
        return Occasion(DROP, f"Dropped on {day(dropped)}, since it was last read", _DROP_STEPS)
    return Occasion(ROUND)


_FIRST_STEPS = (
    _LOOK,
    "Note maker, model, serial, dial step and, if known, chamber over bowl among the new meters.",
    "Weigh its bowl full of water for the table of bowls: what a vessel stands for belongs to it.",
    "Establish the initial pressure mark: the one from which a bowl full of water reads zero.",
    "Read every point until two successive readings agree within tolerance: its history begins.",
)
_RETURN_STEPS = (
    _LOOK,
    _LEAK,
    "Read as found at every point first: that says what it did while it was away.",
    "A person, by name, returns it to use: change its status in the meters table to active.",
)
_DROP_STEPS = (
    _LOOK,
    _LEAK,
    "Read as found at every point before anything is moved: so it has read since the drop.",
    "Results since the drop are looked at if it was found out: drift impact lists them.",
)


def asked_plan(review: Review, plan: pl.DataFrame, meters: Sequence[str]) -> pl.DataFrame:
    """Return the plan of the meters that were asked for, known and unknown.

    Parameters
    ----------
    review : Review
        For its policy and date.
    plan : pl.DataFrame
        Frame of `PLAN` of all meters in use.
    meters : sequence of str
        In the order in which they are wanted.

    Returns
    -------
    pl.DataFrame
        Frame of `PLAN`; of a meter that was never read at the points of the policy, with neither
        due date nor correct air content.
    """
    parts = [plan.filter(pl.col("meter_id") == name) for name in meters]
    made = [
        part if part.height else _first_plan(name, review.policy, as_of=review.as_of)
        for name, part in zip(meters, parts, strict=True)
    ]
    return pl.concat(made)


def _first_plan(meter_id: str, policy: Policy, *, as_of: date) -> pl.DataFrame:
    """Return the plan of a meter's first visit."""
    rows = [
        {
            "meter_id": meter_id,
            "overdue_days": 0,
            "for_date": as_of,
            "point_pct": at,
            "correct_air_pct": None if at else 0.0,
            "correct_from": "by the vessel and its bowl" if at else "bowl full of water",
            "replicates": 2,
            "resolution_pct": policy.resolution_pct,
        }
        for at in policy.required_points_pct or policy.points_pct
    ]
    return pl.DataFrame(rows, schema=PLAN)
