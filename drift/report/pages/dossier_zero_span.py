"""This module tells what a meter's zero does, what grows with the air, and causes over time."""

from dataclasses import dataclass

import polars as pl

from drift import format as text
from drift.frames import Row, of_meter
from drift.meter.causes import NOTHING
from drift.meter.hysteresis import NO_ORDER, ONE_WAY, SHOWN, UNTOLD
from drift.meter.zero_span import PARTS, SPAN, SPAN_AT_PCT, ZERO
from drift.report.figures.rows import listed_rows
from drift.report.pages.dossier_bench import CAUSE_WORDS
from drift.review.cause_history import CauseHistory
from drift.review.results import Review
from drift.review.zero_spans import CANNOT_SAY, MOVES, TOO_FEW

# Standard errors to either side that hold a normal variable in 95 of 100.
_WIDTH = 1.96
_NAMES = {ZERO: "zero, at 0 %", SPAN: f"span, at {text.point(SPAN_AT_PCT)}"}
_LONG = {
    ZERO: "The zero (the error at 0 %, and what it brings along the dial)",
    SPAN: f"The span (the error at {text.point(SPAN_AT_PCT)} that the zero does not explain)",
}
_UNTOLD_WAYS = {
    NO_ORDER: "the records do not say in which order its points were read",
    ONE_WAY: "no point was read both after a lower and after a higher one",
}
_READ_BOTH_WAYS = (
    "To find out, read up and down in one visit (0, 5, 10, 5, 0 %) and number the readings from 1 "
    "on in that order, in the column replicate."
)
_HYSTERESIS = "Hysteresis (a different reading on the way down than on the way up)"
# Causes less probable than this at every visit have no column.
_LEAST = 0.05
_NEVER: Row = {"probability": -1.0}


@dataclass(frozen=True, slots=True)
class ZeroSpanRow:
    """One part: its name, its visits, last value, drift and finding."""

    name: str
    visits: int
    last: str
    drift: str
    finding: str


@dataclass(frozen=True, slots=True)
class ZeroSpanPart:
    """What a dossier says of zero and span.

    Attributes
    ----------
    gist : str
        In a few words.
    sentences : tuple of str
        What moved, since when, how fast; or why it cannot be said.
    rows : str
        Of the figure; empty where there is nothing to draw.
    parts : tuple of ZeroSpanRow
    """

    gist: str
    sentences: tuple[str, ...]
    rows: str
    parts: tuple[ZeroSpanRow, ...]


@dataclass(frozen=True, slots=True)
class CauseHistoryPart:
    """Causes over time: a sentence, the rows of the figure, and the table by visit.

    Attributes
    ----------
    sentence : str
        What leads, since when; empty where no cause was weighed.
    rows : str
    causes : tuple of str
        Columns of the table.
    visits : tuple of (str, tuple of str)
        A row a visit, newest first: its day and the chance of each.
    """

    sentence: str
    rows: str
    causes: tuple[str, ...]
    visits: tuple[tuple[str, tuple[str, ...]], ...]


def zero_span_part(review: Review, meter_id: str) -> ZeroSpanPart:
    """Return what the dossier of one meter says of its zero and its span."""
    visits = of_meter(review.zero_span.visits, meter_id)
    drifts = {row["part"]: row for row in of_meter(review.zero_span.drifts, meter_id).to_dicts()}
    told = [drifts[part] for part in PARTS if part in drifts]
    return ZeroSpanPart(
        gist=_gist(told),
        sentences=(*(_sentence(row) for row in told), *_ways(review, meter_id)),
        rows=_figure(visits),
        parts=tuple(_row(row, visits.filter(pl.col("part") == row["part"])) for row in told),
    )


def _ways(review: Review, meter_id: str) -> list[str]:
    """Say whether the meter reads otherwise on the way down than on the way up."""
    rows = of_meter(review.zero_span.hysteresis, meter_id)
    return [_way(row) for row in rows.iter_rows(named=True)]


def _way(row: Row) -> str:
    """Say what one meter does on the way up and down."""
    if row["finding"] == UNTOLD:
        why = _UNTOLD_WAYS[row["why"]]
        return f"{_HYSTERESIS}: {text.CANNOT_SAY}, {why}. {_READ_BOTH_WAYS}"
    span = text.interval(row["difference_low"], row["difference_high"])
    many = text.count(row["visits"], "visit")
    if row["finding"] == SHOWN:
        way = "higher" if row["difference_pct"] > 0 else "lower"
        size = text.spread(abs(row["difference_pct"]))
        return (
            f"Hysteresis: it reads {size}{text.NO_BREAK}%{text.NO_BREAK}air {way} on the way "
            f"down than on the way up ({span}, {many}; as much by chance alone: "
            f"{text.probability(row['p'])})."
        )
    return f"No hysteresis is shown: the way down less the way up is {span} % air ({many})."


def _gist(told: list[Row]) -> str:
    """Say in a few words which part moves."""
    if told and all(row["finding"] == CANNOT_SAY for row in told):
        return f"{text.CANNOT_SAY}: {told[0]['why']}"
    moving = [row["part"] for row in told if row["finding"] == MOVES or row["beyond_since"]]
    if moving:
        return f"{text.listed(moving)} moved"
    return "neither is shown to move"


def _sentence(row: Row) -> str:
    """Say what one part does."""
    name = _LONG[row["part"]]
    if row["finding"] == CANNOT_SAY:
        return f"{name}: {text.CANNOT_SAY}, {row['why']}."
    since = ""
    if row["beyond_since"]:
        since = f" It has been beyond its limits since {text.day(row['beyond_since'])}."
    if row["finding"] == TOO_FEW:
        many = text.count(row["visits"], "visit")
        return f"{name}: {text.CANNOT_SAY} whether it drifts, after {many}.{since}"
    if row["finding"] == MOVES:
        return (
            f"{name} drifts {text.bias(row['drift'])} % air a year "
            f"({text.interval(row['drift_low'], row['drift_high'])}; as much by chance alone: "
            f"{text.probability(row['drift_p'])}).{since}"
        )
    span = text.interval(row["drift_low"], row["drift_high"])
    limited = "" if text.known(row["drift"]) else ", limited by the dial's resolution"
    return f"{name} is not shown to drift: {span} % air a year{limited}.{since}"


def _row(row: Row, visits: pl.DataFrame) -> ZeroSpanRow:
    """Return the line of one part in the table."""
    last = visits.to_dicts()[-1] if visits.height else None
    return ZeroSpanRow(
        name=_NAMES[row["part"]],
        visits=row["visits"],
        last=text.CANNOT_SAY
        if last is None
        else f"{text.bias(last['found_pct'])} ± {text.spread(_WIDTH * _error(last))}",
        drift=text.CANNOT_SAY
        if row["drift_low"] is None
        else f"{text.bias(row['drift'])} ({text.interval(row['drift_low'], row['drift_high'])})",
        finding=text.words_of(row["finding"]),
    )


def _error(row: Row) -> float:
    """Return the whole standard error of one value."""
    return float((row["se_pct"] ** 2 + row["law_se_pct"] ** 2) ** 0.5)


def _figure(visits: pl.DataFrame) -> str:
    """Return the rows of the figure; nothing where nothing was told."""
    dots = [
        {
            "panel": PARTS.index(row["part"]),
            "on": row["performed_on"],
            "path": row["path_pct"],
            "half": _WIDTH * row["se_pct"],
            "found": row["found_pct"],
            "beyond": row["beyond"],
            "lower": row["lower"],
            "centre": row["centre"],
            "upper": row["upper"],
        }
        for row in visits.drop_nulls("path_pct").iter_rows(named=True)
    ]
    if not dots:
        return ""
    drawn = sorted({str(dot["panel"]) for dot in dots})
    parts = [{"panel": int(at), "name": f"{_NAMES[PARTS[int(at)]]}, % air"} for at in drawn]
    return listed_rows("zero_span", {"parts": parts, "dots": dots})


def cause_history_part(review: Review, meter_id: str) -> CauseHistoryPart:
    """Return what the dossier of one meter says of its causes over time."""
    found = review.cause_history(meter_id)
    if found is None:
        return CauseHistoryPart("", "", (), ())
    steps = found.steps.to_dicts()
    chances = {(row["segment"], row["on"], row["cause"]): row["probability"] for row in steps}
    most: dict[str, float] = {}
    for (_, _, cause), chance in chances.items():
        most[cause] = max(chance, most.get(cause, chance))
    told = [cause for cause, chance in most.items() if chance >= _LEAST]
    visits = dict.fromkeys((row["segment"], row["on"]) for row in steps)
    return CauseHistoryPart(
        sentence=_leads(found, steps),
        rows=_chances([row for row in steps if row["cause"] in told]),
        causes=tuple(_name(cause) for cause in told),
        visits=tuple(
            (
                text.day(on),
                tuple(text.probability(chances[segment, on, cause]) for cause in told),
            )
            for segment, on in reversed(visits)
        ),
    )


def _leads(found: CauseHistory, steps: list[Row]) -> str:
    """Say what leads and since when."""
    chance = text.probability([row["probability"] for row in steps if row["leads"]][-1])
    told = f"{_name(found.leader)} ({chance})"
    many = text.count(found.visits, "visit")
    if found.before is None:
        since = text.day(found.since)
        return f"Likeliest at all {many} weighed, since {since}: {told}."
    before = f"Before that: {_name(found.before)}."
    if found.visits == 1:
        return f"Likeliest at the last visit weighed: {told}. {before}"
    return f"Likeliest since {text.day(found.since)}, {many} in a row: {told}. {before}"


def _name(cause: str) -> str:
    """Return a cause in words."""
    return "nothing to explain" if cause == NOTHING else CAUSE_WORDS[cause][0]


def _chances(steps: list[Row]) -> str:
    """Return the rows of the figure of causes over time."""
    surest: dict[str, Row] = {}
    for row in steps:
        if row["leads"] and row["probability"] > surest.get(row["cause"], _NEVER)["probability"]:
            surest[row["cause"]] = row
    named = {(row["cause"], row["on"]) for row in surest.values()}
    days = sorted({row["on"] for row in steps})
    late = set(days[len(days) // 2 :])
    return listed_rows(
        "cause_history",
        {
            "chances": [
                {
                    "on": row["on"],
                    "cause": _name(row["cause"]),
                    "chance": row["probability"],
                    "leads": row["leads"],
                    "stretch": str(row["segment"]),
                    "label": _name(row["cause"]) if (row["cause"], row["on"]) in named else None,
                    "late": row["on"] in late,
                }
                for row in steps
            ]
        },
    )
