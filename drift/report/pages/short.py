"""This module holds what a notebook shows of a review."""

from dataclasses import dataclass
from datetime import date
from typing import Any

from drift.review.headline import headline
from drift.review.results import Review

# Obligations shown; the frame has all.
_MOST_ROWS = 50


@dataclass(frozen=True, slots=True)
class ShortPage:
    """Headline and obligations; total counts those of which rows are the first."""

    headline: str
    source_name: str
    as_of: date
    total: int
    rows: tuple[dict[str, Any], ...]


def short_page(review: Review) -> ShortPage:
    """Return what a notebook shows of a review."""
    obligations = review.obligations
    return ShortPage(
        headline=headline(obligations, as_of=review.as_of),
        source_name=review.source_name,
        as_of=review.as_of,
        total=obligations.height,
        rows=tuple(obligations.head(_MOST_ROWS).iter_rows(named=True)),
    )
