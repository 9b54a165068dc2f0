"""This module reads dates as people write them, and keeps every way in which one can be read.

A date is first taken apart (`written`): what it says by itself, and the two figures that may be day
and month either way.  Which way is decided by all dates of one column and form together (`orders`).
Names of months are read by an own table and not by a date library, because those fill in what a
text does not say from the day of today.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from typing import Literal

from drift.intake.layouts.cells import Value

Order = Literal["day_first", "month_first", "year_first"]
ORDERS: tuple[Order, ...] = ("day_first", "month_first", "year_first")
EARLIEST_YEAR = 1970
# Two-digit years up to this belong to this century, as in POSIX `strptime`.
_PIVOT = 68
# Day numbers of spreadsheets between these are 1954 to 2064.
_SERIALS = (20000.0, 60000.0)
_EPOCHS = {False: date(1899, 12, 30), True: date(1904, 1, 1)}
# Years that a column of dates may span before years first are thought unlikely.
_LONGEST_SPAN = 25

_NAMES = (
    "jan janv january januar janner jaenner janvier enero ene gennaio",
    "feb febr fev fevr february februar feber fevrier febrero",
    "mar mrz maerz march marz mars marzo",
    "apr avr april avril abril abr",
    "may mai mayo",
    "jun juin june juni junio",
    "jul juil july juli juillet julio",
    "aug aou aout august agosto ago",
    "sep sept set september septembre septiembre",
    "oct okt october oktober octobre octubre",
    "nov november novembre noviembre",
    "dec dez december dezember decembre diciembre dic",
)
MONTHS = {name: number for number, names in enumerate(_NAMES, 1) for name in names.split()}
_WEEKDAY = re.compile(
    r"(?i)^(?:mon|tue|tues|wed|thu|thur|thurs|fri|sat|sun|mo|di|mi|do|fr|sa|so|lun|mar|mer|jeu|ven|sam"
    r"|dim|monday|tuesday|wednesday|thursday|friday|saturday|sunday|montag|dienstag|mittwoch"
    r"|donnerstag|freitag|samstag|sonntag|lundi|mardi|mercredi|jeudi|vendredi|samedi|dimanche)"
    r"[.,]?\s+(?=\d|[A-Za-z])"
)
_TIME = re.compile(
    r"(?i)[T ,]+(?:um |at |à )?\d{1,2}[:h]\d{2}(?::\d{2}(?:[.,]\d+)?)?\s*(?:[ap]\.?m\.?|uhr"
    r"|z)?(?:[+-]\d\d:?\d\d)?$"
)
_ISO = re.compile(r"^(\d{4})([-/.])(\d{1,2})\2(\d{1,2})$")
_COMPACT = re.compile(r"^((?:19|20)\d\d)(\d\d)(\d\d)$")
_THREE = re.compile(r"^(\d{1,2})\s*([-/.])\s*(\d{1,2})\s*\2\s*(\d{4}|'?\d{2})$")
_TWO = re.compile(r"^(\d{1,2})(?:([-/])(\d{1,2})|(\.)\s?(\d{1,2})\.)$")
_MONTH_YEAR = re.compile(r"^(\d{1,2})([-/.])((?:19|20)\d\d)$|^((?:19|20)\d\d)([-/.])(\d{1,2})$")
_ORDINAL = re.compile(r"(?<=\d)(?:st|nd|rd|th|er|e)\b")
_DAY_WORD = re.compile(r"^(\d{1,2})(?:of|de)?([a-z]+)(?:de)?(\d{4}|\d{2})?$")
_WORD_DAY_YEAR = re.compile(r"^([a-z]+) ?(\d{1,2}) (\d{4}|\d{2})$")
_WORD_NUMBER = re.compile(r"^([a-z]+) ?(\d{4}|\d{1,2})?$")
_YEAR_WORD = re.compile(r"^(\d{4}) ?([a-z]+) ?(\d{1,2})?$")


@dataclass(frozen=True, slots=True)
class WrittenDay:
    """A date as it is written.

    Attributes
    ----------
    form : str
        Its form; dates of one form are decided together.
    year, month, day : int or None
        What it says for certain.
    pair : tuple of int or None
        Three figures whose order is open; the last is the year unless years come first.
    number : int or None
        A figure beside a month's name that may be a day or a year.
    """

    form: str
    year: int | None = None
    month: int | None = None
    day: int | None = None
    pair: tuple[int, int, int] | None = None
    number: int | None = None


def written(value: Value, *, epoch_1904: bool = False) -> WrittenDay | None:
    """Take a date apart; None where a cell is none."""
    if isinstance(value, datetime):
        value = value.date()
    if isinstance(value, date):
        return WrittenDay("a date of the workbook", value.year, value.month, value.day)
    if isinstance(value, float):
        return _of_number(value, epoch_1904=epoch_1904)
    return _of_text(value) if isinstance(value, str) else None


def _of_number(value: float, *, epoch_1904: bool = False) -> WrittenDay | None:
    """Return a day number of a spreadsheet, or a date in eight digits."""
    if _SERIALS[0] <= value <= _SERIALS[1]:
        day = _EPOCHS[epoch_1904] + timedelta(days=int(value))
        return WrittenDay("a day number of a spreadsheet", day.year, day.month, day.day)
    if value == int(value) and (found := _COMPACT.match(str(int(value)))):
        return _certain("YYYYMMDD", int(found[1]), int(found[2]), int(found[3]))
    return None


def _certain(form: str, year: int, month: int, day: int) -> WrittenDay | None:
    """Return a date that is told whole; None where there is no such day."""
    try:
        date(year, month, day)
    except ValueError:
        return None
    return WrittenDay(form, year, month, day)


@lru_cache(maxsize=65536)
def _of_text(text: str) -> WrittenDay | None:
    """Take a text apart."""
    plain = _TIME.sub("", text.strip()).strip().strip(",")
    bare = _WEEKDAY.sub("", plain).strip()
    return _of_plain(plain) or (_of_plain(bare) if bare != plain else None)


def _of_plain(plain: str) -> WrittenDay | None:
    """Take a text without weekday and time apart."""
    if re.fullmatch(r"\d{5}(?:\.\d+)?", plain):
        return _of_number(float(plain))
    if found := _COMPACT.match(plain):
        return _certain("YYYYMMDD", int(found[1]), int(found[2]), int(found[3]))
    if found := _ISO.match(plain):
        return _certain("year, month, day", int(found[1]), int(found[3]), int(found[4]))
    if found := _THREE.match(plain):
        return _three(found)
    if found := _MONTH_YEAR.match(plain):
        month, year = (found[1], found[3]) if found[1] else (found[6], found[4])
        valid = 1 <= int(month) <= 12
        return WrittenDay("month and year", int(year), int(month)) if valid else None
    if found := _TWO.match(plain):
        first, second = int(found[1]), int(found[3] or found[5])
        if max(first, second) > 31 or min(first, second) < 1:
            return None
        return WrittenDay(f"two figures with {found[2] or found[4]}", pair=(first, second, -1))
    return _of_words(plain)


def _three(found: re.Match[str]) -> WrittenDay | None:
    """Return three figures whose order is open."""
    first, second = int(found[1]), int(found[3])
    short = len(found[4]) < 4
    last = int(found[4].strip("'"))
    form = f"three figures with {found[2]}, year in {'two' if short else 'four'}"
    return WrittenDay(form, pair=(first, second, last if short else -last))


def _of_words(plain: str) -> WrittenDay | None:
    """Return a date with the name of a month."""
    text = plain.casefold().replace("ä", "a").replace("é", "e").replace("û", "u").replace("è", "e")
    words = _ORDINAL.sub("", text)
    tight = re.sub(r"[\s.,/'\-]+", "", words)
    loose = re.sub(r"[\s.,/'\-]+", " ", words).strip()
    if (found := _DAY_WORD.match(tight)) and (month := MONTHS.get(found[2])):
        year = _year(found[3]) if found[3] else None
        return _named(year, month, int(found[1]), loose)
    if (found := _WORD_DAY_YEAR.match(loose)) and (month := MONTHS.get(found[1])):
        return _named(_year(found[3]), month, int(found[2]), loose)
    if (found := _YEAR_WORD.match(loose)) and (month := MONTHS.get(found[2])):
        if found[3]:
            return _named(int(found[1]), month, int(found[3]), loose)
        return WrittenDay("month and year in words", int(found[1]), month)
    if (found := _WORD_NUMBER.match(loose)) and (month := MONTHS.get(found[1])):
        if not found[2]:
            return WrittenDay("a month in words", None, month)
        if len(found[2]) == 4:
            return WrittenDay("month and year in words", int(found[2]), month)
        return WrittenDay("a month in words with a figure", None, month, number=int(found[2]))
    return None


def _named(year: int | None, month: int, day: int, loose: str) -> WrittenDay | None:
    """Return a date in words; ``25 Mar`` without a year may also be a month of a year."""
    if year is None:
        if re.match(r"^\d{1,2} [a-z]+$", loose) and not 1 <= day <= 31:
            return None
        return WrittenDay("day and month in words", None, month, day) if 1 <= day <= 31 else None
    return _certain("day, month and year in words", year, month, day)


def _year(text: str) -> int:
    """Return a year of two or four digits."""
    year = int(text)
    if len(text) == 4:
        return year
    return year + (2000 if year <= _PIVOT else 1900)


def placed_days(one: WrittenDay, order: Order) -> date | None:
    """Return three figures in an order as a date; None where there is no such day."""
    if one.pair is None:
        return None
    first, second, last = one.pair
    if order == "year_first":
        if last < 0:
            return None
        year, month, day = _year(f"{first:02d}"), second, last
    else:
        year = -last if last < 0 else _year(f"{last:02d}")
        day, month = (first, second) if order == "day_first" else (second, first)
    try:
        return date(year, month, day)
    except ValueError:
        return None


def orders(
    dates: Iterable[tuple[WrittenDay, int | None, int | None]], *, today: date
) -> list[Order]:
    """Return the orders in which every date of one column and form can be read.

    Parameters
    ----------
    dates : iterable of (Written, int or None, int or None)
        Each with the year and the quarter that its surroundings tell.
    today : date
        No record is of a later day.
    """
    seen = [one for one in dates if one[0].pair is not None]
    open_to = [order for order in ORDERS if all(_fits(one, order, today) for one in seen)]
    if "year_first" in open_to and not _years_lead(seen):
        open_to.remove("year_first")
    return open_to


def _fits(one: tuple[WrittenDay, int | None, int | None], order: Order, today: date) -> bool:
    """Say whether a date can be read in an order where it stands."""
    what, year, quarter = one
    if what.pair and what.pair[2] == -1 and "two figures" in what.form:
        first, second, _ = what.pair
        day, month = (first, second) if order == "day_first" else (second, first)
        if order == "year_first" or not (1 <= month <= 12 and 1 <= day <= 31):
            return False
        return quarter is None or (month + 2) // 3 == quarter
    day_of = placed_days(what, order)
    if day_of is None or day_of > today or day_of.year < EARLIEST_YEAR:
        return False
    return (year is None or day_of.year == year) and (
        quarter is None or (day_of.month + 2) // 3 == quarter
    )


def _years_lead(seen: list[tuple[WrittenDay, int | None, int | None]]) -> bool:
    """Say whether first figures may be years: no more of them than of the last, over few years."""
    firsts = {one.pair[0] for one, _, _ in seen if one.pair}
    lasts = {one.pair[2] for one, _, _ in seen if one.pair}
    return (
        len(firsts) <= len(lasts)
        and max(firsts, default=0) - min(firsts, default=0) <= _LONGEST_SPAN
    )
