"""This module names what the retirement memo holds, ready for a template; it computes nothing."""

from dataclasses import dataclass

import polars as pl

from drift.pages.data import Choice, Figure, FileRow, Stamp

# What may be recommended, in words, the least first.
CHOICE_WORDS = {
    "keep": "keep",
    "check_more_often": "check more often or adjust sooner",
    "service": "service",
    "retire": "retire and replace",
}


@dataclass(frozen=True, slots=True)
class Weighed:
    """What was weighed, meter by meter, in one order.

    Attributes
    ----------
    grounds : pl.DataFrame
        Frame of `drift.frames.GROUNDS` with ``title`` and ``met_from_above``.
    costs, advice : pl.DataFrame
        Frames of `drift.frames.CHOICE_COSTS` and `RETIREMENTS`.
    """

    grounds: pl.DataFrame
    costs: pl.DataFrame
    advice: pl.DataFrame


@dataclass(frozen=True, slots=True)
class GroundRow:
    """One ground: what was found against the laboratory's threshold, and whether it is met."""

    title: str
    value: str
    threshold: str
    verdict: str
    carried: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class CostRow:
    """One choice over the horizon; costs are None where prices are missing."""

    choice: str
    how: str
    expected: float | None
    low: float | None
    high: float | None
    found_out: float
    share_out: float


@dataclass(frozen=True, slots=True)
class MeterMemo:
    """The memo on one meter; figure is None where its choices cannot all be priced.

    first is what the review asks for before anything is decided, empty where that is nothing.
    """

    anchor: str
    meter_id: str
    status: str
    facts: tuple[tuple[str, str], ...]
    first: str
    recommendation: str
    reason: str
    would_change: str
    grounds: tuple[GroundRow, ...]
    costs: tuple[CostRow, ...]
    costs_note: str
    figure: Figure | None


@dataclass(frozen=True, slots=True)
class SummaryRow:
    """One meter weighed; anchor is empty where the page has no memo of its own on it."""

    anchor: str
    meter_id: str
    recommendation: str
    keep: bool
    reason: str


@dataclass(frozen=True, slots=True)
class RetirementPage:
    """The retirement memo: all meters weighed, and each in full that is not simply kept."""

    stamp: Stamp
    lead: tuple[str, ...]
    summary: tuple[SummaryRow, ...]
    memos: tuple[MeterMemo, ...]
    horizon_years: float
    cost_coverage: float
    policy: tuple[Choice, ...]
    files: tuple[FileRow, ...]
