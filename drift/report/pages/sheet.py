"""This module gathers the data of the visit sheet."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift import format as text
from drift.frames import Row
from drift.report.pages import dossier_bench, rows
from drift.report.pages.bench import RoundFacts
from drift.report.pages.parts import SignalRow, Stamp
from drift.report.pages.reference_rows import CauseRow
from drift.review.bench_advice import MARK_UNITS
from drift.review.results import Review

# Signals that a sheet shows; the dossier has all.
_MOST_SIGNALS = 3

# What is known of a meter that was never read.
_UNKNOWN: Row = {
    "standing": "not known yet",
    "next_due_on": None,
    "last_visit_on": None,
    "reason": "No reading of it is on record.",
}


@dataclass(frozen=True, slots=True)
class SheetPoint:
    """What to read at one point; what one reading and the mean are expected to show, in words."""

    point_pct: float
    vessel_id: str
    correct_pct: float | None
    correct_from: str
    replicates: tuple[int, ...]
    resolution_pct: float
    one: str
    mean: str
    pass_low: float | None
    pass_high: float | None


@dataclass(frozen=True, slots=True)
class SheetMeter:
    """One meter's page; for_date is the day that its bands speak for."""

    meter_id: str
    anchor: str
    site: str
    standing: str
    next_due_on: date | None
    occasion: str
    steps: tuple[str, ...]
    overdue_days: int
    for_date: date
    last_visit_on: date | None
    reason: str
    mark: str
    points: tuple[SheetPoint, ...]
    hint: str
    causes: tuple[CauseRow, ...]
    signals: tuple[SignalRow, ...]
    signals_total: int
    files: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SheetPage:
    """The visit sheet: a list of meters, then one page a meter."""

    stamp: Stamp
    due_by: date
    believable_level: float
    meters: tuple[SheetMeter, ...]


def sheet_page(
    review: Review, found: RoundFacts, *, due_by: date, files: dict[str, tuple[str, ...]]
) -> SheetPage:
    """Return everything that the visit sheet says.

    Parameters
    ----------
    review : Review
        What was found.
    found : RoundFacts
        The round.
    due_by : date
        The last due date that is planned for.
    files : dict of str to tuple of str
        Files to fill in, by meter; none for a meter that has none.
    """
    return SheetPage(
        stamp=rows.stamp(review),
        due_by=due_by,
        believable_level=review.policy.believable_level,
        meters=tuple(
            _meter(review, found, name, number=number, files=files.get(name, ()))
            for number, name in enumerate(found.due, start=1)
        ),
    )


def _meter(
    review: Review, found: RoundFacts, name: str, *, number: int, files: tuple[str, ...]
) -> SheetMeter:
    """Return the page of one meter."""
    mine = pl.col("meter_id") == name
    plan = found.plan.filter(mine)
    first = plan.row(0, named=True)
    known = review.meters.filter(mine).to_dicts()
    standing = known[0] if known else _UNKNOWN
    table = review.sources.meters.filter(mine)
    part = dossier_bench.bench_part(review, review.ledger.filter(mine), meter_id=name)
    signals = review.signals.filter(mine & pl.col("answered_on").is_null()).sort("visit_on")
    return SheetMeter(
        meter_id=name,
        anchor=f"meter-{number}",
        site=(table["site"][-1] or "") if table.height else "",
        standing=standing["standing"],
        next_due_on=standing["next_due_on"],
        occasion=found.occasions[name].title,
        steps=found.occasions[name].steps,
        overdue_days=first["overdue_days"],
        for_date=first["for_date"],
        last_visit_on=standing["last_visit_on"],
        reason=standing["reason"],
        mark=_mark(review.sources.marks.filter(mine)),
        points=tuple(_point(row) for row in plan.iter_rows(named=True)),
        hint=part.lead,
        causes=part.causes[:3],
        signals=rows.signal_rows(review, signals.tail(_MOST_SIGNALS)),
        signals_total=signals.height,
        files=files,
    )


def _point(row: Row) -> SheetPoint:
    """Return what to read at one point."""
    given = {name: row[name] for name in ("point_pct", "resolution_pct", "pass_low", "pass_high")}
    return SheetPoint(
        **given,
        vessel_id=str(row["vessel_id"] or ""),
        correct_pct=row["correct_air_pct"],
        correct_from=str(row["correct_from"]),
        replicates=tuple(range(1, int(row["replicates"]) + 1)),
        one=_range(row["reading_low"], row["reading_high"], places=_places(row["resolution_pct"])),
        mean=_range(row["mean_low"], row["mean_high"], places=2),
    )


def _range(low: float | None, high: float | None, *, places: int) -> str:
    """Return a range of readings, or that nothing can be expected."""
    if low is None or high is None:
        return text.CANNOT_SAY
    ends = [text.fixed(end, places=places) for end in (low, high)]
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"


def _places(step: float) -> int:
    """Return the decimal places of a dial's steps."""
    return text.decimals(step, most=6)


def _mark(marks: pl.DataFrame) -> str:
    """Say where the initial pressure mark was last."""
    if marks.is_empty():
        return "no record of its initial pressure mark"
    last = marks.sort("performed_on").row(-1, named=True)
    unit = MARK_UNITS.get(last["mark_unit"] or "dial_pct", last["mark_unit"])
    return (
        f"{text.plain(last['mark'])}{text.NO_BREAK}{unit} "
        f"({last['action']} {text.day(last['performed_on'])})"
    )
