"""This module tells of one meter's initial pressure mark: where it stood, and which way it went."""

from dataclasses import dataclass
from math import comb

import polars as pl

from drift import format as text
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


def mark_part(review: Review, meter_id: str) -> MarkPart | None:
    """Return the chart of the mark, or none where its place is not on record."""
    charted = review.marks.filter(pl.col("meter_id") == meter_id)
    placed = charted.filter(pl.col("chart") == "mark").sort("performed_on")
    if placed.is_empty():
        return None
    signals = review.signals.filter(
        (pl.col("meter_id") == meter_id) & pl.col("chart").str.starts_with("mark")
    )
    unit = _UNITS[placed["unit"][-1]]
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
        for row in placed.iter_rows(named=True)
        if text.known(row["value"])
    ]
    return MarkPart(
        conclude=mark_story(charted, signals=signals),
        shows=(
            "Where the mark stood each time it was verified, moved or established. "
            f"{placed['note'][-1]}"
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


def mark_story(charted: pl.DataFrame, *, signals: pl.DataFrame) -> str:
    """Say what to conclude from the chart of one mark.

    Parameters
    ----------
    charted : pl.DataFrame
        Rows of one meter of `drift.limits.charts.mark.MARK_CHARTS`.
    signals : pl.DataFrame
        Its signals.

    Notes
    -----
    Of n moves that go either way, as many or more go one way with the two-sided binomial chance at
    one half (sign test).
    """
    placed = charted.filter(pl.col("chart") == "mark")
    moves = charted.filter(pl.col("chart") == "mark_moves")["value"]
    unit = _UNITS[placed["unit"][-1]]
    if moves.is_empty():
        return f"The mark has not been moved: it stands at {_at(placed['value'][-1], unit)}."
    up = int((moves > 0).sum())
    most = max(up, moves.len() - up)
    travel = text.fixed(float(moves.sum()), places=2, signed=True)
    told = f"Moved {text.how_often(moves.len())}, {travel} {unit} in all"
    if moves.len() >= _FEWEST_MOVES:
        chance = _sign_chance(moves.len(), most)
        ways = "up" if up == most else "down"
        told += f"; {most} of {moves.len()} moves went {ways}"
        told += f" (by chance alone: {text.probability(chance)})"
        if chance < _ONE_WAY and not most < moves.len() - most:
            told += (
                ". Find what drives it, such as a leak or a tired spring, before moving it again"
            )
    if not signals.is_empty():
        return f"{told}. {text.count(signals.height, 'signal')} of the mark: see below."
    if placed["upper"].null_count() == placed.height:
        return f"{told}. Cannot say yet how large such moves usually are."
    return f"{told}. No move and no position lies beyond its limits."


def _sign_chance(number: int, most: int) -> float:
    """Return the two-sided binomial chance of `most` or more of `number` moves on one side."""
    tail = sum(comb(number, times) for times in range(most, number + 1)) / 2.0**number
    return min(1.0, 2 * tail)


def _at(value: float, unit: str) -> str:
    """Return a position with its unit."""
    return f"{text.plain(value)} {unit}"
