"""This module makes visit sheets from a source to files."""

import csv
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from drift.api.reviews import find
from drift.errors import DriftError
from drift.format import typed
from drift.frames import Row
from drift.intake.columns import TABLES
from drift.report.data_files import FORMULA_STARTS, FORMULA_WITHIN
from drift.report.exchange import digests_of, exchanged_for, place_for, write_kind_record
from drift.report.own_files import sheets_kind
from drift.report.pages.bench import RoundFacts, bench_page
from drift.report.pages.parts import file_name
from drift.report.pages.sheet import sheet_page
from drift.report.render import html_bench, html_sheet
from drift.report.round_book import write_round_book
from drift.review.bench_round import (
    hands,
    known_dials,
    known_pairs,
    known_vessels,
    plan_round,
    tolerance_steps,
)
from drift.review.forecasts import next_visits
from drift.review.open_points import open_points
from drift.review.policy import Policy
from drift.review.results import Review
from drift.review.visit_check import History, history_of
from drift.review.visit_occasions import asked_plan, occasion_of
from drift.review.visit_plan import due_by_default, plan_visits

# Files of a sheet, by folder: the table, and the columns that are left to fill in.
_KINDS: dict[str, tuple[str, tuple[str, ...]]] = {
    "as_found": (
        "readings",
        ("performed_on", "reading_air_pct", "operator", "water_temp_c", "remarks"),
    ),
    "as_left": (
        "readings",
        ("performed_on", "reading_air_pct", "operator", "water_temp_c", "remarks"),
    ),
    "marks": (
        "marks",
        ("performed_on", "mark", "zero_reading_pct", "action", "operator", "remarks"),
    ),
}
_LEFT_OUT = {"visit_id"}
_RUNS = re.compile(f"{FORMULA_STARTS}|{FORMULA_WITHIN}")


@dataclass(frozen=True, slots=True)
class Sheets:
    """What was written: pages, workbook, the meters, how many files to fill in.

    ``occasions`` has the meters that are seen for another reason than their due date.
    """

    page: Path
    bench: Path
    book: Path
    due_by: date
    meters: tuple[str, ...]
    files: int
    occasions: Mapping[str, str]


def write_sheets(
    source: Path,
    *,
    out: Path,
    as_of: date,
    due_by: date | None,
    policy: Policy,
    show_expected: bool = False,
    asked: Sequence[str] = (),
) -> Sheets:
    """Write a page to print, one for the bench, a workbook and files to fill in for meters due.

    Parameters
    ----------
    source : Path
        Folder or store file.
    out : Path
        Folder to write into; made where it does not exist.
    as_of : date
        The date the sheet speaks for.
    due_by : date or None
        The last due date on it; None for a month ahead.
    policy : Policy
        The laboratory's choices.
    show_expected : bool
        Whether the workbook shows what each meter should read and is expected to read.
    asked : sequence of str
        Meters to be seen, due or not, also such as were never read; none for those that are due.

    Raises
    ------
    DriftError
        If the source cannot be used, `out` cannot be written, or a file that somebody has begun
        to fill in would be overwritten; nothing is written then.
    """
    due_by = due_by or due_by_default(as_of)
    _refuse_filled(out)
    kind = sheets_kind(lambda folder, name: not _is_begun(folder / name, name))
    place = place_for(out, kind)
    review = find(source, as_of=as_of, policy=policy)
    outlook = next_visits(review.ledger, review.sources, policy)
    history = history_of(review.ledger, review.sources.meters, outlook)
    _refuse_retired(review, asked)
    everyone = plan_round(review, history, due_by=as_of if asked else due_by)
    if asked:
        plan = asked_plan(review, everyone, tuple(dict.fromkeys(asked)))
    else:
        plan = _due_plan(review, history, due_by=due_by)
    blank = _blank_files(plan, review.sources.marks)
    names: dict[str, tuple[str, ...]] = {}
    for name, (meter_id, _) in blank.items():
        names[meter_id] = (*names.get(meter_id, ()), name)
    found = _round(review, plan=plan, everyone=everyone)
    page = html_sheet(sheet_page(review, found, due_by=due_by, files=names))
    meters = tuple(plan["meter_id"].unique(maintain_order=True))
    bench = html_bench(bench_page(review, found, due_by=due_by))
    book = f"round-{as_of}.xlsx"
    with exchanged_for(place) as new:
        for name, (_, rows) in blank.items():
            _write(new / name, rows)
        (new / "index.html").write_text(page, encoding="utf-8", newline="\n")
        (new / "bench.html").write_text(bench, encoding="utf-8", newline="\n")
        write_round_book(new / book, review, found, due_by=due_by, show_expected=show_expected)
        write_kind_record(new, kind, digests_of(new))
    return Sheets(
        out / "index.html",
        out / "bench.html",
        out / book,
        due_by,
        meters,
        files=len(blank),
        occasions={name: one.title for name, one in found.occasions.items() if one.title},
    )


def _due_plan(review: Review, history: History, *, due_by: date) -> pl.DataFrame:
    """Return the plan of the meters that are due, a frame of `drift.review.visit_plan.PLAN`."""
    return plan_visits(
        review.ledger,
        schedule=review.meters.select("meter_id", "next_due_on"),
        vessels=review.reference.vessels,
        bowls=review.reference.bowls,
        history=history,
        as_of=review.as_of,
        due_by=due_by,
        policy=review.policy,
    )


def _refuse_retired(review: Review, asked: Sequence[str]) -> None:
    """Raise if a meter that is asked for is retired."""
    retired = review.meters.filter(pl.col("standing") == "retired")["meter_id"].to_list()
    for name in asked:
        if name in retired:
            raise DriftError(
                what="is retired, and is not seen again",
                where=f"meter {name}",
                expected="a meter in use, withdrawn, or new",
                hint="where it is to be used again, change its status in the meters table first",
            )


def _round(review: Review, *, plan: pl.DataFrame, everyone: pl.DataFrame) -> RoundFacts:
    """Return what is known of the meters of a round, and of all others in use."""
    due = tuple(plan["meter_id"].unique(maintain_order=True))
    others = everyone.filter(~pl.col("meter_id").is_in(due))
    return RoundFacts(
        plan=pl.concat([plan, others]),
        due=due,
        occasions={name: occasion_of(review, name) for name in due},
        dials=known_dials(review),
        vessels=known_vessels(review),
        pairs=known_pairs(review),
        tolerance=tolerance_steps(review.policy),
        names=hands(review),
        open_points=open_points(review),
    )


def _blank_files(plan: pl.DataFrame, marks: pl.DataFrame) -> dict[str, tuple[str, list[Row]]]:
    """Return the meter and the rows of each file to fill in, by its place in the folder."""
    units = dict(marks.sort("performed_on").select("meter_id", "mark_unit").iter_rows())
    made: dict[str, tuple[str, list[Row]]] = {}
    for (meter_id,), points in plan.group_by(["meter_id"], maintain_order=True):
        name = str(meter_id)
        # A spreadsheet would run such an id as a formula, and with a mark before it it would be
        # another id.
        if _RUNS.search(name):
            continue
        file = file_name(name).removesuffix(".html") + ".csv"
        for stage in ("as_found", "as_left"):
            made[f"{stage}/{file}"] = (name, _reading_rows(points, stage))
        mark = {"meter_id": name, "mark_unit": units.get(name) or "dial_pct"}
        made[f"marks/{file}"] = (name, [mark])
    return made


def _reading_rows(points: pl.DataFrame, stage: str) -> list[Row]:
    """Return the rows of readings to be taken, the cells to fill in left out."""
    return [
        {
            "meter_id": row["meter_id"],
            "stage": stage,
            "correct_air_pct": _typed(row["correct_air_pct"]),
            "replicate": number,
            "resolution_pct": _typed(row["resolution_pct"]),
            # Such a name is left to be written in by hand.
            "vessel_id": None if _RUNS.search(row["vessel_id"] or "") else row["vessel_id"],
        }
        for row in points.iter_rows(named=True)
        for number in range(1, row["replicates"] + 1)
    ]


def _typed(value: float | None) -> str:
    """Return a number as it is typed, nothing where it is not known yet."""
    return "" if value is None else typed(value)


def _columns(place: str) -> list[str]:
    """Return the header of a file."""
    table, _ = _KINDS[place.split("/", maxsplit=1)[0]]
    return [column.name for column in TABLES[table] if column.name not in _LEFT_OUT]


def _write(path: Path, rows: list[Row]) -> None:
    """Write one file to fill in."""
    path.parent.mkdir(exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, _columns(f"{path.parent.name}/"), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def _refuse_filled(out: Path) -> None:
    """Raise if a file to fill in stands there and was begun."""
    there = [path for kind in _KINDS for path in sorted((out / kind).glob("*.csv"))]
    begun = [path for path in there if _is_begun(path, f"{path.parent.name}/")]
    if begun:
        more = f" and {len(begun) - 1} more" if len(begun) > 1 else ""
        raise DriftError(
            what="has been filled in; no sheet is written over it",
            where=str(begun[0]) + more,
            expected="a folder without filled sheets",
            hint="load or move the filled files first, or choose another folder with --out",
        )


def _is_begun(path: Path, place: str) -> bool:
    """Say whether somebody has written into a file; one that cannot be read counts as begun."""
    if not path.is_file():
        return path.exists()
    _, to_fill = _KINDS[place.split("/", maxsplit=1)[0]]
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file, strict=True))
    except (OSError, UnicodeDecodeError, csv.Error):
        return True
    return any(not set(to_fill) <= row.keys() or any(row[name] for name in to_fill) for row in rows)
