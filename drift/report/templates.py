"""This module holds the one environment that every template of reports/ is read in."""

from functools import cache

from jinja2 import Environment, FileSystemBytecodeCache, FunctionLoader, StrictUndefined

from drift import format as text
from drift.folders import report
from drift.report.kept_texts import where_kept


def _css_string(words: str) -> str:
    """Return text as a string of CSS: every mark but letters and digits by its number."""
    return "".join(
        mark if mark.isascii() and mark.isalnum() else f"\\{ord(mark):06x}" for mark in words
    )


@cache
def environment() -> Environment:
    """Return the one template environment; everything that a template prints is escaped."""
    folder = where_kept()
    made = Environment(
        autoescape=True,
        loader=FunctionLoader(report),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
        bytecode_cache=FileSystemBytecodeCache(str(folder)) if folder else None,
    )
    made.filters |= {
        "air": text.air,
        "bias": text.bias,
        "count": text.count,
        "css_string": _css_string,
        "day": text.day,
        "factor": text.factor,
        "in_days": text.in_days,
        "in_tenths": text.in_tenths,
        "p_value": text.p_value,
        "plain": text.plain,
        "point": text.point,
        "probability": text.probability,
        "rare": text.rare,
        "raw": text.raw,
        "share": text.share,
        "shortened": text.shortened,
        "spread": text.spread,
        "whole": text.whole,
        "words_of": text.words_of,
    }
    return made
