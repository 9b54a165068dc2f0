"""This module finds numbers in what people read that stand in none of the files beside it.

A number is looked for where it belongs: beside a date in the rows of that day, else in the rows of
the meter, else in those of the fleet and in the policy.  Whole numbers are left to other tests:
too many of them are somewhere.
"""

import csv
import dataclasses
import math
import re
from collections import defaultdict
from collections.abc import Iterator
from datetime import date, timedelta
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import polars.selectors as cs

from drift import format as show
from drift.conformity.bias_budget import STEP
from drift.frames import DAYS_PER_YEAR, EPOCH
from drift.meter.zero_span import PARTS
from drift.review.evidence import Evidence
from drift.review.policy import choices_of
from drift.review.results import Review

_SPACES = re.compile(r"[\s\u00a0\u202f]+")
_DATE = r"\d{1,2} (?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec) \d{4}"
_SHARP = re.compile(
    rf"(?P<date>{_DATE})|(?P<percent>\d+(?:\.\d+)?) %(?! (?:air|on the dial))"
    r"|(?P<number>(?:[+\u2212\u00b1] ?)?\d+\.\d+)"
)
# What is not told of records: bounds of what is shown, file names, versions, numbers of clauses
# and of documents.
_NOT_TOLD = re.compile(
    r"\b(?:under|over) \d+(?:\.\d+)?(?: %)?"
    r"|\S+\.(?:csv|html|json|toml|xlsx|py)(?::\d+)?|drift \d\S*|\b[A-Z]+[- ]?[A-Z]*\d[\w/.:-]*"
    r"|\b\d+\.\d+\.\d+\S*|‘[^’]*’|'[^']*'"
)


class Sentences(HTMLParser):
    """Gathers the text of paragraphs, items and captions, not that of tables and figures."""

    _OUTSIDE = frozenset({"table", "script", "style", "code", "pre", "svg", "nav"})
    _BLOCKS = frozenset({"p", "li", "figcaption", "dd", "h1", "h2", "h3", "summary"})

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self._outside = 0
        self._open: list[str] = []

    def handle_starttag(self, tag: str, _attrs: list[tuple[str, str | None]]) -> None:
        """Begin a block, or leave out what begins."""
        self._outside += tag in self._OUTSIDE
        if tag in self._BLOCKS:
            self._open.append("")

    def handle_endtag(self, tag: str) -> None:
        """End a block."""
        self._outside -= tag in self._OUTSIDE
        if tag in self._BLOCKS and self._open:
            self.found.append(self._open.pop())

    def handle_data(self, data: str) -> None:
        """Add text to the block that is open."""
        if self._open and not self._outside:
            self._open[-1] += data


def plain_spaces(text: str) -> str:
    """Return a text with single, plain spaces."""
    return _SPACES.sub(" ", text).strip()


def sentences_of(page: str) -> list[str]:
    """Return the texts of a page, spaces made plain."""
    parser = Sentences()
    parser.feed(page)
    return [told for text in parser.found if (told := plain_spaces(text))]


@cache
def forms(value: float) -> frozenset[str]:
    """Return a number as any sentence may show it, without unit."""
    told = {show.plain(value), *(show.fixed(value, places=places) for places in range(6))}
    told |= {show.fixed(value, places=places, signed=True) for places in (1, 2, 3, 4)}
    told |= {one.replace("\u2212", "").replace("+", "") for one in told}
    told.add(show.p_value(value))
    percent = {show.fixed(100 * value, places=places) for places in (0, 1, 2)}
    percent |= {show.plain(round(100 * value, 2))}
    rounded = {show.fixed(100 * (1 - value), places=places) for places in (0, 1)}
    told |= {f"{one} %" for one in percent | rounded} if abs(value) <= 1 else set()
    return frozenset(told)


_IDS = frozenset({"meter_id", "signal_id", "visit_id", "test_id", "line", "series", "visit"})
# Columns whose numbers never stand in a sentence as a signed bias: chances, scatters, and what
# only tables show.
_UNSIGNED = re.compile(
    r"^(p|q|share|chance)_|_(p|q|sd|share|df)$|^(p|q|f|t|share|probability|brier|sigma)$|_u_pct$|^u_"
    r"|spread|contribution|standard|expanded|sensitivity|^centre$|^(robust|known|sen)_|^kendall"
)
_SIGNED = re.compile(r"[+\u2212]\d+\.\d{3}")
# A row that holds one of these tells of a day; what it holds is known beside that day alone.
_DATED = frozenset({"visit_id", "visit_on", "performed_on", "horizon_days", "calibrated_on"})
# Times in years since 2000, which sentences give as days.
_TIMES = ("crossing", "crossing_early", "crossing_late")


class Known:
    """What a review knows, by meter and by day: its frames, its data files and its source's."""

    def __init__(self, review: Review, evidence: Evidence, *folders: Path) -> None:
        self.chosen = {*choices(choices_of(review.policy)), day_of(str(review.as_of))}
        self.fleet: set[str] = set()
        self.of_meter: defaultdict[str, set[str]] = defaultdict(set)
        self.of_day: defaultdict[tuple[str, str], set[str]] = defaultdict(set)
        # Of zero and span, which only sentences on these tell; without a day what is of no day.
        self.of_parts: defaultdict[tuple[str, str], set[str]] = defaultdict(set)
        self._last = {
            meter: day_of(str(on))
            for meter, on in review.ledger.group_by("meter_id")
            .agg(pl.col("performed_on").max())
            .iter_rows()
        }
        series = review.ledger.select("series", "meter_id").unique()
        trends = review.plain_trends()
        for frame in frames_in((review, evidence, trends, review.jumps, *derived(review))):
            if "series" in frame.columns and "meter_id" not in frame.columns:
                frame = frame.join(series, on="series", how="left")  # noqa: PLW2901  # named
            # Forecasts of past visits are told nowhere.
            for row in () if "p_line" in frame.columns else frame.iter_rows(named=True):
                self._take(row)
        for file in [file for folder in folders for file in sorted(folder.glob("*.csv"))]:
            with file.open(encoding="utf-8-sig", newline="") as lines:
                for cells in csv.DictReader(lines):
                    self._take({name: number_or_text(cell) for name, cell in cells.items()})

    def _take(self, row: dict[str, object]) -> None:
        """Take in the numbers and days of one row."""
        told: set[str] = set()
        days: set[str] = set()
        for name, cell in row.items():
            if isinstance(cell, date | str) and (day := day_of(str(cell))):
                days.add(day)
            elif name in _TIMES and isinstance(cell, float) and math.isfinite(cell):
                days.add(day_of(str(EPOCH + timedelta(days=round(cell * DAYS_PER_YEAR)))))
            elif name not in _IDS and isinstance(cell, int | float) and math.isfinite(cell):
                told |= forms_in(name, float(cell))
            elif isinstance(cell, list):
                told = told.union(*(forms_in(name, each) for each in cell if each is not None))
        meter = str(row.get("meter_id") or "")
        if not meter:
            self.fleet |= told | days
            return
        self.of_meter[meter] |= days
        of_part = row.get("part") in PARTS
        if _DATED & row.keys():
            for day in days:
                (self.of_parts if of_part else self.of_day)[meter, day] |= told
        elif of_part:
            self.of_parts[meter, ""] |= told
        else:
            self.of_meter[meter] |= told

    def missing(self, text: str, meter: str, *, alone: bool) -> list[str]:
        """Return the numbers of a text that are not known where they belong.

        Where a page tells of one meter alone, biases of the fleet are none of its own.
        """
        days = {*re.findall(_DATE, text), self._last.get(meter, "")}
        known = [self.chosen, self.of_meter[meter], *(self.of_day[meter, day] for day in days)]
        if any(part in text.lower() for part in PARTS):
            known += [self.of_parts[meter, day] for day in {"", *days}]

        def is_known(token: str) -> bool:
            of_fleet = token in self.fleet and not (alone and _SIGNED.fullmatch(token))
            return of_fleet or any(token in some for some in known)

        return [token for token in sharp(text) if not is_known(token)]


def derived(review: Review) -> Iterator[pl.DataFrame]:
    """Yield what sentences work out of rows: newest limits, the way of a mark, spans of columns."""
    series = review.ledger.select("series", "meter_id").unique()
    newest = review.charted.group_by("series", "chart").last().join(series, on="series")
    yield newest.select("meter_id", "lower", "upper")
    marks = (
        review.marks.filter(pl.col("chart") == "mark").sort("visit").group_by("meter_id", "unit")
    )
    yield marks.agg(
        now=pl.col("value").last(), way=pl.col("value").last() - pl.col("value").first()
    )
    for frame in frames_in((review.sources, review.ledger, review.signals)):
        ends = frame.select(cs.date() | cs.numeric())
        yield pl.concat([ends.min(), ends.max()])
    yield falls(review)
    in_use = review.meters.filter(pl.col("standing") != "retired")
    last = review.conformity.budgets.filter(pl.col("stage") != STEP)
    yield last.join(in_use, on="meter_id", how="semi").select(pl.col("expanded_u_pct").max())
    half = pl.col("expanded_u_pct").median()
    yield review.conformity.verdicts.group_by("point_pct").agg(half).drop("point_pct")


def falls(review: Review) -> pl.DataFrame:
    """Return the day on which each meter's chance of being out reaches what is accepted.

    By the days of the forecast's own interval after its last calibration; a fraction of a day
    belongs to the day before or to the day after.
    """
    forward = pl.col("calibration").is_in(["both", "looks_forward"])
    left = review.ledger.filter(forward).group_by("meter_id").agg(pl.col("performed_on").max())
    own = review.upkeep.intervals.filter(
        pl.col("scope") == "meter", pl.col("method") == "forecast", pl.col("days").is_not_null()
    )
    days = pl.col("days").cast(pl.Int64)
    day = [pl.col("performed_on") + pl.duration(days=days + more) for more in (0, 1)]
    return own.join(left, on="meter_id").select("meter_id", on=day[0], next_on=day[1])


def frames_in(value: object) -> Iterator[pl.DataFrame]:
    """Yield every frame that a result holds, however deep."""
    if isinstance(value, pl.DataFrame):
        yield value
    elif isinstance(value, tuple | list):
        for each in value:
            yield from frames_in(each)
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        numbers = {
            field.name: getattr(value, field.name)
            for field in dataclasses.fields(value)
            if isinstance(getattr(value, field.name), int | float)
        }
        if numbers:
            yield pl.DataFrame([numbers])
        for field in dataclasses.fields(value):
            if field.name not in {"charted", "policy"}:
                yield from frames_in(getattr(value, field.name))


@cache
def forms_in(column: str, value: float) -> frozenset[str]:
    """Return a number of a column as any sentence may show it."""
    told = forms(value)
    if not _UNSIGNED.search(column):
        return told
    return frozenset(one for one in told if not _SIGNED.fullmatch(one))


def number_or_text(cell: str) -> float | str:
    """Return a cell of a file as a number where it is one."""
    try:
        return float(cell)
    except ValueError:
        return cell


def day_of(cell: str) -> str:
    """Return a date as sentences have it, nothing where a cell is none."""
    try:
        return show.day(date.fromisoformat(cell)).replace("\u00a0", " ")
    except ValueError:
        return ""


def sharp(text: str) -> Iterator[str]:
    """Yield dates, percentages and decimals of a text."""
    for found in _SHARP.finditer(_NOT_TOLD.sub(" ", text)):
        if found["date"]:
            yield found["date"]
        elif found["percent"]:
            yield f"{found['percent']} %"
        else:
            yield found["number"].replace("\u00b1", "").replace(" ", "")


def choices(value: object) -> Iterator[str]:
    """Yield every number of a policy in all its forms."""
    if isinstance(value, dict):
        for each in value.values():
            yield from choices(each)
    elif isinstance(value, list):
        for each in value:
            yield from choices(each)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield from forms(float(value))
    elif isinstance(value, str) and (day := day_of(value)):
        yield day
