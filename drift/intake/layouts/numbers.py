"""This module reads figures as people write them: units, decimal commas, several in one cell."""

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from drift.format import twelve_digits
from drift.intake.layouts.cells import Value, shown
from drift.intake.layouts.words import AS_FOUND, AS_LEFT, FAILED, NO_VALUE, PASSED, folded_words

NumberKind = Literal["numbers", "nothing", "passed", "failed", "unread"]
_NUMBER = r"[-+−–]?\s?(?:\d+(?:[.,]\d+)?|[.,]\d+)"
_UNIT = r"(?:%|pct|percent|vol\.?-?%|psig?|kpa|bar|kg|g|lbs?|oz|°\s?[cf]|[cf](?![a-z]))"
_ONE = re.compile(rf"(?i)^({_NUMBER})\s*({_UNIT})?\s*(?:air)?\s*(?:\(([^()]*)\))?[*†]?$")
_BEHIND = re.compile(rf"(?i)^({_NUMBER})\s*({_UNIT})?[\s,;]+([^\W\d].*)$")
_ARROW = re.compile(r"\s*(?:->|-->|=>|→|⇒|➔|➜|»|>)\s*")
_TAGGED = re.compile(rf"(?i)([A-Za-z][A-Za-z .]*?)\s*[:=]?\s*({_NUMBER})\s*(%)?(?=[\s,;/|]|$)")
_SLASH = re.compile(r"\s*(?:/|;|\||\n|&|\band\b|\bund\b|\bet\b)\s*|,\s+|\s{2,}|(?<=\d)\s+(?=\d)")
_BOTH_MARKS = re.compile(r"^[-+−]?\d{1,3}(?:([.,' \u00a0])\d{3})+(?:[.,]\d+)?$")


@dataclass(frozen=True, slots=True)
class CellNumber:
    """What a cell that should hold a figure holds.

    Attributes
    ----------
    kind : Kind
        ``numbers``; ``nothing``, a mark for nothing; ``passed`` or ``failed`` without a number;
        ``unread`` where it is none of these.
    found : tuple of float
        The numbers, as found where the cell tells both stages.
    left : tuple of float
        Those as left, where the cell tells both stages.
    unit : str
        Unit in lower case, empty where none.
    split : {"", "slash", "arrow", "tags"}
        What separates several.
    aside : str
        Words beside the number.
    """

    kind: NumberKind
    found: tuple[float, ...] = ()
    left: tuple[float, ...] = ()
    unit: str = ""
    split: str = ""
    aside: str = ""


def figure_of(value: Value, *, percent: bool = False) -> CellNumber:
    """Return what a cell holds that should hold a reading, % air unless it names a unit.

    Parameters
    ----------
    value : Value
        The cell.
    percent : bool
        Whether the workbook shows it as a percentage, so that 0.05 means 5.
    """
    if value is None:
        return CellNumber("nothing")
    if isinstance(value, bool):
        return CellNumber("passed" if value else "failed", aside=shown(value))
    if isinstance(value, float):
        return CellNumber(
            "numbers", (_times_hundred(value) if percent else value,), unit="%" if percent else ""
        )
    if not isinstance(value, str):
        return CellNumber("unread", aside=shown(value))
    return _of_text(value)


def _times_hundred(value: float) -> float:
    """Return a share as per cents, without the noise of binary fractions."""
    return round(value * 100, 8)


@lru_cache(maxsize=65536)
def _of_text(text: str) -> CellNumber:
    """Return what a text holds."""
    word = text.strip().casefold()
    if word in NO_VALUE:
        return CellNumber("nothing", aside=text)
    if word in PASSED:
        return CellNumber("passed", aside=text)
    if word in FAILED:
        return CellNumber("failed", aside=text)
    if one := _one(text):
        return one
    halves = _ARROW.split(text.strip())
    if len(halves) == 2 and all(halves):
        found, left = _several(halves[0]), _several(halves[1])
        if found and left:
            return CellNumber("numbers", found[0], left[0], unit=found[1] or left[1], split="arrow")
        return CellNumber("unread", aside=text)
    if tagged := _tagged(text):
        return tagged
    several = _several(text)
    if several and len(several[0]) > 1:
        return CellNumber("numbers", several[0], unit=several[1], split="slash")
    return CellNumber("unread", aside=text)


def _one(text: str) -> CellNumber | None:
    """Return a text that holds one number, perhaps with a unit and a verdict or a note."""
    if found := _ONE.match(text.strip()):
        aside = (found[3] or "").strip()
        if aside and _numbers_in(aside):
            return None
        return CellNumber("numbers", (number(found[1]),), unit=_unit(found[2]), aside=aside)
    if found := _BEHIND.match(text.strip()):
        aside = found[3].strip()
        if aside.casefold().strip("().") in PASSED | FAILED:
            return CellNumber("numbers", (number(found[1]),), unit=_unit(found[2]), aside=aside)
    return None


def _several(text: str) -> tuple[tuple[float, ...], str] | None:
    """Return the numbers of a text that holds nothing else, and their unit."""
    numbers: list[float] = []
    unit = ""
    for part in _SLASH.split(text.strip().strip("()")):
        found = _ONE.match(part.strip())
        if not found or found[3]:
            return None
        numbers.append(number(found[1]))
        unit = unit or _unit(found[2])
    return tuple(numbers), unit


def _tagged(text: str) -> CellNumber | None:
    """Return a text such as ``AF 4.9, AL 5.0``."""
    found: list[float] = []
    left: list[float] = []
    end = 0
    for match in _TAGGED.finditer(text):
        word = folded_words(match[1])
        if text[end : match.start()].strip(" ,;/|"):
            return None
        if word in AS_FOUND:
            found.append(number(match[2]))
        elif word in AS_LEFT:
            left.append(number(match[2]))
        else:
            return None
        end = match.end()
    if not (found or left) or text[end:].strip(" ,;/|."):
        return None
    return CellNumber("numbers", tuple(found), tuple(left), split="tags")


def number(text: str) -> float:
    """Return a number written with a point or a comma; signs of any form."""
    plain = re.sub(r"\s", "", text).replace("−", "-").replace("–", "-").replace(",", ".")
    return float(plain)


def _numbers_in(text: str) -> bool:
    """Say whether a text holds a digit."""
    return any(sign.isdigit() for sign in text)


def _unit(text: str | None) -> str:
    """Return a unit in its usual form."""
    if not text:
        return ""
    plain = re.sub(r"[\s.]", "", text.casefold())
    if "%" in plain or plain in {"pct", "percent"}:
        return "%"
    return {"lbs": "lb", "psig": "psi", "°c": "c", "°f": "f"}.get(plain, plain)


def large_number(value: Value, *, decimal_comma: bool) -> tuple[float, str] | None:
    """Return a mass or pressure and its unit; thousands may be set apart.

    Parameters
    ----------
    value : Value
        The cell.
    decimal_comma : bool
        Whether the file writes its decimals with commas.
    """
    if isinstance(value, float) and not isinstance(value, bool):
        return value, ""
    if not isinstance(value, str):
        return None
    found = re.match(rf"(?i)^([-+−]?[\d.,' \u00a0]*\d)\s*({_UNIT})?$", value.strip())
    if not found:
        return None
    figures = found[1].strip()
    if _BOTH_MARKS.match(figures):
        marks = [sign for sign in figures if sign in ".,"]
        mark = "," if decimal_comma else "."
        if len(set(marks)) == 2:
            mark = marks[-1]
        elif len(marks) > 1:
            mark = ""
        figures = "".join(
            "." if sign == mark else sign
            for sign in figures
            if sign.isdigit() or sign in (mark, "-")
        )
    else:
        figures = figures.replace(" ", "").replace(",", ".")
    try:
        return float(figures), _unit(found[2])
    except ValueError:
        return None


def plain_number(value: float) -> str:
    """Return a number as it stands in a table: no more than nine decimals, no noise."""
    text = twelve_digits(round(value, 9))
    return "0" if text == "-0" else text
