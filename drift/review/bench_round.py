"""This module plans what the page of the bench must know of every meter in use, due or not."""

from datetime import date

import polars as pl

from drift.frames import Row, Schema
from drift.meter.tolerance import PLACES, limit_and_step
from drift.reference.bowl_pairs import BOWL_PAIRS, bowl_pairs, in_force
from drift.review.bench_advice import bench_dials, usual_dial
from drift.review.policy import Policy
from drift.review.results import Review
from drift.review.visit_check import History
from drift.review.visit_plan import PLAN, plan_visits

# One row per vessel: what it stands for by its newest calibration, % air.
ROUND_VESSELS: Schema = {
    "vessel_id": pl.String,
    "air_pct": pl.Float64,
    "calibrated_on": pl.Date,
}


def plan_round(review: Review, history: History, *, due_by: date) -> pl.DataFrame:
    """Plan a visit of every meter in use, due or not.

    Parameters
    ----------
    review : Review
        What was found.
    history : History
        From `drift.review.visit_check.history_of`.
    due_by : date
        The day that is spoken for of meters that are due later, or have no due date.

    Returns
    -------
    pl.DataFrame
        Frame of `drift.review.visit_plan.PLAN`; ``next_due_on`` is no later than `due_by`.
    """
    in_use = review.meters.filter(pl.col("standing") != "retired")
    if in_use.is_empty():
        return pl.DataFrame(schema=PLAN)
    last = pl.lit(due_by)
    return plan_visits(
        review.ledger,
        schedule=in_use.select(
            "meter_id", next_due_on=pl.min_horizontal(pl.col("next_due_on").fill_null(last), last)
        ),
        vessels=review.reference.vessels,
        bowls=review.reference.bowls,
        history=history,
        as_of=review.as_of,
        due_by=due_by,
        policy=review.policy,
    )


def known_dials(review: Review) -> dict[str, Row]:
    """Return chamber scale, scatter and mark of every meter, and of one that nobody knows (empty).

    Keys of a row are those of the page: ``k kSd sigma mark unit``, % air and the mark's own unit.
    """
    dials = {"": usual_dial()} | bench_dials(review.ledger, review.sources)
    return {
        name: {
            "k": dial.k,
            "kSd": dial.k_sd,
            "sigma": dial.repeatability,
            "mark": dial.mark,
            "unit": dial.mark_unit,
        }
        for name, dial in dials.items()
    }


def known_vessels(review: Review) -> pl.DataFrame:
    """Return what each vessel stands for on the review's date, a frame of `ROUND_VESSELS`."""
    known = pl.col("calibrated_on") <= review.as_of
    newest = in_force(review.reference.vessels.filter("usable", known))
    return newest.select(ROUND_VESSELS.keys()).sort("vessel_id")


def known_pairs(review: Review) -> pl.DataFrame:
    """Return what each vessel stands for on each bowl that was measured, a frame of `BOWL_PAIRS`.

    Meters that are retired are left out.
    """
    in_use = review.meters.filter(pl.col("standing") != "retired")["meter_id"]
    pairs = bowl_pairs(review.reference.vessels, review.reference.bowls, as_of=review.as_of)
    return pairs.filter(pl.col("meter_id").is_in(in_use.to_list())).select(BOWL_PAIRS.keys())


def tolerance_steps(policy: Policy) -> dict[str, float]:
    """Return the tolerance as the page compares with it: whole steps of billionths of 1 % air."""
    limit, step = limit_and_step(policy.tolerance_pct, policy.comparison)
    return {"limit": limit, "step": step, "tolerance": policy.tolerance_pct, "places": PLACES}


def hands(review: Review) -> list[str]:
    """Return who has read meters, the most frequent first."""
    sessions = review.sources.sessions.drop_nulls("operator")
    return list(
        sessions["operator"].value_counts(sort=True).sort("count", descending=True)["operator"]
    )
