"""This module says what a fleet's verdicts are worth."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift import format as text
from drift.conformity.decision_rules import CONDITIONAL_FAIL, CONDITIONAL_PASS, FAIL, PASS
from drift.report.pages.dossier_conformity import VERDICTS, gone_with, rests_on, rule_sentences
from drift.report.pages.parts import file_name
from drift.review.results import Review

_LONGEST_LIST = 12
# From best to worst: a meter is as good as its worst point.
_ORDER = (PASS, CONDITIONAL_PASS, CONDITIONAL_FAIL, FAIL)
_PLURAL = {
    PASS: "pass",
    CONDITIONAL_PASS: "pass conditionally",
    CONDITIONAL_FAIL: "fail conditionally",
    FAIL: "fail",
}
_LONGEST_NAME = 48


@dataclass(frozen=True, slots=True)
class RiskRow:
    """What checking the fleet risks at one point; shares of all as-found checks.

    Attributes
    ----------
    accept_low, accept_high, reject_low, reject_high : float or None
        95 % intervals of the two risks.
    """

    point_pct: float
    checks: int
    mean: float | None
    sd: float | None
    u: float
    limit: float
    false_accept: float | None
    accept_low: float | None
    accept_high: float | None
    false_reject: float | None
    reject_low: float | None
    reject_high: float | None


@dataclass(frozen=True, slots=True)
class VesselValue:
    """What one calibration of a vessel stands for, % air, with its standard uncertainty."""

    vessel_id: str
    calibrated_on: date
    air: float
    u: float


@dataclass(frozen=True, slots=True)
class ExceptionRow:
    """One sitting as left whose last two readings did not both pass and agree."""

    meter_id: str
    file: str
    performed_on: date
    point_pct: float


@dataclass(frozen=True, slots=True)
class FleetConformity:
    """What the fleet review says of uncertainty and conformity.

    Attributes
    ----------
    rule : tuple of str
        Sentences on the rule in force.
    counts, risk, successive, alike : str
        Sentences on the last visits' verdicts, on what checking risks, on two successive readings
        as left and on names of operators that may be one; the last is empty where there are none.
    """

    rule: tuple[str, ...]
    counts: str
    risk: str
    risks: tuple[RiskRow, ...]
    vessels: tuple[VesselValue, ...]
    vessels_total: int
    successive: str
    exceptions: tuple[ExceptionRow, ...]
    exceptions_total: int
    alike: str


def fleet_conformity(review: Review) -> FleetConformity:
    """Return what the fleet review says of uncertainty and conformity."""
    verdicts = review.conformity.verdicts
    left = verdicts.filter(pl.col("stage") == "as_left")
    failed = left.filter(~pl.col("two_successive")).sort(
        "performed_on", "meter_id", "point_pct", descending=[True, False, False]
    )
    used = review.reference.vessels.filter("usable").sort(
        "calibrated_on", "vessel_id", descending=[True, False]
    )
    return FleetConformity(
        rule=rule_sentences(review.policy, review.rule),
        counts=_counts(review) + rests_on(review.conformity.repeatability),
        risk=_risk(review),
        risks=tuple(
            RiskRow(
                point_pct=row["point_pct"],
                checks=row["checks"],
                mean=row["mean_pct"],
                sd=row["sd_pct"],
                u=row["u_pct"],
                limit=row["limit_pct"],
                false_accept=row["false_accept"],
                accept_low=row["false_accept_low"],
                accept_high=row["false_accept_high"],
                false_reject=row["false_reject"],
                reject_low=row["false_reject_low"],
                reject_high=row["false_reject_high"],
            )
            for row in review.conformity.risks.iter_rows(named=True)
        ),
        vessels=tuple(
            VesselValue(row["vessel_id"], row["calibrated_on"], row["air_pct"], row["u_air_pct"])
            for row in used.head(_LONGEST_LIST).iter_rows(named=True)
        ),
        vessels_total=used.height,
        successive=_successive(left, failed),
        exceptions=tuple(
            ExceptionRow(
                meter_id=row["meter_id"],
                file=file_name(row["meter_id"]),
                performed_on=row["performed_on"],
                point_pct=row["point_pct"],
            )
            for row in failed.head(_LONGEST_LIST).iter_rows(named=True)
        ),
        exceptions_total=failed.height,
        alike=_alike(review.reference.alike),
    )


def _counts(review: Review) -> str:
    """Say how the meters in use conform as they left their last visits."""
    retired = review.sources.meters.filter(pl.col("status") == "retired").select("meter_id")
    last = gone_with(review.conformity.verdicts).join(retired, on="meter_id", how="anti")
    rank = pl.col("verdict").replace_strict(
        {name: place for place, name in enumerate(_ORDER)}, default=len(_ORDER)
    )
    worst = last.group_by("meter_id").agg(rank=rank.max())["rank"].to_list()
    counted = [(name, worst.count(place)) for place, name in enumerate(_ORDER)]
    told = [
        f"{text.count(number, 'meter')} {VERDICTS[name] if number == 1 else _PLURAL[name]}"
        for name, number in counted
        if number
    ]
    return f"As their last visits left them, each judged by its worst point: {text.listed(told)}."


def _risk(review: Review) -> str:
    """Say what checking this fleet risks, by its worst point."""
    known = review.conformity.risks.drop_nulls("false_accept")
    if known.is_empty():
        return (
            "Cannot say how often checks of this fleet go wrong: its biases scatter no more than "
            "reading them explains, or too few were read."
        )
    return (
        f"Of all checks as found, {_worst(known, 'false_accept')} pass a meter that is really "
        f"out of tolerance, and {_worst(known, 'false_reject')} fail one that is really within "
        "it, each at its worst point."
    )


def _worst(risks: pl.DataFrame, name: str) -> str:
    """Return the largest risk of a kind with its point and interval."""
    row = risks.sort(name, descending=True).row(0, named=True)
    low, high = row[f"{name}_low"], row[f"{name}_high"]
    interval = f"; {text.rare(low)} to {text.rare(high)}" if low is not None else ""
    return f"{text.rare(row[name])} (at {text.point(row['point_pct'])}{interval})"


def _successive(left: pl.DataFrame, failed: pl.DataFrame) -> str:
    """Say how often the last two readings as left agreed."""
    asked = left["two_successive"].count()
    if not asked:
        return "No point was read twice as left, so none can be checked."
    unknown = left.height - asked
    gap = (
        f" {text.count(unknown, 'sitting')} as left with one reading cannot be checked."
        if unknown
        else ""
    )
    return (
        f"The last two readings are within tolerance and agree at "
        f"{text.whole(asked - failed.height)} of {text.count(asked, 'sitting')} as left.{gap}"
    )


def _alike(groups: tuple[tuple[str, ...], ...]) -> str:
    """Name the operators who may be one person spelled differently."""
    if not groups:
        return ""
    told = [
        " / ".join(text.shortened(_printable(name), longest=_LONGEST_NAME) for name in group)
        for group in groups[:_LONGEST_LIST]
    ]
    more = len(groups) - len(told)
    rest = f"; and {text.count(more, 'more group')}" if more else ""
    return (
        f"These names of operators may be one spelled differently: {'; '.join(told)}{rest}. They "
        "are counted apart, never merged: correct the records if they are one."
    )


def _printable(name: str) -> str:
    """Return a name with what cannot be printed made visible, and spaces around it shown."""
    shown = "".join(mark if mark.isprintable() else "?" for mark in name)
    return f"“{shown}”" if shown != shown.strip() else shown
