"""This module weighs for each meter of a review whether to keep it."""

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from drift.review.results import Review
from drift.upkeep.retirement.ground_table import GROUND_TABLE, RetirementEvidence
from drift.upkeep.retirement.recommend import weigh_retirement
from drift.upkeep.weigh import needed_days

# What may be recommended, in words, the least first.
CHOICE_WORDS = {
    "keep": "keep",
    "check_more_often": "check more often or adjust sooner",
    "service": "service",
    "retire": "retire and replace",
}

# Recommendations in words, the least first, for the terminal.
ANSWERS = CHOICE_WORDS


@dataclass(frozen=True, slots=True)
class Weighed:
    """What was weighed, meter by meter, in one order.

    Attributes
    ----------
    grounds : pl.DataFrame
        Frame of `GROUNDS` with ``title``, ``met_from_above`` and ``distance``: 1 at the threshold,
        more where the ground is met, 0 as far from it as can be; null where not known.
    costs, advice : pl.DataFrame
        Frames of `CHOICE_COSTS` and `RETIREMENTS`.
    """

    grounds: pl.DataFrame
    costs: pl.DataFrame
    advice: pl.DataFrame


@dataclass(frozen=True, slots=True)
class RetirementMemo:
    """A retirement memo, ready to be written.

    Attributes
    ----------
    review : Review
        What it rests on.
    asked : tuple of str
        Meters named by the user; empty where all in use are weighed.
    weighed : Weighed
        Meters in the order asked for, by id where all are weighed.
    """

    review: Review
    asked: tuple[str, ...]
    weighed: Weighed


def weigh_meters(
    review: Review, chosen: Sequence[str], *, asked: tuple[str, ...] = ()
) -> RetirementMemo:
    """Weigh whether to keep the meters `chosen` of a review, in their order.

    Parameters
    ----------
    review : Review
        What was found, with the thresholds and prices of its policy.
    chosen : sequence of str
        Meters of the review.
    asked : tuple of str
        Those that the user named.
    """
    policy = review.policy
    found = weigh_retirement(
        RetirementEvidence(
            as_of=review.as_of,
            ledger=review.ledger.filter(pl.col("meter_id").is_in(chosen)),
            marks=review.sources.marks,
            service=review.sources.service,
            meters=review.sources.meters,
            needed=needed_days(review.upkeep.processes, policy),
            present=review.upkeep.present,
            processes=review.upkeep.processes,
            causes=review.reference.causes,
        ),
        tolerance=policy.tolerance_pct,
        comparison=policy.comparison,
        choices=policy.retirement,
        intervals=policy.intervals,
    )
    terms = pl.DataFrame(
        [(ground.name, ground.title, ground.met_from_above) for ground in GROUND_TABLE],
        schema=["ground", "title", "met_from_above"],
        orient="row",
    )
    # Where no meter was named, those that ask for most come first.
    least = list(CHOICE_WORDS)
    answers = dict(found.advice.select("meter_id", "recommendation").iter_rows())
    by_need = sorted(chosen, key=lambda name: -least.index(answers[name]))
    order = pl.DataFrame({"meter_id": list(chosen) if asked else by_need})

    def ordered(frame: pl.DataFrame) -> pl.DataFrame:
        return order.join(frame, on="meter_id", maintain_order="left_right")

    grounds = found.grounds.join(terms, on="ground", maintain_order="left").with_columns(
        distance=_distance()
    )
    weighed = Weighed(ordered(grounds), ordered(found.costs), ordered(found.advice))
    return RetirementMemo(review=review, asked=asked, weighed=weighed)


def _distance() -> pl.Expr:
    """Return how far a ground is towards its threshold, in times of it.

    A rate of passes counts by what is missing of all; other grounds that are met below their
    threshold count as the threshold over the value.
    """
    value, threshold = pl.col("value"), pl.col("threshold")
    below = pl.when(pl.col("ground") == "pass_rate")
    ratio = (
        pl.when(pl.col("met_from_above"))
        .then(value / threshold)
        .otherwise(below.then((1 - value) / (1 - threshold)).otherwise(threshold / value))
    )
    return pl.when(ratio.is_finite()).then(ratio)
