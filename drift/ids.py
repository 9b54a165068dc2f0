"""This module finds the name that a person meant: in other letters, begun only, or by a slip."""

import difflib
from collections.abc import Iterable, Sequence
from pathlib import Path

from drift.errors import DriftError

# Ids less alike than this (share of letters in common) are no slip of each other.
_ALIKE = 0.75

# The same of other names, which are words: a slip of the pen changes more of them.
_WORDS_ALIKE = 0.6

# Ids that a message names.
_MOST_NAMED = 3


def nearest_ids(wanted: str, known: Iterable[str], *, most: int = 3) -> list[str]:
    """Return the known ids that `wanted` may be a slip of, the likeliest first."""
    by_folded = {name.casefold(): name for name in sorted(known, reverse=True)}
    near = difflib.get_close_matches(wanted.casefold(), by_folded, n=most, cutoff=_ALIKE)
    return [by_folded[name] for name in near]


def did_you_mean(wanted: str, known: Iterable[str], *, before: str = "") -> str:
    """Return a hint that gives the known name nearest to `wanted`; empty where none is near.

    `before` stands before the name, such as the part of a file that it is in.
    """
    by_folded = {str(name).casefold(): name for name in known}
    near = difflib.get_close_matches(wanted.casefold(), by_folded, n=1, cutoff=_WORDS_ALIKE)
    return f"did you mean {before + by_folded[near[0]]!r}?" if near else ""


def nearest_meters(wanted: str, known: Iterable[str]) -> str:
    """Return a hint that gives the ids nearest to `wanted`; empty where none is, or it is one."""
    ids = set(known)
    near = [] if wanted in ids else nearest_ids(wanted, ids)
    return f"nearest: {', '.join(near)}" if near else ""


def nearest_file(missing: Path) -> str:
    """Return a hint that gives the file or folder beside `missing` that may be meant."""
    try:
        beside = sorted(path.name for path in missing.parent.iterdir())
    except OSError:
        return ""
    return did_you_mean(missing.name, beside)


def named_id(wanted: str, known: Iterable[str]) -> str:
    """Return the known id that a text names: itself, in other letters, or its beginning.

    An unknown text is returned as it is.

    Raises
    ------
    DriftError
        If several ids begin so.
    """
    ids = sorted(set(known))
    if wanted in ids or not wanted:
        return wanted
    folded = wanted.casefold()
    alike = [one for one in ids if one.casefold() == folded]
    begun = alike or [one for one in ids if one.casefold().startswith(folded)]
    if len(begun) > 1:
        shown = ", ".join(begun[:_MOST_NAMED]) + ("…" if len(begun) > _MOST_NAMED else "")
        raise DriftError(
            what=f"begins {len(begun)} ids: {shown}", where=wanted, expected="enough of one id"
        )
    return begun[0] if begun else wanted


def spelled_id(text: str, known: Sequence[str]) -> str:
    """Return the known id that a text is in other letters, else the text: an id may be new."""
    alike = [one for one in known if one.casefold() == text.casefold()]
    return alike[0] if len(alike) == 1 else text
