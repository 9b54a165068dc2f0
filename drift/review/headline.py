"""This module says in one place what a review of a fleet asks for first."""

from datetime import date

import polars as pl

from drift.format import count, day, listed, probability, whole, words_of
from drift.review.barred_uses import late_uses
from drift.review.obligations import (
    BARRED,
    DO_NOT_USE,
    FIND_CAUSE,
    OVERDUE,
    RESET,
    REVIEW,
    SEE_EARLY,
)

# Meters that a headline names; the list below it has all.
_MOST_NAMED = 12


def headline(obligations: pl.DataFrame, *, as_of: date) -> str:
    """Name the meters that are not to be used, and say how many others must be seen early.

    Parameters
    ----------
    obligations : pl.DataFrame
        Frame of `drift.review.obligations.OBLIGATIONS`, in the order of the review.
    as_of : date
        The date the review speaks for.
    """
    return f"{_barred(obligations)} {_early(obligations, as_of)}".strip()


def doubt_first(not_taken: int, of: int, *, most: float) -> str:
    """Say how many readings a review knows nothing of, where they are too many; else nothing.

    Parameters
    ----------
    not_taken, of : int
        Rows of readings that could not be read, and all of them.
    most : float
        Share of them up to which nothing is said.
    """
    if not of or not_taken / of <= most:
        return ""
    rows = f"{whole(not_taken)} of {count(of, 'row')} of readings ({probability(not_taken / of)})"
    return f"{rows} could not be read: all that follows rests on the others."


def uses_words(every_use: pl.DataFrame, *, as_of: date, days: int) -> str:
    """Count the field tests that were made with meters that were not to be used; else nothing.

    Parameters
    ----------
    every_use : pl.DataFrame
        Frame of `drift.review.barred_uses.BARRED_USES`.
    as_of : date
        The date the review speaks for.
    days : int
        Back to which they are counted.
    """
    uses = late_uses(every_use, as_of=as_of, days=days)
    if uses.is_empty():
        return ""
    verb = "was" if uses.height == 1 else "were"
    meters = count(uses["meter_id"].n_unique(), "meter")
    whys = [
        words_of(why)
        for why in ("out", "withdrawn", "retired", "overdue")
        if why in set(uses["why"])
    ]
    told = listed(whys).replace(" and ", " or ")
    tests = count(uses.height, "field test")
    return f"{tests} {verb} made with {meters} not to be used then ({told})."


def further(obligations: pl.DataFrame) -> list[str]:
    """Count what else is asked for, in clauses."""
    told = []
    for token, one, several in (
        (RESET, "meter to re-set though it passes", "meters to re-set though they pass"),
        (FIND_CAUSE, "cause to find", "causes to find"),
        (REVIEW, "meter with results to review", "meters with results to review"),
    ):
        number = obligations.filter(pl.col("obligation") == token).height
        if number:
            told.append(count(number, one, several))
    return told


def _barred(obligations: pl.DataFrame) -> str:
    """Name the meters not to be used, those that are merely overdue as such."""
    rows = obligations.filter(pl.col("obligation").is_in(BARRED))
    owed: dict[str, list[str]] = {}
    for meter, token in rows.select("meter_id", "obligation").iter_rows():
        owed.setdefault(meter, []).append(token)
    if not owed:
        return "No meter is barred from use."
    names = [
        meter if DO_NOT_USE in tokens else f"{meter} ({OVERDUE})" for meter, tokens in owed.items()
    ]
    more = len(names) - _MOST_NAMED
    if more > 0:
        named = ", ".join(names[:_MOST_NAMED])
        return f"Do not use {count(len(names), 'meter')}: {named} and {more} more."
    return f"Do not use {listed(names)}."


def _early(obligations: pl.DataFrame, as_of: date) -> str:
    """Say which meters must be seen before they are due, and by when."""
    barred = obligations.filter(pl.col("obligation").is_in(BARRED))["meter_id"]
    rows = obligations.filter(
        (pl.col("obligation") == SEE_EARLY) & ~pl.col("meter_id").is_in(barred.implode())
    )
    if rows.is_empty():
        return ""
    first = min(rows["by_on"])
    when = "now" if first <= as_of else f"by {day(first)}"
    if rows.height == 1:
        return f"See {rows['meter_id'][0]} {when}."
    return f"See {rows.height} others early, the first {when}."
