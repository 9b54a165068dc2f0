"""This module tells of the checks of one meter between its calibrations."""

from dataclasses import dataclass
from datetime import date

from drift import format as text
from drift.frames import Row, of_meter
from drift.limits.checks.judging import INSIDE, OUTSIDE
from drift.report.figures.rows import listed_rows
from drift.review.results import Review

_LONGEST_TABLE = 12
_KEY = ("check", "unit", "aim")
_JUDGED = {INSIDE: "inside", OUTSIDE: "outside"}


@dataclass(frozen=True, slots=True)
class CheckDay:
    """One day of one kind of check, numbers in its unit, None where there is none."""

    performed_on: date
    found: str
    limit: str
    judged: str
    outside: bool
    mean: float | None
    lower: float | None
    upper: float | None
    moved: bool


@dataclass(frozen=True, slots=True)
class CheckSeriesPart:
    """One kind of check: what it shows in words, the rows of its figure, its newest days.

    figure is empty where no day gave a number; days_total counts all days.
    """

    name: str
    unit: str
    sentence: str
    figure: str
    days: tuple[CheckDay, ...]
    days_total: int


@dataclass(frozen=True, slots=True)
class ChecksPart:
    """The checks of a meter between its calibrations."""

    lead: str
    series: tuple[CheckSeriesPart, ...]


def checks_part(review: Review, meter_id: str) -> ChecksPart:
    """Return what a dossier says of checks between calibrations."""
    series = of_meter(review.checks.series, meter_id).to_dicts()
    days: dict[tuple[object, ...], list[Row]] = {}
    for row in of_meter(review.checks.days, meter_id).iter_rows(named=True):
        days.setdefault(tuple(row[name] for name in _KEY), []).append(row)
    return ChecksPart(
        lead=_lead(series),
        series=tuple(_part(row, days[tuple(row[name] for name in _KEY)]) for row in series),
    )


def _lead(series: list[Row]) -> str:
    """Say what the checks ask for, in a line."""
    if not series:
        return "none on record"
    outside = sum(row["outside"] for row in series)
    moved = [row["name"] for row in series if row["in_control"] is False]
    told = [text.listed([text.count(row["days"], row["name"]) for row in series])]
    if outside:
        told.append(f"{text.whole(outside)} failed")
    if moved:
        told.append(f"{text.listed(moved)}: the level has moved")
    return "; ".join(told)


def _part(row: Row, days: list[Row]) -> CheckSeriesPart:
    """Return one kind of check."""
    newest = days[::-1][:_LONGEST_TABLE]
    return CheckSeriesPart(
        name=f"{row['name'][:1].upper()}{row['name'][1:]}s"
        if row["aim"] is None
        else f"{row['name'][:1].upper()}{row['name'][1:]}",
        unit=row["unit"],
        sentence=row["sentence"],
        figure=_figure(days) if row["numbers"] else "",
        days=tuple(_day(one) for one in newest),
        days_total=len(days),
    )


def _day(row: Row) -> CheckDay:
    """Return a row of the table."""
    limit = "none set" if row["limit"] is None else text.plain(row["limit"])
    return CheckDay(
        performed_on=row["performed_on"],
        found=_found(row),
        limit=limit if row["departure"] is not None else "",
        judged=_JUDGED.get(row["judged"], "not judged"),
        outside=row["judged"] == OUTSIDE,
        mean=row["ewma"],
        lower=row["ewma_lower"],
        upper=row["ewma_upper"],
        moved=_moved(row),
    )


def _found(row: Row) -> str:
    """Say what a day found: its number, or its answers."""
    if row["departure"] is not None:
        return text.fixed(row["departure"], places=3, signed=True)
    answers = {"yes": row["passed"], "no": row["failed"]}
    return text.listed(
        [word if many == 1 else f"{word} ({many})" for word, many in answers.items() if many]
    )


def _moved(row: Row) -> bool:
    """Say whether the charts of a day are beyond their limits."""
    if row["ewma_upper"] is None or row["ewma"] is None:
        return False
    beyond = not row["ewma_lower"] <= row["ewma"] <= row["ewma_upper"]
    sums = max(row["cusum_high"] or 0.0, -(row["cusum_low"] or 0.0))
    return beyond or (row["cusum_limit"] is not None and sums > row["cusum_limit"])


def _figure(days: list[Row]) -> str:
    """Return the rows of the figure of one kind of check."""
    known = [row for row in days if row["departure"] is not None]
    return listed_rows(
        "meter_checks",
        {
            "days": [
                {
                    "on": row["performed_on"],
                    "found": row["departure"],
                    "outside": row["judged"] == OUTSIDE,
                    "words": f"{text.day(row['performed_on'])}: {_found(row)}",
                }
                for row in known
            ],
            "slow": [
                {
                    "on": row["performed_on"],
                    "mean": row["ewma"],
                    "lower": row["ewma_lower"],
                    "centre": row["centre"],
                    "upper": row["ewma_upper"],
                    "moved": _moved(row),
                    "phase": row["phase"],
                    "words": (
                        f"{text.day(row['performed_on'])}: slow mean "
                        f"{text.fixed(row['ewma'], places=3, signed=True)}"
                    ),
                }
                for row in known
                if row["ewma"] is not None and row["centre"] is not None
            ],
        },
    )
