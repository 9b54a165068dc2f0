"""This module gathers the data of the fleet review, and what has changed since an earlier one."""

from collections import Counter
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from drift.forecast.proof import Proof
from drift.format import count, day
from drift.report.pages import captions, rows
from drift.report.pages.fleet_conformity import FleetConformity, fleet_conformity
from drift.report.pages.fleet_panels import FleetPanels, fleet_panels
from drift.report.pages.fleet_reference import reference_part
from drift.report.pages.fleet_rows import FleetTable, fleet_table
from drift.report.pages.intervals import (
    IntervalPart,
    SurvivalFigure,
    interval_part,
    survival_figure,
)
from drift.report.pages.parts import (
    Choice,
    FileRow,
    HeldBackRow,
    MeterRow,
    SignalVisit,
    Stamp,
    StrayResponse,
    file_name,
)
from drift.report.pages.reference_rows import ReferencePart
from drift.review.obligations import STANDINGS
from drift.review.results import Review

# Rows of long lists that a page shows; the data files hold all.
_LONGEST_LIST = 50

# Rows of each list that the page shows; `data/since.csv` holds all.
_LONGEST_CHANGES = 12
_LISTS = {
    "standings": ("standing", "overdue"),
    "signals": ("new_signal", "ended_signal"),
    "responses": ("response",),
    "meters": ("new_meter", "gone_meter"),
    "settings": ("policy", "program"),
}


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """One change.

    Attributes
    ----------
    meter_id, file : str
        The meter and its dossier; file is empty where it has none, both where no meter is meant.
    name : str
        What changed: a signal's id, a choice's name, an input file; empty for a standing.
    on_date : date or None
        The visit, due date or response that it hangs on.
    before, now : str
        Empty where the thing was or is not there.
    why : str
        In words; empty where there is nothing to add.
    """

    meter_id: str
    file: str
    point_pct: float | None
    name: str
    on_date: date | None
    before: str
    now: str
    why: str


@dataclass(frozen=True, slots=True)
class SincePart:
    """What has changed since an earlier review.

    Attributes
    ----------
    earlier_as_of : date
        The earlier review's date.
    lead : tuple of str
        Sentences: what changed, how its predictions fared.
    standings, signals, responses, meters, settings : tuple of ChangeRow
        The first rows of each list; settings hold choices of the policy and the program.
    files : tuple of str
        Input files that are new, gone or of another content.
    totals : tuple of (str, int)
        Of each list that is longer than it is shown, what it holds and how many there are.
    longest : int
        How many rows such a list shows.
    """

    earlier_as_of: date
    lead: tuple[str, ...]
    standings: tuple[ChangeRow, ...]
    signals: tuple[ChangeRow, ...]
    responses: tuple[ChangeRow, ...]
    meters: tuple[ChangeRow, ...]
    settings: tuple[ChangeRow, ...]
    files: tuple[str, ...]
    totals: tuple[tuple[str, int], ...]
    longest: int


@dataclass(frozen=True, slots=True)
class FleetPage:
    """The fleet review; lists that would be long are cut, their totals are not."""

    stamp: Stamp
    lead: tuple[str, ...]
    since: SincePart | None
    reference: ReferencePart
    reference_title: str
    conformity: FleetConformity
    standings: tuple[tuple[str, int], ...]
    ranks: dict[str, int]
    meters: tuple[MeterRow, ...]
    table: FleetTable
    panels: FleetPanels
    intervals: IntervalPart
    survival: SurvivalFigure | None
    open_visits: tuple[SignalVisit, ...]
    open_signals_total: int
    stray_responses: tuple[StrayResponse, ...]
    stray_responses_total: int
    held_back: tuple[HeldBackRow, ...]
    never_read: tuple[str, ...]
    checked_only: tuple[str, ...]
    held_back_rows: int
    held_back_total: int
    policy: tuple[Choice, ...]
    files: tuple[FileRow, ...]


def fleet_page(review: Review, *, proof: Proof | None = None) -> FleetPage:
    """Return everything that the fleet review and the pages beside it say.

    Parameters
    ----------
    review : Review
        What was found; `review.meters` gives the order.
    proof : Proof or None
        How past forecasts came out, None where that was not asked.
    """
    policy = review.policy
    meters = rows.meter_rows(review, review.meters)
    reference = reference_part(review)
    urgent = tuple(row for row in meters if rows.is_urgent(row))
    watched = tuple(row for row in meters if row.standing == "watch" and row not in urgent)
    overdue = tuple(row for row in meters if row.overdue and not row.retired)
    unanswered = review.signals.filter(pl.col("answered_on").is_null()).sort(
        "visit_on", "meter_id", "point_pct", descending=[True, False, False], maintain_order=True
    )
    stray = review.responses.filter(pl.col("problem") != "")
    return FleetPage(
        stamp=rows.stamp(review),
        lead=captions.fleet_lead(
            review,
            watched=watched,
            overdue=overdue,
            open_signals=unanswered.height,
        ),
        since=since_part(review),
        reference=reference,
        reference_title=_reference_title(reference),
        conformity=fleet_conformity(review),
        meters=meters,
        table=fleet_table(review),
        panels=fleet_panels(review, reference, proof=proof),
        standings=_standings(meters),
        ranks={name: place for place, name in enumerate(STANDINGS)},
        intervals=interval_part(review),
        survival=survival_figure(review),
        open_visits=rows.signal_visits(review, unanswered),
        open_signals_total=unanswered.height,
        stray_responses=rows.stray_responses(stray.head(_LONGEST_LIST)),
        stray_responses_total=stray.height,
        held_back=rows.held_back_rows(review.sources.held_back.head(_LONGEST_LIST)),
        never_read=tuple(review.never_read),
        checked_only=tuple(
            f"{meter_id} ({count(many, 'check')}, the last on {day(last)})"
            for meter_id, many, last in review.checked_only
        ),
        held_back_rows=review.rows.held_back,
        held_back_total=review.sources.held_back.height,
        policy=rows.policy_rows(policy),
        files=rows.file_rows(review.sources.files),
    )


def _reference_title(reference: ReferencePart) -> str:
    """Say in a line whether the reference can be trusted."""
    told = {
        "in doubt": "Doubt the reference before the meters",
        "no doubt found": "Nothing puts the reference in doubt",
    }
    return told.get(reference.verdict, "It cannot be said whether the reference holds")


def _standings(meters: tuple[MeterRow, ...]) -> tuple[tuple[str, int], ...]:
    """Return how many meters in use have each standing, the most pressing first."""
    counts = Counter(row.standing for row in meters if not row.retired)
    return tuple((name, counts[name]) for name in STANDINGS if counts[name])


def since_part(review: Review) -> SincePart | None:
    """Return what has changed, None where no earlier review was named."""
    since = review.since
    if since is None:
        return None
    meter_ids = set(review.meters["meter_id"])
    of_kind = {
        name: since.rows.filter(pl.col("kind").is_in(kinds)) for name, kinds in _LISTS.items()
    }
    # What the visits since have raised comes before what moved limits raise or no longer raise.
    of_kind["signals"] = of_kind["signals"].sort(
        pl.col("kind") != "new_signal",
        pl.col("on_date") <= since.earlier_as_of,
        descending=False,
        maintain_order=True,
    )
    shown = {
        name: tuple(
            _row(row, meter_ids) for row in frame.head(_LONGEST_CHANGES).iter_rows(named=True)
        )
        for name, frame in of_kind.items()
    }
    files = since.rows.filter(pl.col("kind") == "file")["name"].to_list()
    return SincePart(
        earlier_as_of=since.earlier_as_of,
        lead=(
            f"{since.short[0].upper()}{since.short[1:]}.",
            since.calls,
            since.bands,
        ),
        files=tuple(files[:_LONGEST_CHANGES]),
        totals=tuple(
            (name, frame.height)
            for name, frame in of_kind.items()
            if frame.height > _LONGEST_CHANGES
        ),
        longest=_LONGEST_CHANGES,
        **shown,
    )


def _row(row: dict[str, Any], meter_ids: set[str]) -> ChangeRow:
    """Return one change as the page shows it."""
    meter_id = row["meter_id"] or ""
    return ChangeRow(
        meter_id=meter_id,
        file=file_name(meter_id) if meter_id in meter_ids else "",
        point_pct=row["point_pct"],
        name=row["name"] or "",
        on_date=row["on_date"],
        before=row["before"] or "",
        now=row["now"] or "",
        why=row["why"] or "",
    )
