"""This module lays out the meters of a fleet review: groups by obligation, a row a meter."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

import polars as pl

from drift import format as text
from drift.frames import Row
from drift.report.pages.fleet_charts import FleetCharts
from drift.report.pages.parts import file_name
from drift.review.obligations import (
    CLOSE,
    DO_NOT_USE,
    FIND_CAUSE,
    KEEP_IN_USE,
    OVERDUE,
    RESET,
    REVIEW,
    SEE_EARLY,
)
from drift.review.results import Review

RETIRED = "retired"
# Heading and tone of each group, by the strongest obligation of its meters.
_GROUPS: tuple[tuple[str, tuple[str, ...], str, str], ...] = (
    ("do-not-use", (DO_NOT_USE, OVERDUE), "Do not use", "stop"),
    ("see-early", (SEE_EARLY,), "See it early", "look"),
    ("re-set", (RESET,), "Re-set though it passes", "look"),
    ("find-cause", (FIND_CAUSE,), "Find the cause", "look"),
    ("review-results", (REVIEW,), "Review results", "calm"),
    ("close-file", (CLOSE,), "Close the file", "calm"),
    ("keep", (KEEP_IN_USE,), "Keep to the schedule", "quiet"),
    (RETIRED, (RETIRED,), "Retired", "quiet"),
)
# Up to so many meters each has its row; of more the worst have, and the rest is folded.
_MOST_ROWS, _NAMED = 40, 10
# Visits of a small history where meters are many.
_FEW_VISITS = 12
_LONGEST_NAME = 16
# A chance without what is shared is told where it differs by this much.
_DIFFERS = 0.05
_NO_SITE = "no site on record"


@dataclass(frozen=True, slots=True)
class FleetRow:
    """One meter in the table of the fleet.

    Attributes
    ----------
    name : str
        Its id, cut where it is long.
    state : str
        Its standing, or by how many days it is overdue.
    now : str
        Bias now and when due, in words.
    chance, alone : str
        Chance that it is out when due; the same without what meters share, empty where alike.
    high : bool
        Whether the chance asks for something.
    todo : str
        All that is to be done, in a few words.
    site, made_by, age : str
        What the register says of it, empty where it says nothing.
    """

    meter_id: str
    name: str
    file: str
    standing: str
    site: str
    made_by: str
    age: str
    state: str
    now: str
    chance: str
    alone: str
    high: bool
    todo: str


@dataclass(frozen=True, slots=True)
class Fold:
    """Rows that are folded into one line; site is empty where they are not of one site."""

    title: str
    rows: tuple[FleetRow, ...]
    chance: str
    about: str
    strip: str
    bias: str
    history: str


@dataclass(frozen=True, slots=True)
class FleetGroup:
    """The meters whose strongest obligation is of one kind; figures are rows of charts as JSON."""

    anchor: str
    title: str
    tone: str
    total: int
    rows: tuple[FleetRow, ...]
    bias: str
    history: str
    folds: tuple[Fold, ...]


@dataclass(frozen=True, slots=True)
class FleetTable:
    """The fleet as groups of rows.

    Attributes
    ----------
    axis : str
        Rows of the axis over biases, as JSON.
    span : tuple of str
        First and last year of the small histories.
    standings : tuple of str
        What rows can be filtered by.
    kinds : tuple of (str, str, tuple of str)
        Name, label and choices of the other filters: of those that part the fleet.
    """

    groups: tuple[FleetGroup, ...]
    axis: str
    span: tuple[str, str]
    standings: tuple[str, ...]
    kinds: tuple[tuple[str, str, tuple[str, ...]], ...]
    total: int


def group_of(obligations: str, *, retired: bool) -> tuple[str, str]:
    """Return anchor and tone of the group of a meter, from its obligations' tokens."""
    first = RETIRED if retired else (obligations.split() or [KEEP_IN_USE])[0]
    for anchor, tokens, _, tone in _GROUPS:
        if first in tokens:
            return anchor, tone
    raise KeyError(first)


def fleet_table(review: Review) -> FleetTable:
    """Return the meters of a review in groups by what must be done about them.

    Parameters
    ----------
    review : Review
        What was found; `review.meters` gives the order.
    """
    rows = _placed(review)
    many = len(rows) > _MOST_ROWS
    charts = FleetCharts(review, rows, visits=_FEW_VISITS if many else None)
    left = _NAMED if many else len(rows)
    groups = []
    for anchor, _, title, tone in _GROUPS:
        mine = [row for row in rows if row["group"] == anchor]
        if not mine:
            continue
        named = 0 if many and anchor in {"keep", RETIRED} else min(left, len(mine))
        left -= named
        shown, rest = mine[:named], mine[named:]
        groups.append(
            FleetGroup(
                anchor=anchor,
                title=title,
                tone=tone,
                total=len(mine),
                rows=tuple(row["told"] for row in shown),
                bias=charts.bias(shown),
                history=charts.history(shown),
                folds=tuple(_folds(rest, charts, named=named, by_site=anchor == "keep")),
            )
        )
    return FleetTable(
        groups=tuple(groups),
        axis=charts.axis(),
        span=(str(charts.first.year), str(charts.last.year)),
        standings=tuple(dict.fromkeys(row["told"].standing for row in rows)),
        kinds=tuple(_kinds([row["told"] for row in rows])),
        total=len(rows),
    )


def _placed(review: Review) -> list[Row]:
    """Return what is drawn and told of each meter, in the order of the review."""
    series = review.ledger.select("meter_id", "series", worst_point_pct="point_pct").unique()
    ahead = review.forecasts.select(
        "series", "level", "at_due", "at_due_low", "at_due_high", "level_low", "level_high"
    )
    statuses = review.sources.meters.unique("meter_id", keep="last").select("meter_id", "status")
    known = statuses.join(review.register_groups, on="meter_id")
    alone = (
        review.own_meters.select("meter_id", p_alone="p_out_next_due")
        if review.own_meters.height
        else review.meters.select("meter_id", p_alone=pl.lit(None, pl.Float64))
    )
    rows = (
        review.meters.join(
            series, on=["meter_id", "worst_point_pct"], how="left", maintain_order="left"
        )
        .join(ahead, on="series", how="left", maintain_order="left")
        .join(known, on="meter_id", how="left", maintain_order="left")
        .join(alone, on="meter_id", how="left", maintain_order="left")
        .to_dicts()
    )
    briefs: dict[str, list[str]] = {}
    for meter_id, brief in review.obligations.select("meter_id", "brief").iter_rows():
        briefs.setdefault(meter_id, []).append(brief)
    for row in rows:
        retired = row["status"] == RETIRED
        row["group"], row["tone"] = group_of(row["obligations"], retired=retired)
        if row["next_due_on"] is None or row["at_due"] is None:
            row["at_due"] = row["level"]
            row["at_due_low"], row["at_due_high"] = row["level_low"], row["level_high"]
        row["told"] = _told(row, briefs.get(row["meter_id"], []), review.as_of, retired=retired)
    return rows


def _kinds(rows: list[FleetRow]) -> Iterator[tuple[str, str, tuple[str, ...]]]:
    """Return what rows can be filtered by beside their standing, where it parts them."""
    told = {
        "site": ("Site", {row.site for row in rows}),
        "made_by": ("Made by", {row.made_by for row in rows}),
        "age": ("Age", {row.age for row in rows}),
    }
    for name, (label, choices) in told.items():
        if len(choices - {""}) > 1:
            yield name, label, tuple(sorted(choices - {""}))


def _told(row: Row, briefs: list[str], as_of: date, *, retired: bool) -> FleetRow:
    """Return the row of one meter in words."""
    chance, alone = row["p_out_next_due"], row["p_alone"]
    state = row["standing"]
    if row["overdue"] and not retired and row["next_due_on"] is not None:
        state = f"{text.count((as_of - row['next_due_on']).days, 'day')} overdue"
    todo = "; ".join(briefs)
    differs = None not in (chance, alone) and abs(alone - chance) >= _DIFFERS
    return FleetRow(
        meter_id=row["meter_id"],
        name=text.shortened(row["meter_id"], longest=_LONGEST_NAME),
        file=file_name(row["meter_id"]),
        standing=row["standing"],
        site=row["site"] or "",
        made_by=row["made_by"] or "",
        age=row["age"] or "",
        state=state,
        now=_now(row),
        chance="" if retired else text.probability(chance),
        alone=text.probability(alone) if differs and not retired else "",
        high=row["tone"] in {"stop", "look"} and chance is not None and chance >= _DIFFERS,
        todo=f"{todo[:1].upper()}{todo[1:]}",
    )


def _now(row: Row) -> str:
    """Return bias now and when due in words."""
    if row["level"] is None:
        return text.CANNOT_SAY
    band = text.interval(row["at_due_low"], row["at_due_high"])
    if row["next_due_on"] is None:
        return f"{text.bias(row['level'])} ({band})"
    return f"{text.bias(row['level'])} → {text.bias(row['at_due'])} ({band})"


def _folds(rest: list[Row], charts: FleetCharts, *, named: int, by_site: bool) -> list[Fold]:
    """Return the lines into which rows are folded: one, or one a site."""
    if not rest:
        return []
    parts: dict[str, list[Row]] = {}
    for row in rest:
        parts.setdefault((row["told"].site or _NO_SITE) if by_site else "", []).append(row)
    if len(parts) == 1 and (only := next(iter(parts))) == _NO_SITE:
        parts = {"": parts[only]}
    more = "more " if named else ""
    return [
        Fold(
            title=f"{site}: {len(mine)}"
            if site
            else f"{len(mine)} {more}meters".replace("1 meters", "1 meter"),
            rows=tuple(row["told"] for row in mine),
            chance=_most(mine),
            about=_about(mine),
            strip=charts.strip(mine),
            bias=charts.bias(mine),
            history=charts.history(mine),
        )
        for site, mine in sorted(parts.items())
    ]


def whole_fleet(review: Review) -> dict[str, str]:
    """Return the rows of the charts beside the table, of all meters in its order, by name."""
    rows = _placed(review)
    charts = FleetCharts(review, rows, visits=None)
    return {
        "fleet_bias": charts.bias(rows),
        "fleet_bias_axis": charts.axis(),
        "fleet_history": charts.history(rows),
        "fleet_strip": charts.strip(rows),
    }


def _most(rows: list[Row]) -> str:
    """Say how likely the likeliest of several meters is to be out."""
    chances = [row["p_out_next_due"] for row in rows if row["p_out_next_due"] is not None]
    if not chances:
        return ""
    told = text.probability(max(chances))
    return told if told.startswith("under") else f"at most {told}"


def _about(rows: list[Row]) -> str:
    """Say when several meters are due, by month."""
    months = Counter((on.year, on.month) for row in rows if (on := row["next_due_on"]) is not None)
    told = [
        f"{number} due in {text.month(date(year, month, 1))}"
        for (year, month), number in sorted(months.items())[:3]
    ]
    return text.listed(told)
