"""This module points out ids that may be one meter written in several ways."""

import re
import unicodedata
from collections.abc import Iterable

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
