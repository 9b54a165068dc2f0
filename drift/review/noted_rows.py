"""This module says which rows that could not be read name which meter.

What a row held back would have said is not known.  That it is there, of which day, and whose it
may be, is part of what is known of its meter.
"""

import re
import unicodedata
from collections.abc import Collection, Iterable
from datetime import date

import polars as pl

from drift.format import day
from drift.frames import Row, Schema

# Something on file about a meter.  on_date is null where none is known; words are a clause without
# a full stop; speaks whether it tells of readings of the meter, which may change what it is.
NOTED: Schema = {
    "meter_id": pl.String,
    "on_date": pl.Date,
    "words": pl.String,
    "speaks": pl.Boolean,
}

# Tables whose rows say how a meter reads.
_OF_READINGS = ("readings", "marks")
# What a row of each table is called.
_ROWS = {
    "readings": "a reading",
    "marks": "a mark",
    "service": "work",
    "field_tests": "a field test",
    "responses": "a response",
    "meters": "its entry in the meters table",
    "vessels": "an entry in the vessels table",
    "bowls": "a measurement of its bowl",
    "checks": "a check",
    "studies": "a reading of a study",
    "comparisons": "a comparison",
    "decisions": "a decision",
}
_YEAR_MONTH = re.compile(r"(\d{4})-(\d{2})-\d{2}")


def held_rows_noted(held_rows: pl.DataFrame, meter_ids: Collection[str]) -> pl.DataFrame:
    """Say of each row that could not be read and names a meter which one it names.

    Parameters
    ----------
    held_rows : pl.DataFrame
        Frame of `HELD_ROWS`.
    meter_ids : collection of str
        Meters of the review.

    Returns
    -------
    pl.DataFrame
        Frame of `NOTED`, by meter, newest first; what has no day comes first of all, since it may
        be the newest.

    Notes
    -----
    A row that names no meter of the review but is written as one might be
    (`drift.review.noted_rows`) is noted for each such meter, with how it is written.  Rows that
    name none are left out.
    """
    by_key: dict[tuple[str, ...], list[str]] = {}
    for meter_id in sorted(meter_ids):
        by_key.setdefault(name_key(meter_id), []).append(meter_id)
    known = set(meter_ids)
    rows = []
    for row in held_rows.iter_rows(named=True):
        written = row["meter_id"]
        owners = [written] if written in known else by_key.get(name_key(written), [])
        rows += [
            {
                "meter_id": owner,
                "on_date": _day_of(row),
                "words": _held_words(row, owner),
                "speaks": row["table_name"] in _OF_READINGS,
            }
            for owner in owners
        ]
    return pl.DataFrame(rows, schema=NOTED).sort(
        "meter_id", "on_date", descending=[False, True], nulls_last=False, maintain_order=True
    )


def names_noted(meter_ids: Collection[str]) -> pl.DataFrame:
    """Say of each meter of the review which others may be the same one, written otherwise.

    Returns
    -------
    pl.DataFrame
        Frame of `NOTED`, by meter; nothing is merged.
    """
    rows = [
        {
            "meter_id": meter_id,
            "on_date": None,
            "words": f"possibly the same meter as {' and '.join(others)}, written otherwise",
            "speaks": False,
        }
        for meter_id, others in sorted(alike_names(meter_ids).items())
    ]
    return pl.DataFrame(rows, schema=NOTED)


def unread_since(noted: pl.DataFrame, since: date | None) -> bool:
    """Whether readings of one meter that could not be read may be newer than a day.

    Parameters
    ----------
    noted : pl.DataFrame
        Its rows of `NOTED`.
    since : date or None
        Its last calibration; None where there is none.
    """
    told = noted.filter("speaks")["on_date"]
    return any(since is None or on is None or on > since for on in told)


def _day_of(row: Row) -> date | None:
    """Return the day of a row as far as it can be read: the first of a month of no such day."""
    on: date | None = row["dated_on"]
    if on is not None:
        return on
    found = _YEAR_MONTH.fullmatch(row["dated"] or "")
    if found and 1 <= int(found[2]) <= 12 and 1900 <= int(found[1]) <= 2100:
        return date(int(found[1]), int(found[2]), 1)
    return None


def _held_words(row: Row, owner: str) -> str:
    """Say of which day a row is, why it could not be read and where it stands."""
    if row["dated_on"] is not None:
        when = f" of {day(row['dated_on'])}"
    else:
        when = f" dated ‘{row['dated']}’" if row["dated"] else " without a day"
    written = "" if row["meter_id"] == owner else f", written for ‘{row['meter_id']}’"
    # What to do about it stands in the list of rows held back.
    why = row["reason"].split(";")[0]
    return f"{_ROWS[row['table_name']]}{when}{written}: {why} ({row['file']}:{row['line']})"


_LETTER_O = re.compile(r"o(?=[o0-9]*[0-9])|(?<=[0-9])o+")
_RUNS = re.compile(r"[0-9]+|[^\W\d_]+")


def name_key(meter_id: str) -> tuple[str, ...]:
    """Return what an id is apart from how it is written: two ids with one key may be one meter.

    Case, full width, spaces and punctuation, zeros before a number, and the letter O beside a
    digit count for nothing: ``AM-07``, ``am 7`` and ``AM_O7`` have one key; ``A-1-2`` and
    ``A-12`` do not.  An id without a letter or digit is its own key.
    """
    plain = unicodedata.normalize("NFKC", meter_id).casefold()
    while (zeroed := _LETTER_O.sub(lambda found: "0" * len(found.group()), plain)) != plain:
        plain = zeroed
    runs = [run.lstrip("0") or "0" if run.isdecimal() else run for run in _RUNS.findall(plain)]
    return tuple(runs) or (meter_id,)


def alike_names(meter_ids: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Return of each id that has one the other ids that may be the same meter, sorted."""
    groups: dict[tuple[str, ...], list[str]] = {}
    for meter_id in sorted(set(meter_ids)):
        groups.setdefault(name_key(meter_id), []).append(meter_id)
    return {
        one: tuple(other for other in group if other != one)
        for group in groups.values()
        if len(group) > 1
        for one in group
    }


def why_held(held_back: pl.DataFrame) -> str:
    """Say why rows were held back, by the first of them."""
    if held_back.is_empty():
        return "its tables hold no rows of readings"
    first = held_back.row(0, named=True)
    column = f" {first['column']}:" if first["column"] else ""
    many = held_back.height
    reasons = "1 reason to hold rows back" if many == 1 else f"{many} reasons, the first"
    return f"{reasons}: {first['file']}:{first['line']}:{column} {first['reason']}"
