"""This module says what a text by itself tells of its column, row or sheet."""

import re
from dataclasses import dataclass, field, replace
from functools import lru_cache

from rapidfuzz import fuzz, process

from drift.intake.layouts.header_words import HEADER_ROLES, NOISE, ORDINALS, REPLICATE_WORDS, ZERO
from drift.intake.layouts.words import AS_FOUND, AS_LEFT, folded_words

# Points of a verification lie on or near whole and half per cents of a dial.
HIGHEST_POINT_PCT = 30.0
_NUMBER = r"\d+(?:[.,]\d+)?"
_PERCENT = re.compile(
    rf"(?<![\w.,])({_NUMBER})\s*(?:%|(?:pct|percent|prozent|vol\.?\s*-?\s*%)(?!\w))"
)
_CAPITAL_W = re.compile(r"^W(?!\w)")
_HASH = re.compile(r"#\s*(\d)(?!\d)")
_LETTERS_DIGITS = re.compile(r"(?<=[A-Za-z])(?=\d)|(?<=\d)(?=[A-Za-z]{2})")
_UNITS = (
    ("psi", re.compile(r"(?i)\bpsig?\b")),
    ("kpa", re.compile(r"(?i)\bkpa\b")),
    ("bar", re.compile(r"(?i)\bm?bar\b")),
    ("lb", re.compile(r"(?i)\blbs?\b|\bpounds?\b")),
    ("kg", re.compile(r"(?i)\bkg\b")),
    ("oz", re.compile(r"(?i)\boz\b")),
    ("g", re.compile(r"(?i)(?<![\w/])g(?:r|rams?|ramm)?(?!\w)")),
    ("f", re.compile(r"(?i)°\s*f\b|\bdeg\.?\s*f\b|\(f\)|\bfahrenheit\b|(?<=temp )f$")),
    ("c", re.compile(r"(?i)°\s*c\b|\bdeg\.?\s*c\b|\(c\)|\bcelsius\b|(?<=temp )c$")),
)
_QUARTER = re.compile(
    r"(?i)(?:\bq|\bqtr\.?|\bquarter|\btrim(?:estre)?|\bquartal|\bt)\s*([1-4])(?!\d)"
    r"|\b([1-4])\s*(?:\.\s*quartal|q\b|e?r?\s*trim(?:estre)?|st qu|nd qu|rd qu|th qu)"
)
_YEAR = re.compile(r"(?<!\d)((?:19|20)\d\d)(?!\d)")
_NAMED = re.compile(r"(?<![\w.])([A-Za-z]{1,6})[-_ ]?\d{1,6}[A-Za-z]?(?![\w.,])")
_LONGEST_PHRASE = 7
# Signs that two words may differ by and still be one, as a share; shorter words must be the same.
_NEAR = 87.0
_SHORTEST_NEAR = 5
_LONGEST_HEADER = 80


@dataclass(frozen=True, slots=True)
class SheetFacts:
    """What a text tells.

    Attributes
    ----------
    role : str
        What a column of this header may be; empty where it does not say.
    also : tuple of str
        Other roles that its words name.
    stage : str
        ``as_found``, ``as_left`` or empty.
    point_pct : float or None
        Verification point, % air.
    replicate : int or None
        Number of a reading within stage and point.
    bare : tuple of float
        Numbers that may be a point or a replicate.
    year, quarter : int or None
        Of the calendar.
    name : str
        What looks like the name of a meter or vessel, such as M-101.
    unit : str
        Unit that it names; empty where none, or %.
    percent : bool
        Whether it names per cents.
    rest : tuple of str
        Words that were not understood.
    """

    role: str = ""
    also: tuple[str, ...] = ()
    stage: str = ""
    point_pct: float | None = None
    replicate: int | None = None
    bare: tuple[float, ...] = ()
    year: int | None = None
    quarter: int | None = None
    name: str = ""
    unit: str = ""
    percent: bool = False
    rest: tuple[str, ...] = field(default=())

    @property
    def tells(self) -> bool:
        """Whether anything was understood beside bare numbers."""
        return bool(
            self.role
            or self.stage
            or self.point_pct is not None
            or self.replicate is not None
            or self.quarter
        )

    def over(self, other: "SheetFacts") -> "SheetFacts":
        """Return these facts, and where they say nothing, those of `other`."""
        return replace(
            self,
            role=self.role or other.role,
            also=tuple(
                dict.fromkeys((*self.also, *other.also, *([other.role] if other.role else ())))
            ),
            stage=self.stage or other.stage,
            point_pct=self.point_pct if self.point_pct is not None else other.point_pct,
            replicate=self.replicate if self.replicate is not None else other.replicate,
            bare=self.bare or other.bare,
            year=self.year or other.year,
            quarter=self.quarter or other.quarter,
            name=self.name or other.name,
            unit=self.unit or other.unit,
            percent=self.percent or other.percent,
        )


def _vocabulary() -> dict[str, tuple[str, str]]:
    """Return what each phrase tells: its kind and value, roles that come first last."""
    known: dict[str, tuple[str, str]] = {}
    for role in reversed(HEADER_ROLES):
        known |= dict.fromkeys(HEADER_ROLES[role], ("role", role))
    known |= {
        phrase: ("point", "0") for phrase in ZERO if phrase not in HEADER_ROLES["zero_reading"]
    }
    known |= dict.fromkeys(AS_FOUND, ("stage", "as_found"))
    known |= dict.fromkeys(AS_LEFT, ("stage", "as_left"))
    return known


_KNOWN = _vocabulary()
_SINGLE = [word for word in (*_KNOWN, *NOISE) if " " not in word and len(word) >= _SHORTEST_NEAR]
_RANK = {role: rank for rank, role in enumerate(HEADER_ROLES)}
# Words that may be letters of a name are no role inside a longer text.
_ALONE_ONLY = {"r", "w", "d", "n", "no", "at", "an", "by", "i", "c", "p", "af al", "g", "ist",
               "can", "so", "t", "par", "lu", "a f", "a l", "i o", "ip",
               "mes", "al", "δ"}  # fmt: skip


# What may stand behind a sign such as R.
_AFTER_A_SIGN = {"of", "for", "at", "value", "vessel", "du", "de", "des", "von", "bei", "in"}


@lru_cache(maxsize=65536)
def facts_of(text: str) -> SheetFacts:
    """Return what a text tells; a long text is a remark and tells nothing here."""
    if len(text) > _LONGEST_HEADER:
        return SheetFacts()
    unit = next((name for name, sign in _UNITS if sign.search(text)), "")
    points, remainder = _points(text)
    replicate = None
    if found := _HASH.search(remainder):
        replicate, remainder = int(found[1]), _HASH.sub(" ", remainder)
    quarter, year = None, None
    if found := _QUARTER.search(remainder):
        quarter, remainder = int(found[1] or found[2]), _QUARTER.sub(" ", remainder)
    if found := _YEAR.search(remainder):
        year, remainder = int(found[1]), _YEAR.sub(" ", remainder)
    name, remainder = _named(remainder)
    tokens = (
        folded_words(_LETTERS_DIGITS.sub(" ", _numbers_kept(remainder))).replace("%", " ").split()
    )
    facts = _read(tokens, whole=folded_words(remainder).replace("%", "").strip())
    if facts.role == "mass_vessel" and _CAPITAL_W.match(text.strip()):
        facts = replace(facts, role="mass_bowl")
    if facts.replicate is not None:
        replicate = facts.replicate
    return replace(
        facts,
        point_pct=points if points is not None else facts.point_pct,
        replicate=replicate,
        quarter=quarter,
        year=year,
        name=name,
        unit=unit,
        percent="%" in text or "pct" in text.casefold() or "percent" in text.casefold(),
    )


def _points(text: str) -> tuple[float | None, str]:
    """Return the number of per cents that a text names, and the text without it."""
    found = _PERCENT.search(text)
    if not found:
        return None, text
    value = float(found[1].replace(",", "."))
    if value > HIGHEST_POINT_PCT:
        return None, text
    return value, text[: found.start()] + " " + text[found.end() :]


def _named(text: str) -> tuple[str, str]:
    """Return a name with figures that a text holds and no word of the trade, and the rest of it."""
    for found in _NAMED.finditer(text):
        letters = folded_words(found[1])
        known = (
            letters in _KNOWN
            or letters in NOISE
            or letters in REPLICATE_WORDS
            or letters in ORDINALS
        )
        if not known and not _near(letters):
            return found[0].strip(), text[: found.start()] + " " + text[found.end() :]
    return "", text


def _numbers_kept(text: str) -> str:
    """Return a text whose decimal marks outlive folding."""
    return re.sub(r"(?<=\d)[.,](?=\d)", "\u00b7", text)


def _number(token: str) -> float | None:
    """Return a token as a number; None where it is none."""
    try:
        return float(token.replace("\u00b7", "."))
    except ValueError:
        return None


def _read(tokens: list[str], *, whole: str) -> SheetFacts:
    """Return what words tell, the longest phrase first."""
    roles: list[tuple[int, str]] = []
    stage, zero, replicate = "", None, None
    bare: list[float] = []
    rest: list[str] = []
    at = 0
    while at < len(tokens):
        size, kind, value = _phrase(tokens, at, whole=whole)
        if kind == "role":
            roles.append((size, value))
        elif kind == "stage":
            stage = stage or value
        elif kind == "point":
            zero = 0.0
        elif kind == "number":
            number = float(value)
            if (
                at
                and tokens[at - 1] in REPLICATE_WORDS - {"reading", "rdg", "read", "test"}
                and number < 10
            ):
                replicate = int(number)
            else:
                bare.append(number)
        elif kind == "ordinal":
            replicate = int(value)
        elif kind == "":
            rest.append(tokens[at])
        at += size
    named = [role for _, role in sorted(roles, key=lambda found: (_RANK[found[1]], -found[0]))]
    if len(roles) > 1 and "ignored" in named:
        named = [role for role in named if role != "ignored"] + ["ignored"]
    return SheetFacts(
        role=named[0] if named else "",
        also=tuple(dict.fromkeys(named[1:])),
        stage=stage,
        point_pct=zero,
        replicate=replicate,
        bare=tuple(bare),
        rest=tuple(rest),
    )


def _phrase(tokens: list[str], at: int, *, whole: str) -> tuple[int, str, str]:
    """Return the number of words of the phrase that begins at a token, its kind and value."""
    for size in range(min(_LONGEST_PHRASE, len(tokens) - at), 0, -1):
        phrase = " ".join(tokens[at : at + size])
        alone = (
            len(tokens) <= size + 1
            or (phrase == "al" and at + 1 == len(tokens))
            or (at == 0 and tokens[size] in _AFTER_A_SIGN)
        )
        if phrase in _KNOWN and (phrase not in _ALONE_ONLY or alone):
            return size, *_KNOWN[phrase]
    token = tokens[at]
    if _number(token) is not None:
        return 1, "number", token.replace("\u00b7", ".")
    if token in ORDINALS and (len(tokens) > 1 or len(token) > 1):
        return 1, "ordinal", str(ORDINALS[token])
    if token in NOISE or (whole == token and token in NOISE):
        return 1, "noise", ""
    if near := _near(token):
        if near in _KNOWN:
            return 1, *_KNOWN[near]
        return 1, "noise", ""
    return 1, "", ""


@lru_cache(maxsize=16384)
def _near(token: str) -> str:
    """Return the known word that a word may be a slip of; empty where none is near."""
    if len(token) < _SHORTEST_NEAR or any(sign.isdigit() for sign in token):
        return ""
    found = process.extractOne(token, _SINGLE, scorer=fuzz.ratio, score_cutoff=_NEAR)
    return str(found[0]) if found else ""
