"""This module lays out the register: what is due when, what was not in order, labels and sites."""

from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from drift import format as text
from drift.frames import IN_USE, Row
from drift.report.pages.parts import Stamp, file_name
from drift.report.pages.rows import stamp
from drift.review.register import due_items, register_of
from drift.review.register_faults import register_faults
from drift.review.results import Review

_SOON_DAYS = 90
_LONGEST_LIST = 200
_NAMED = 3


@dataclass(frozen=True, slots=True)
class DueRow:
    """One thing that is due: file is the meter's dossier, empty for anything else."""

    kind: str
    item: str
    file: str
    about: str
    site: str
    since_on: date | None
    due_on: date
    overdue: bool
    by: str


@dataclass(frozen=True, slots=True)
class FaultRow:
    """One calibration with a person or equipment not in order; file as of `DueRow`."""

    performed_on: date
    item: str
    sentence: str
    meter_id: str
    file: str


@dataclass(frozen=True, slots=True)
class IdentityRow:
    """One meter of the register; texts are empty and days null where nothing is on record."""

    meter_id: str
    file: str
    build: str
    serial: str
    site: str
    status: str
    in_service_on: date | None
    procedure: str
    calibrated_on: date | None
    next_due_on: date | None
    calibrated_by: str
    vessels: str
    overdue: bool


@dataclass(frozen=True, slots=True)
class SiteLink:
    """One site: its page, its meters in use, and how many of them are overdue."""

    name: str
    file: str
    meters: int
    overdue: int


@dataclass(frozen=True, slots=True)
class RegisterPage:
    """What the page of the register shows; lists are cut where their totals say more."""

    stamp: Stamp
    title: str
    due: tuple[DueRow, ...]
    faults: tuple[FaultRow, ...]
    faults_total: int
    meters: tuple[IdentityRow, ...]
    sites: tuple[SiteLink, ...]
    lacking: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LabelsPage:
    """A label for each meter in use, to print and cut."""

    stamp: Stamp
    labels: tuple[IdentityRow, ...]


@dataclass(frozen=True, slots=True)
class SiteRow:
    """One meter of a site: where it stands, when it is due, and what is to be done."""

    meter_id: str
    file: str
    standing: str
    overdue: bool
    next_due_on: date | None
    todo: str
    status: str


@dataclass(frozen=True, slots=True)
class SitePage:
    """The page of one site: its meters in the order in which they are due."""

    stamp: Stamp
    name: str
    title: str
    rows: tuple[SiteRow, ...]


def register_page(review: Review) -> RegisterPage:
    """Return what the page of the register shows."""
    due, faults = due_items(review), register_faults(review)
    meters, read = _identities(review), set(review.meters["meter_id"])
    return RegisterPage(
        stamp=stamp(review),
        title=_title(due, review.as_of),
        due=tuple(_due_row(row, read) for row in due.iter_rows(named=True)),
        faults=tuple(
            _fault_row(row, read) for row in faults.head(_LONGEST_LIST).iter_rows(named=True)
        ),
        faults_total=faults.height,
        meters=meters,
        sites=tuple(
            SiteLink(
                name=name,
                file=file_name(name),
                meters=len(mine),
                overdue=sum(row.overdue for row in mine),
            )
            for name, mine in _by_site(meters).items()
        ),
        lacking=tuple(_lacking(review)),
    )


def labels_page(review: Review) -> LabelsPage:
    """Return the labels of the meters in use."""
    mine = [row for row in _identities(review) if row.status in IN_USE]
    return LabelsPage(stamp=stamp(review), labels=tuple(mine))


def site_pages(review: Review) -> tuple[SitePage, ...]:
    """Return a page for each site, none where the records name fewer than two."""
    named = _by_site(_identities(review))
    told = {row["meter_id"]: row for row in review.meters.iter_rows(named=True)}
    briefs = (
        review.obligations.filter(pl.col("obligation") != "keep")
        .group_by("meter_id")
        .agg(pl.col("brief").str.join("; "))
    )
    todo = dict(briefs.iter_rows())
    return tuple(_site_page(review, name, mine, told, todo) for name, mine in named.items())


def _site_page(
    review: Review,
    name: str,
    mine: list[IdentityRow],
    told: dict[str, Row],
    todo: dict[str, str],
) -> SitePage:
    """Return the page of one site."""
    ordered = sorted(mine, key=lambda row: (row.next_due_on or date.max, row.meter_id))
    late = sum(row.overdue for row in mine)
    soon = sum(
        row.next_due_on is not None
        and review.as_of <= row.next_due_on <= review.as_of + timedelta(days=_SOON_DAYS)
        for row in mine
    )
    return SitePage(
        stamp=stamp(review),
        name=name,
        title=f"{name}: {text.count(len(mine), 'meter')}, {text.whole(late)} overdue, "
        f"{text.whole(soon)} due within {_SOON_DAYS} days",
        rows=tuple(
            SiteRow(
                meter_id=row.meter_id,
                file=row.file,
                standing=str(told[row.meter_id]["standing"]) if row.file else "never read",
                overdue=row.overdue,
                next_due_on=row.next_due_on,
                todo=todo.get(row.meter_id, "keep to the schedule"),
                status=row.status,
            )
            for row in ordered
        ),
    )


def _by_site(meters: tuple[IdentityRow, ...]) -> dict[str, list[IdentityRow]]:
    """Return the meters in use of each site by its name; nothing where fewer than two are named."""
    sites: dict[str, list[IdentityRow]] = {}
    for row in meters:
        if row.site and row.status in IN_USE:
            sites.setdefault(row.site, []).append(row)
    return dict(sorted(sites.items())) if len(sites) > 1 else {}


def _title(due: pl.DataFrame, as_of: date) -> str:
    """Say what is overdue and what is due soon."""
    late = due.filter("overdue")
    soon = due.filter(~pl.col("overdue"), pl.col("due_on") <= as_of + timedelta(days=_SOON_DAYS))
    ahead = f"{text.whole(soon.height)} due within {_SOON_DAYS} days"
    if late.is_empty():
        return f"Nothing on record is overdue, {ahead}"
    names = [text.shortened(name, longest=24) for name in late["item"].head(_NAMED)]
    more = late.height - len(names)
    named = text.listed([*names, *([f"{more} more"] if more else [])])
    return f"{text.count(late.height, 'thing')} overdue ({named}), {ahead}"


def _identities(review: Review) -> tuple[IdentityRow, ...]:
    """Return the meters of the register."""
    read = dict(review.meters.select("meter_id", "overdue").iter_rows())
    return tuple(
        IdentityRow(
            meter_id=row["meter_id"],
            file=file_name(row["meter_id"]) if row["meter_id"] in read else "",
            build=" ".join(part for part in (row["maker"], row["model"]) if part),
            serial=row["serial"] or "",
            site=row["site"] or "",
            status=row["status"],
            in_service_on=row["in_service_on"],
            procedure=row["procedure"] or "",
            calibrated_on=row["calibrated_on"],
            next_due_on=row["next_due_on"],
            calibrated_by=row["calibrated_by"] or "",
            vessels=row["vessels"] or "",
            overdue=bool(read.get(row["meter_id"])),
        )
        for row in register_of(review).iter_rows(named=True)
    )


def _due_row(row: Row, read: set[str]) -> DueRow:
    """Return one thing that is due; `read` are the meters that have a dossier."""
    is_read = row["kind"] == "meter" and row["item"] in read
    return DueRow(
        kind=text.words_of(row["kind"]),
        item=row["item"],
        file=file_name(row["item"]) if is_read else "",
        about=row["about"],
        site=row["site"] or "",
        since_on=row["since_on"],
        due_on=row["due_on"],
        overdue=row["overdue"],
        by=row["by"] or "",
    )


def _fault_row(row: Row, read: set[str]) -> FaultRow:
    """Return one calibration that was not in order; `read` as of `_due_row`."""
    meter_id = row["meter_id"] or ""
    return FaultRow(
        performed_on=row["performed_on"],
        item=row["item"],
        sentence=row["sentence"],
        meter_id=meter_id,
        file=file_name(meter_id) if meter_id in read else "",
    )


def _lacking(review: Review) -> list[str]:
    """Say which tables of the register the records lack, and what each would add."""
    sources = review.sources
    wanted = (
        (sources.equipment, "equipment: when vessels, balances and thermometers are due"),
        (sources.people, "people: who is authorised to calibrate, since when and until when"),
        (sources.bowls, "bowls: what fills each bowl, so that a vessel's air content fits it"),
        (
            sources.meters.drop_nulls("serial"),
            "maker, model and serial of meters: what a label and a record name",
        ),
    )
    return [words for table, words in wanted if table.is_empty()]
