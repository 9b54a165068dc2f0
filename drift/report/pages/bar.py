"""This module says which pages a review has, for the bar at the top of each."""

from dataclasses import dataclass

import polars as pl

from drift import format as text
from drift.review.results import Review


@dataclass(frozen=True, slots=True)
class BarItem:
    """One page of a review: the key by which it knows itself, its name, its place, a count."""

    key: str
    name: str
    href: str
    count: str = ""


@dataclass(frozen=True, slots=True)
class PageBar:
    """The pages of a review, the same on each."""

    items: tuple[BarItem, ...]


def review_bar(review: Review) -> PageBar:
    """Return the pages that a review consists of.

    Parameters
    ----------
    review : Review
        The whole of it.
    """
    unanswered = review.signals.filter(pl.col("answered_on").is_null()).height
    return PageBar(
        items=(
            BarItem("fleet", "Fleet", "index.html"),
            BarItem("meters", "Meters", "meters.html", text.whole(review.meters.height)),
            BarItem("reference", "Vessels and operators", "reference.html"),
            BarItem("intervals", "Intervals", "intervals.html"),
            BarItem("signals", "Signals", "signals.html", text.whole(unanswered)),
            BarItem("register", "Register", "register.html"),
            BarItem("evidence", "Evidence", "evidence.html"),
            BarItem("basis", "Basis", "basis.html"),
            BarItem("guide", "Guide", "guide.html"),
        ),
    )
