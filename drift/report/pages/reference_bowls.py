"""This module says what is known of the bowls that vessels are drawn off into."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift import format as text
from drift.conformity.bias_budget import COUNTED
from drift.reference.pairs import UNKNOWN
from drift.review.results import Review

_LONGEST_TABLE = 50
_MOST_NAMED = 3
# What a row shows of a pair beside its meter, numbers as they are printed.
_SHOWN = ("vessel_id", "calibrated_on", "bowl", "measured_on")
_PRINTED = ("air_pct", "whole_u", "open_pct", "stated_pct", "off_pct")


@dataclass(frozen=True, slots=True)
class PairRow:
    """What a vessel stands for on a bowl, or on bowls that are alike, % air at one fill.

    Attributes
    ----------
    meters : tuple of str
        The first meters with such a bowl.
    others : int
        How many more there are.
    u : float
        Standard uncertainty of `expected`, bowl included where it is known.
    open : float or None
        How far it may be off for a bowl that was not measured.
    """

    vessel_id: str
    calibrated_on: date
    meters: tuple[str, ...]
    others: int
    known: str
    expected: float
    u: float
    open: float | None
    stated: float
    off: float
    sittings: int
    disagreeing: int


@dataclass(frozen=True, slots=True)
class BowlRow:
    """A measurement of a bowl with something wrong on record."""

    meter_id: str
    measured_on: date | None
    usable: bool
    problem: str


@dataclass(frozen=True, slots=True)
class BowlsPart:
    """What vessels stand for on the bowls of the meters; lead is empty where none was used."""

    lead: tuple[str, ...]
    pairs: tuple[PairRow, ...]
    pairs_total: int
    wrong: tuple[BowlRow, ...]


def bowls_part(review: Review) -> BowlsPart:
    """Return what the page on the reference says of bowls."""
    found = review.reference
    # One line for each bowl that nobody measured would say the same of all of them.
    told = found.pairs.filter((pl.col("bowl") != UNKNOWN) | (pl.col("disagreeing") > 0))
    alike = _alike(told)
    pairs = tuple(
        PairRow(
            vessel_id=row["vessel_id"],
            calibrated_on=row["calibrated_on"],
            meters=tuple(row["meter_id"][:_MOST_NAMED]),
            others=max(len(row["meter_id"]) - _MOST_NAMED, 0),
            known=_known(row["bowl"], row["measured_on"]),
            expected=row["air_pct"],
            u=row["whole_u"],
            open=row["open_pct"],
            stated=row["stated_pct"],
            off=row["off_pct"],
            sittings=row["sittings"],
            disagreeing=row["disagreeing"],
        )
        for row in alike.head(_LONGEST_TABLE).iter_rows(named=True)
    )
    wrong = found.bowls.filter(pl.col("problem") != "").select(
        "meter_id", "measured_on", "usable", "problem"
    )
    return BowlsPart(
        lead=_lead(review),
        pairs=pairs,
        pairs_total=alike.height,
        wrong=tuple(BowlRow(**row) for row in wrong.head(_LONGEST_TABLE).iter_rows(named=True)),
    )


def _alike(pairs: pl.DataFrame) -> pl.DataFrame:
    """Put pairs into a row that would say the same but for the meter; who disagrees stays alone.

    The newest calibrations come first, and of them what is off most.
    """
    whole_u = (
        pl.col("u_pct").fill_null(0.0) ** 2 + pl.col("bowl_u_pct").fill_null(0.0) ** 2
    ).sqrt()
    alone = pl.when(pl.col("disagreeing") > 0).then("meter_id")
    return (
        pairs.with_columns(whole_u=whole_u)
        .with_columns(pl.col(_PRINTED).round(3), alone=alone)
        .group_by(*_SHOWN, *_PRINTED, "alone", maintain_order=True)
        .agg(pl.col("meter_id").sort(), pl.col("sittings", "disagreeing").sum())
        .sort(
            *("calibrated_on", pl.col("off_pct").abs(), pl.col("meter_id").list.first()),
            descending=[True, True, False],
            nulls_last=True,
        )
    )


def _known(bowl: str, measured_on: date | None) -> str:
    """Say how a bowl is known."""
    if measured_on is not None:
        return f"measured {text.day(measured_on)}"
    return "not measured" if bowl == UNKNOWN else "in the vessel's value"


def _lead(review: Review) -> tuple[str, ...]:
    """Say how many bowls are known, and what the others leave open."""
    found = review.reference
    if found.pairs.is_empty():
        return ()
    meters = found.pairs["meter_id"].n_unique()
    unknown = found.pairs.filter(pl.col("bowl") == UNKNOWN)
    open_meters = unknown["meter_id"].n_unique()
    on_record = text.whole(meters - open_meters) if open_meters < meters else "none"
    known = (
        "What a vessel stands for, 100 w/W, depends on the vessel and on the bowl beside it: w is "
        "the water that fills the vessel, W the water that fills the bowl. Of "
        f"{text.count(meters, 'meter')} read with a calibrated vessel, the bowls of {on_record} "
        "are on record."
    )
    told = [known]
    if open_meters:
        share = found.spread.half_share
        unit = f"{text.NO_BREAK}%{text.NO_BREAK}air"
        counts = "is counted" if review.policy.unknown_bowl == COUNTED else "is not counted"
        told.append(
            f"The others may be off by ±{text.spread(5 * share)}{unit} at {text.point(5.0)} and "
            f"±{text.spread(10 * share)}{unit} at {text.point(10.0)} (from {found.spread.basis}). "
            f"That {counts} in their uncertainty. Nothing says that they are wrong. To know, fill "
            "each bowl with water once and put its mass on record (table bowls)."
        )
    return tuple(told)
