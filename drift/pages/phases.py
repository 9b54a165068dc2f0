"""This module tells on a dossier how new visits compare with old ones; it compares nothing."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift.results import Review


@dataclass(frozen=True, slots=True)
class ComparedRow:
    """New visits at one point compared with old ones; began_on is None but for a new phase."""

    point_pct: float
    phase: int
    began_on: date | None
    why: str
    sentence: str


def compared_rows(review: Review, meter_id: str) -> tuple[ComparedRow, ...]:
    """Return what comparing new visits of one meter with old ones found."""
    mine = review.phases.filter(pl.col("meter_id") == meter_id).select(
        "point_pct", "phase", "began_on", pl.col("why").fill_null(""), "sentence"
    )
    return tuple(ComparedRow(**row) for row in mine.iter_rows(named=True))
