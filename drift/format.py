"""This module turns numbers, units and dates into display text.

Rounding
--------
*How far.* "The numerical values of the estimate y and its standard uncertainty … should not be
given with an excessive number of digits.  It usually suffices to quote [the uncertainty] to at
most two significant digits" (JCGM 100:2008, GUM, 7.2.6; quoted from memory).  The standard
uncertainty of a bias is some hundredths of a percent of air at best, so biases, their steps and
their yearly drift are shown to 0.001 % air.

*Which way.* A digit exactly halfway goes to the even neighbour (ASTM E29, rounding method; GUM
gives no rule).  The decimal value that was written is rounded, not its binary neighbour, so that
0.15 to one place is 0.2.

Words
-----
A minus sign is U+2212; what is not known is "cannot say", never a blank, a nan or a zero; no
probability is shown as 0 % or 100 %, because no model can promise either.
"""

import math
from collections.abc import Mapping
from datetime import date
from decimal import ROUND_HALF_EVEN, Decimal
from functools import lru_cache
from typing import Any

CANNOT_SAY = "cannot say"
MINUS = "\u2212"
# A number and its unit stay on one line.
NO_BREAK = "\u00a0"

BIAS_PLACES = 3
# A mean of recorded values is off by about 1e-16 once it is a float; no recorded value has more
# decimals than these.
_RECORDED_PLACES = 9
# Readings lie on the steps of a dial, so that the same numbers are written again and again.
_REMEMBERED = 8192
# Names of statistics that are initials.
_IN_CAPITALS = frozenset({"ewma", "cusum"})
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def known(value: float | None) -> bool:
    """Return whether `value` is a finite number."""
    return value is not None and math.isfinite(value)


def _as_written(value: float) -> Decimal:
    """Return a float as the decimal number that it stands for."""
    return Decimal(repr(round(float(value), _RECORDED_PLACES)))


def fixed(value: float | None, *, places: int, signed: bool = False) -> str:
    """Return `value` with a fixed number of decimal places.

    Parameters
    ----------
    value : float or None
        Any number; None, nan and the infinities give "cannot say".
    places : int
        Decimal places, 0 or more.
    signed : bool
        Whether a positive number carries a plus sign.  Zero never carries a sign.

    Examples
    --------
    >>> [fixed(x, places=1) for x in (0.05, 0.15, 0.25, 5.05, 5.15)]
    ['0.0', '0.2', '0.2', '5.0', '5.2']
    """
    if value is None or not math.isfinite(value):
        return CANNOT_SAY
    return _fixed(value, places, signed)


@lru_cache(maxsize=_REMEMBERED)
def _fixed(value: float, places: int, signed: bool) -> str:
    """Return a finite number as `fixed` does."""
    rounded = _as_written(value).quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_EVEN)
    digits = f"{abs(rounded):f}"
    if rounded == 0:
        return digits
    return f"{MINUS if rounded < 0 else '+' if signed else ''}{digits}"


def plain(value: float | None) -> str:
    """Return a number as it would be written by hand: no trailing zeros, a true minus sign."""
    if value is None or not math.isfinite(value):
        return CANNOT_SAY
    return _plain(value)


@lru_cache(maxsize=_REMEMBERED)
def _plain(value: float) -> str:
    """Return a finite number as `plain` does."""
    text = f"{_as_written(value):f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text.replace("-", MINUS)


def raw(value: float | None) -> str:
    """Return a number for a machine to sort by, empty where it is not known."""
    return f"{value:.6g}" if value is not None and math.isfinite(value) else ""


def bias(value: float | None) -> str:
    """Return a bias, a drift step or a yearly drift in % air, signed, without the unit."""
    return fixed(value, places=BIAS_PLACES, signed=True)


def bias_with_unit(value: float | None) -> str:
    """Return a bias as `bias` does, with its unit."""
    return f"{bias(value)}{NO_BREAK}%{NO_BREAK}air" if known(value) else CANNOT_SAY


def air(value: float | None) -> str:
    """Return an air content worked out, or its uncertainty, in % air, without the unit."""
    return fixed(value, places=2)


def spread(value: float | None) -> str:
    """Return a standard deviation or a range in % air, without sign and unit."""
    return fixed(value, places=BIAS_PLACES)


def interval(low: float | None, high: float | None) -> str:
    """Return an interval of biases: "−0.012 to +0.034"."""
    return f"{bias(low)} to {bias(high)}" if known(low) and known(high) else CANNOT_SAY


def point(value: float | None) -> str:
    """Return a verification point: "5 %"."""
    return f"{plain(value)}{NO_BREAK}%" if known(value) else CANNOT_SAY


def probability(value: float | None) -> str:
    """Return a probability in whole percent, never 0 % or 100 %.

    Examples
    --------
    >>> [probability(x).replace(NO_BREAK, " ") for x in (0.0, 0.004, 0.345, 0.999, None)]
    ['under 1 %', 'under 1 %', '34 %', 'over 99 %', 'cannot say']
    """
    if value is None or not math.isfinite(value):
        return CANNOT_SAY
    if value < 0.01:
        return f"under 1{NO_BREAK}%"
    if value > 0.99:
        return f"over 99{NO_BREAK}%"
    return f"{fixed(value * 100, places=0)}{NO_BREAK}%"


def chance(value: float | None) -> str:
    """Return a probability with its article and noun.

    Examples
    --------
    >>> [chance(x).replace(NO_BREAK, " ") for x in (0.05, 0.84, 0.11, 0.999)]
    ['a 5 % chance', 'an 84 % chance', 'an 11 % chance', 'a chance of over 99 %']
    """
    told = probability(value)
    if not told[0].isdigit():
        return f"a chance of {told}" if known(value) else CANNOT_SAY
    number = told.split(NO_BREAK, maxsplit=1)[0]
    article = "an" if number[0] == "8" or number in {"11", "18"} else "a"
    return f"{article} {told} chance"


def in_so_many(value: float | None) -> str:
    """Return a share as people count it, to a whole percent: "9 in 10".

    Examples
    --------
    >>> [in_so_many(x) for x in (0.9, 0.95, 0.834, 0.5, 0.0, None)]
    ['9 in 10', '19 in 20', '83 in 100', '5 in 10', 'under 1 in 100', 'cannot say']
    """
    if value is None or not math.isfinite(value):
        return CANNOT_SAY
    if value < 0.01:
        return "under 1 in 100"
    if value > 0.99:
        return "over 99 in 100"
    hundredths = int(fixed(value * 100, places=0))
    of = next(size for size in (10, 20, 100) if hundredths * size % 100 == 0)
    return f"{hundredths * of // 100} in {of}"


def rare(value: float | None) -> str:
    """Return a small probability to 0.01 %, never 0 % and from 1 % on to 0.1 %.

    Examples
    --------
    >>> [rare(x).replace(NO_BREAK, " ") for x in (1e-6, 0.00199, 0.0216, None)]
    ['under 0.01 %', '0.20 %', '2.2 %', 'cannot say']
    """
    if value is None or not math.isfinite(value):
        return CANNOT_SAY
    if value < 1e-4:
        return f"under 0.01{NO_BREAK}%"
    return f"{fixed(value * 100, places=2 if value < 0.01 else 1)}{NO_BREAK}%"


def factor(value: float | None) -> str:
    """Return a factor or a number of degrees of freedom: to two decimals below 10, else whole."""
    if value is None or not math.isfinite(value):
        return CANNOT_SAY
    return plain(round(value, 2)) if abs(value) < 10 else fixed(value, places=0)


def rate(value: float | None) -> str:
    """Return a small rate in percent to 0.01 %, never 0 %.

    Examples
    --------
    >>> [rate(x).replace(NO_BREAK, " ") for x in (0.0027, 0.05, 1e-6, None)]
    ['0.27 %', '5 %', 'under 0.01 %', 'cannot say']
    """
    if value is None or not math.isfinite(value):
        return CANNOT_SAY
    if value < 0.0001:
        return f"under 0.01{NO_BREAK}%"
    return f"{plain(round(value * 100, 2))}{NO_BREAK}%"


def share(value: float | None) -> str:
    """Return a level or share that was chosen, such as 0.8 for an 80 % band, in percent."""
    if value is None or not math.isfinite(value):
        return CANNOT_SAY
    return f"{plain(value * 100)}{NO_BREAK}%"


def in_tenths(value: float | None) -> str:
    """Return an expected number, to one decimal place."""
    return fixed(value, places=1)


def in_days(value: float | None) -> str:
    """Return a number of days, in whole days: "1 day", "91 days"."""
    if value is None or not math.isfinite(value):
        return CANNOT_SAY
    return f"{fixed(value, places=0)}{NO_BREAK}{'day' if round(value) == 1 else 'days'}"


def p_value(value: float | None) -> str:
    """Return a p or q value: two significant digits, and "under 0.001" below that."""
    if value is None or not math.isfinite(value):
        return CANNOT_SAY
    if value < 0.001:
        return "under 0.001"
    return fixed(value, places=3 if value < 0.1 else 2)


def day(value: date | None) -> str:
    """Return a date as "4 Mar 2025"; months are English whatever the machine's language."""
    if value is None:
        return CANNOT_SAY
    return f"{value.day}{NO_BREAK}{_MONTHS[value.month - 1]}{NO_BREAK}{value.year}"


_EVENTS = {"dropped": "a recorded drop", "gauge_replaced": "a replacement of the gauge"}


def jumped(jump: Mapping[str, Any]) -> str:
    """Return how far something jumped and when, with the event recorded at that time, if any.

    `jump` is a row of `drift.trend.change_points.JUMP_EVENTS`; the words follow "it": "jumped by
    +0.180 % air (+0.140 to +0.220) between 3 Mar 2025 and 19 Mar 2025, the time of a recorded drop
    (9 Mar 2025)".
    """
    words = (
        f"jumped by {bias_with_unit(jump['size'])} "
        f"({interval(jump['size_low'], jump['size_high'])}) between {day(jump['after'])} and "
        f"{day(jump['by'])}"
    )
    event = jump["event"]
    if event is None:
        return words
    return f"{words}, the time of {_EVENTS.get(event, words_of(event))} ({day(jump['event_on'])})"


def month(value: date) -> str:
    """Return the month of a date as "Mar 2025"."""
    return f"{_MONTHS[value.month - 1]}{NO_BREAK}{value.year}"


def years(days: int) -> str:
    """Return a span of days in years, to 0.1 year."""
    text = fixed(days / 365.25, places=1).removesuffix(".0")
    return f"{text} year{'' if text == '1' else 's'}"


def count(number: int, noun: str, plural: str = "") -> str:
    """Return a count with its noun: "1 meter", "24 meters", "1 562 readings"."""
    return f"{whole(number)} {noun if number == 1 else plural or noun + 's'}"


def how_often(number: int) -> str:
    """Return how often: "once", "twice", "6 times"."""
    return {1: "once", 2: "twice"}.get(number, f"{whole(number)} times")


def decimal_text(value: Decimal) -> str:
    """Return a decimal as it is typed: every digit that it has, no nought at the end."""
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def whole(number: int) -> str:
    """Return a whole number with its thousands set apart by a narrow no-break space."""
    return f"{number:,}".replace(",", "\u202f").replace("-", MINUS)


def listed(words: list[str]) -> str:
    """Return words as a list in a sentence: "a", "a and b", "a, b and c"."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def words_of(name: str) -> str:
    """Return an identifier as words, initials in capitals: "moving range", "EWMA"."""
    return " ".join(word.upper() if word in _IN_CAPITALS else word for word in name.split("_"))


def shortened(text: str, *, longest: int) -> str:
    """Return `text`, cut with an ellipsis where it is longer than `longest` characters."""
    return text if len(text) <= longest else text[: longest - 1] + "…"


def typed(value: float) -> str:
    """Return a number as a user would type it: six digits at most, an ASCII minus sign."""
    return f"{value:g}"


def twelve_digits(value: float) -> str:
    """Return a number as a cell holds it: twelve digits at most, an ASCII minus sign."""
    return f"{value:.12g}"


def decimals(value: float, *, most: int) -> int:
    """Return how many decimal places a number is written with, such as 2 for 0.05."""
    return len(f"{value:.{most}f}".rstrip("0").split(".")[1])


def percent(value: float, *, places: int) -> str:
    """Return a share in percent to a number of places: "88.8 %"."""
    return f"{fixed(100 * value, places=places)}{NO_BREAK}%"


def brief(value: float) -> str:
    """Return a number in a column of a terminal: three significant digits, whole from 1000 on."""
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"


def times(value: float) -> str:
    """Return how many times likelier something is, whole and "over 1 000 000" at most."""
    most = 1_000_000
    return f"over {whole(most)}" if value > most else whole(round(value))
