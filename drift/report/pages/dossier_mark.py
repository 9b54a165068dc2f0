"""This module tells of one meter's initial pressure mark: where it stood, and which way it went."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import comb

import polars as pl

from drift import format as text
from drift.frames import Row, of_meter
from drift.report.figures.rows import listed_rows
from drift.report.pages.dossier_charts import limit_labels
from drift.report.pages.dossier_limits import is_beyond
from drift.review.results import Review

_UNITS = {"dial_pct": "% on the dial", "kpa": "kPa"}
# Moves from which their directions are counted; fewer all one way happen by chance too often.
_FEWEST_MOVES = 4
# Chance below which moves are said to go one way, both ways counted.
_ONE_WAY = 0.05


@dataclass(frozen=True, slots=True)
class MarkPart:
    """The chart of the mark: what to conclude, what is drawn, and its rows."""

    conclude: str
    shows: str
    rows: str


def mark_part(review: Review, meter_id: str, *, signals: pl.DataFrame) -> MarkPart | None:
    """Return the chart of the mark, or none where its place is not on record.

    `signals` are those of the meter.
    """
    charted = of_meter(review.marks, meter_id).to_dicts()
    placed = sorted(
        (row for row in charted if row["chart"] == "mark"), key=lambda row: row["performed_on"]
    )
    if not placed:
        return None
    unit = _UNITS[placed[-1]["unit"]]
    dots = [
        {
            "panel": 0,
            "on": row["performed_on"],
            "value": row["value"],
            "beyond": is_beyond(row),
            "phase": row["phase"],
            "point": "the mark",
            "lower": row["lower"],
            "centre": row["centre"],
            "upper": row["upper"],
        }
        for row in placed
        if text.known(row["value"])
    ]
    return MarkPart(
        conclude=mark_story(
            charted, signals=sum(chart.startswith("mark") for chart in signals["chart"])
        ),
        shows=(
            "Where the mark stood each time it was verified, moved or established. "
            f"{placed[-1]['note']}"
        ),
        rows=listed_rows(
            "meter_control",
            {
                "points": [{"panel": 0, "name": f"mark, {unit}"}],
                "dots": dots,
                "limits": limit_labels(dots) if dots else [],
                "runs": [],
            },
            params={"panels": 1},
        ),
    )


def mark_story(charted: Sequence[Row], *, signals: int) -> str:
    """Say what to conclude from the chart of one mark.

    Parameters
    ----------
    charted : sequence of dict
        Rows of one meter of `drift.limits.charts.mark.MARK_CHARTS`.
    signals : int
        How many signals the mark gave.

    Notes
    -----
    Of n moves that go either way, as many or more go one way with the two-sided binomial chance at
    one half (sign test).
    """
    placed = [row for row in charted if row["chart"] == "mark"]
    moves = [row["value"] for row in charted if row["chart"] == "mark_moves"]
    number = len(moves)
    unit = _UNITS[placed[-1]["unit"]]
    if not moves:
        return f"The mark has not been moved: it stands at {_at(placed[-1]['value'], unit)}."
    known = [move for move in moves if move is not None]
    up = sum(move > 0 for move in known)
    most = max(up, number - up)
    travel = text.fixed(sum(known), places=2, signed=True)
    told = f"Moved {text.how_often(number)}, {travel} {unit} in all"
    if number >= _FEWEST_MOVES:
        chance = _sign_chance(number, most)
        ways = "up" if up == most else "down"
        told += f"; {most} of {number} moves went {ways}"
        told += f" (by chance alone: {text.probability(chance)})"
        if chance < _ONE_WAY and not most < number - most:
            told += (
                ". Find what drives it, such as a leak or a tired spring, before moving it again"
            )
    if signals:
        return f"{told}. {text.count(signals, 'signal')} of the mark: see below."
    if all(row["upper"] is None for row in placed):
        return f"{told}. Cannot say yet how large such moves usually are."
    return f"{told}. No move and no position lies beyond its limits."


def _sign_chance(number: int, most: int) -> float:
    """Return the two-sided binomial chance of `most` or more of `number` moves on one side."""
    tail = sum(comb(number, times) for times in range(most, number + 1)) / 2.0**number
    return min(1.0, 2 * tail)


def _at(value: float, unit: str) -> str:
    """Return a position with its unit."""
    return f"{text.plain(value)} {unit}"
