"""This module compares operators, whose names are spelt in one way first."""

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import SequenceMatcher
from itertools import combinations

import polars as pl

from drift.reference.crossed_effects import component_sds
from drift.reference.crossed_fit import CrossedFit
from drift.reference.shared_effects import SharedEffects

# Share of matching letters from which two names of five letters or more look like one.
_ALIKE = 0.85
_LONG_ENOUGH = 5


@dataclass(frozen=True, slots=True)
class OperatorSpread:
    """How far operators differ.

    Attributes
    ----------
    sd : float
        Standard deviation between them, % air; 0 where no difference was found or none could be.
    freedom : float or None
        Its degrees of freedom; None where sd is 0.
    basis : str
        Where it comes from, in words.
    """

    sd: float
    freedom: float | None
    basis: str


NOT_COMPARABLE = OperatorSpread(
    0.0, None, "cannot be worked out from the readings: not in the budget"
)
NO_DIFFERENCE = OperatorSpread(0.0, None, "no difference between operators was found")


def operator_spread(fit: CrossedFit, causes: SharedEffects, *, rate: float) -> OperatorSpread:
    """Estimate the standard deviation between operators where they were found to differ.

    Parameters
    ----------
    fit : CommonFit
    causes : CommonCauses
        Found in that fit.
    rate : float
        False discovery rate up to which an operator counts as found to differ.

    Notes
    -----
    With three operators or more it is the component of the mixed model, by REML, with one degree of
    freedom fewer than operators; with two the standard deviation of their two effects.
    """
    told = causes.frame.filter((pl.col("kind") == "operator") & pl.col("effect_pct").is_not_null())
    if told.is_empty():
        return NOT_COMPARABLE
    if told.filter(pl.col("q") <= rate).is_empty():
        return NO_DIFFERENCE
    sd = component_sds(fit, causes.levels).get("operator") or told["effect_pct"].std()
    if not isinstance(sd, float) or told.height < 2:
        return NOT_COMPARABLE
    return OperatorSpread(sd, told.height - 1.0, f"difference between {told.height} operators")


def likely_duplicates(names: Iterable[str]) -> list[tuple[str, ...]]:
    """Return groups of names that look like one name, each sorted, in order of their first name.

    Parameters
    ----------
    names : iterable of str
        Names as recorded, such as operators or vessels; repeated ones count once.

    Notes
    -----
    Two names look alike if they hold the same words once case, accents, order and punctuation are
    put aside, if one abbreviates words of the other to their first letter, or if a letter or two
    differ in a name without digits.  It is a hint to look, so that nothing is ever merged silently.
    """
    distinct = sorted({name for name in names if name.strip()})
    leader = {name: name for name in distinct}

    def root(name: str) -> str:
        while leader[name] != name:
            name = leader[name]
        return name

    words = {name: _words(name) for name in distinct}
    for one, other in combinations(distinct, 2):
        if _alike(words[one], words[other]):
            leader[root(other)] = root(one)
    groups: dict[str, list[str]] = {}
    for name in distinct:
        groups.setdefault(root(name), []).append(name)
    return [tuple(group) for group in groups.values() if len(group) > 1]


def _words(name: str) -> list[str]:
    """Return the words of a name without case, accents and punctuation, sorted."""
    plain = unicodedata.normalize("NFKD", name)
    plain = "".join(letter for letter in plain if not unicodedata.combining(letter))
    return sorted(re.findall(r"[^\W_]+", plain.casefold()))


def _alike(one: list[str], other: list[str]) -> bool:
    """Say whether two names look like one."""
    if not one or not other:
        return False
    joined, joined_other = "".join(one), "".join(other)
    if joined == joined_other:
        return True
    if any(letter.isdigit() for letter in joined + joined_other):
        return False  # numbers tell names apart: technician 1 is not technician 2
    if _abbreviates(one, other):
        return True
    if min(len(joined), len(joined_other)) < _LONG_ENOUGH:
        return False
    return SequenceMatcher(None, joined, joined_other, autojunk=False).ratio() >= _ALIKE


def _abbreviates(one: list[str], other: list[str]) -> bool:
    """Say whether the names share a full word and their other words are initials of each other."""
    if len(one) != len(other) or len(one) < 2:
        return False
    shared = [word for word in one if word in other and len(word) > 1]
    if not shared:
        return False
    rest = sorted(word for word in one if word not in shared)
    rest_other = sorted(word for word in other if word not in shared)
    if len(rest) != len(rest_other):
        return False
    pairs = zip(rest, rest_other, strict=True)
    return all(a[0] == b[0] and 1 in (len(a), len(b)) for a, b in pairs)
