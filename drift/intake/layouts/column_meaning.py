"""This module says what one column holds, by the words of its header and by its values."""

from dataclasses import replace

from drift.intake.layouts.column_values import CellColumn, Values
from drift.intake.layouts.words import STAGE_LETTERS, folded_words

_MOST = 0.6


def held_cells(column: CellColumn, seen: Values) -> tuple[str, str]:
    """Return what a column holds by its words, then by its values; and why it is passed over."""
    facts = column.facts
    if facts.role == "replicate" and facts.replicate is not None:
        return "reading", ""
    if facts.role in {"due", "checked_by", "serial", "ignored", "time"}:
        return "ignored", f"“{column.title}” is not kept"
    told = _held_by_words(column, seen)
    if told:
        return told, ""
    return _held_by_values(column, seen)


def _held_by_words(column: CellColumn, seen: Values) -> str:
    """Return what the words of a header say, as far as the values allow it."""
    facts, role = column.facts, column.facts.role
    numeric = seen.share(len(seen.figures)) >= _MOST
    if role in {"meter", "vessel"} and numeric and seen.decimals and seen.like_readings:
        return "reading" if role == "meter" else "correct"
    if role == "reading" and _names_rather(column, seen):
        return "meter"
    if role == "stage" and not seen.share(seen.dates) >= _MOST:
        return "reading" if seen.split or (numeric and seen.decimals) else "stage"
    if role == "replicate" and seen.decimals:
        return "reading"
    if told := _labels_rather(column, seen, numeric=numeric):
        return told
    if role == "zero_reading":
        column.facts = replace(facts, role="reading", point_pct=0.0)
        return "reading"
    if role in {"action", "operator"} and (facts.stage and seen.figures and numeric):
        return "reading"
    if role:
        return role
    if (
        facts.stage
        or facts.point_pct is not None
        or facts.replicate is not None
        or column.day
        or column.meter
    ):
        return _value_column(seen)
    return ""


def _labels_rather(column: CellColumn, seen: Values, *, numeric: bool) -> str:
    """Return what a column of verdicts, correct values or readings holds whose cells are others."""
    role, facts = column.facts.role, column.facts
    if role in {"stage", "meter", "point"} and seen.share(seen.dates) >= _MOST and not numeric:
        return "date"
    if role in {"point", "replicate"} and seen.share(seen.labels) >= _MOST and not numeric:
        return "label"
    if role == "date" and facts.stage and numeric and not seen.dates and seen.like_readings:
        return "reading"
    if role == "verdict" and numeric and seen.like_readings and seen.decimals:
        return "reading"
    if (
        role == "correct"
        and seen.share(seen.labels) >= _MOST
        and not numeric
        and facts.point_pct is None
    ):
        return "label"
    if role == "reading" and seen.share(seen.stages) >= _MOST and not seen.figures:
        return "label"
    return ""


def _names_rather(column: CellColumn, seen: Values) -> bool:
    """Say whether a column headed such as ``Gauge`` holds names of gauges."""
    plain = folded_words(column.title) in {"gauge", "dial", "manometer", "display"}
    return plain and seen.share(seen.texts) >= _MOST and not seen.marks


def _value_column(seen: Values) -> str:
    """Return what a column of a stage, point, day or meter holds."""
    if seen.dates and seen.share(seen.dates) >= _MOST:
        return "date"
    if seen.count and seen.share(seen.texts) >= _MOST:
        return "label" if seen.share(seen.labels) >= _MOST else "unknown"
    return "reading"


def _held_by_values(column: CellColumn, seen: Values) -> tuple[str, str]:
    """Return what the values of a column say that no word tells of."""
    if not seen.count:
        return "ignored", "it holds nothing"
    if seen.share(seen.dates) >= _MOST and column.title.startswith("column "):
        return "date", ""
    if column.title.startswith("column ") and _like_meters(seen):
        return "meter", ""
    if seen.share(seen.stages) >= _MOST or _stage_letters(seen):
        return "stage", ""
    if seen.share(seen.labels) >= _MOST:
        return "label", ""
    if column.facts.bare and not column.facts.rest and seen.like_readings:
        return "reading", ""
    return "unknown", ""


def _like_meters(seen: Values) -> bool:
    """Say whether texts are names with figures, such as M-101."""
    named = sum(
        number
        for word, number in seen.words.items()
        if any(map(str.isdigit, word)) and not word[0].isdigit()
    )
    return seen.share(named) >= _MOST and not seen.dates and not seen.stages and not seen.figures


def _stage_letters(seen: Values) -> bool:
    """Say whether a column holds two letters that stand for the stages."""
    return any(set(seen.words) == set(pair) for pair in STAGE_LETTERS)
