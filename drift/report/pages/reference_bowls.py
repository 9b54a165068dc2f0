"""This module says what is known of the bowls that vessels are drawn off into."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift import format as text
from drift.conformity.bias_budget import COUNTED
from drift.reference.pairs import UNKNOWN
from drift.review.results import Review

_LONGEST_TABLE = 50


@dataclass(frozen=True, slots=True)
class PairRow:
    """What a vessel stands for on one bowl, % air at one fill.

    Attributes
    ----------
    u : float
        Standard uncertainty of `expected`, bowl included where it is known.
    open : float or None
        How far it may be off for a bowl that was not measured.
    """

    vessel_id: str
    calibrated_on: date
    meter_id: str
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
    # The newest calibrations, and of them what disagrees most.
    ordered = told.sort("calibrated_on", pl.col("off_pct").abs(), descending=True, nulls_last=True)
    pairs = tuple(
        PairRow(
            vessel_id=row["vessel_id"],
            calibrated_on=row["calibrated_on"],
            meter_id=row["meter_id"],
            known=_known(row["bowl"], row["measured_on"]),
            expected=row["air_pct"],
            u=((row["u_pct"] or 0.0) ** 2 + (row["bowl_u_pct"] or 0.0) ** 2) ** 0.5,
            open=row["open_pct"],
            stated=row["stated_pct"],
            off=row["off_pct"],
            sittings=row["sittings"],
            disagreeing=row["disagreeing"],
        )
        for row in ordered.head(_LONGEST_TABLE).iter_rows(named=True)
    )
    wrong = found.bowls.filter(pl.col("problem") != "").select(
        "meter_id", "measured_on", "usable", "problem"
    )
    return BowlsPart(
        lead=_lead(review),
        pairs=pairs,
        pairs_total=told.height,
        wrong=tuple(BowlRow(**row) for row in wrong.head(_LONGEST_TABLE).iter_rows(named=True)),
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
