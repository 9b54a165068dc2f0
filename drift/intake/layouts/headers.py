"""This module finds the tables of a sheet: header rows, and what stands around them."""

import re
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

from drift.intake.layouts.cells import Sheet, Value, shown
from drift.intake.layouts.days import written
from drift.intake.layouts.facts import SheetFacts, facts_of
from drift.intake.layouts.numbers import CellNumber, figure_of

# Header rows that belong together at most.
_MOST_HEADER_ROWS = 4
_LONGEST_LABEL = 60
_INLINE = re.compile(r"[:=]\s*\S")
# Forms of dates that stand for themselves wherever they are.
_LOOSE_DATES = {
    "a month in words",
    "a month in words with a figure",
    "a day number of a spreadsheet",
}
_METER = re.compile(
    r"(?i)(?:air\s*meter|meter|gauge|instrument|ger[äa]e?t|topf|appareil|a[ée]rom[èe]tre|unit|pot)"
    r"\s*(?:(?:no|nr|n°|id|num(?:ber)?|numéro)\.?(?=[\s:#.]))?\s*[:#]?\s*"
    r"((?=[\w-]*\d)[A-Za-z]{0,6}[-_ /.]?\d[\w-]*)"
)


_NO_FACTS = SheetFacts()


@dataclass(frozen=True, slots=True)
class Look:
    """What a cell looks like on its own.

    Attributes
    ----------
    kind : {"empty", "word", "label", "number", "date", "mark", "text", "inline"}
        A word of a header; a stage, point or replicate; a figure; a date; a mark such as OK or
        n/a; other text; or a label with its value in one cell.
    facts : Facts
        What its text tells.
    """

    kind: str
    facts: SheetFacts = _NO_FACTS


_EMPTY = Look("empty")


def look_at(value: Value) -> Look:
    """Return what a cell looks like."""
    if value is None:
        return _EMPTY
    if isinstance(value, bool):
        return Look("mark")
    if isinstance(value, float):
        return Look("number")
    if isinstance(value, str):
        return _look_at_text(value)
    return Look("date")


@lru_cache(maxsize=65536)
def _look_at_text(text: str) -> Look:
    """Return what a text looks like."""
    day = written(text)
    if day is not None and day.form not in _LOOSE_DATES:
        return Look("date")
    figure = figure_of(text)
    facts = facts_of(text)
    if figure.kind == "numbers" and not _is_staged_point(figure, facts):
        return Look("number", facts)
    if figure.kind in {"nothing", "passed", "failed"} and not facts.stage:
        return Look("mark", facts)
    inline = _INLINE.search(text) and facts_of(re.split("[:=]", text)[0]).role
    if len(text) <= _LONGEST_LABEL and not inline:
        if facts.role:
            many = len(facts.rest) > 2 or (facts.name and not facts.stage)
            return Look("text" if many else "word", facts)
        if facts.tells and len(facts.rest) <= 1:
            return Look("label", facts)
    elif inline and len(text) <= 3 * _LONGEST_LABEL:
        return Look("inline", facts)
    return Look("text", facts)


def _is_staged_point(figure: CellNumber, facts: SheetFacts) -> bool:
    """Say whether a text such as ``AF 5`` names a stage and a point rather than a reading."""
    return (
        figure.split == "tags" and len(figure.found) + len(figure.left) == 1 and bool(facts.stage)
    )


@dataclass(slots=True)
class Region:
    """One table of a sheet.

    Attributes
    ----------
    header : tuple of int
        Its header rows; empty where it has none.
    first, last : int
        Its rows below, the last one not included.
    """

    header: tuple[int, ...]
    first: int
    last: int


def regions_of(sheet: Sheet) -> list[Region]:
    """Return the tables of a sheet from top to bottom."""
    looks = [[look_at(value) for value in row] for row in sheet.rows]
    tops = _header_tops(sheet, looks)
    regions: list[Region] = []
    for number, (top, size) in enumerate(tops):
        end = tops[number + 1][0] if number + 1 < len(tops) else len(sheet.rows)
        while end > top + size and (not any(sheet.rows[end - 1]) or _is_form_line(looks[end - 1])):
            end -= 1
        regions.append(Region(tuple(range(top, top + size)), top + size, end))
    return regions


def _header_tops(sheet: Sheet, looks: list[list[Look]]) -> list[tuple[int, int]]:
    """Return the first row and the number of rows of each header that is unlike the one before."""
    tops: list[tuple[int, int]] = []
    last: tuple[str, ...] = ()
    row = 0
    while row < len(looks):
        if not _is_header(looks[row], sheet.rows[row]):
            row += 1
            continue
        top = row - 1 if _is_group_row(sheet, looks, row - 1) else row
        end = row + 1
        while end < len(looks) and end - top < _MOST_HEADER_ROWS and _goes_on(sheet, looks, end):
            end += 1
        texts = tuple(
            shown(value).casefold() for at in range(top, end) for value in sheet.rows[at] if value
        )
        since = tops[-1][0] if tops else 0
        if texts != last or any(_is_form_line(line) for line in looks[since + 1 : top]):
            tops.append((top, end - top))
        last = texts
        row = end
    return tops


def _is_header(looks: list[Look], values: list[Value]) -> bool:
    """Say whether a row looks like the header of a table."""
    filled = [look for look in looks if look.kind != "empty"]
    kinds = [look.kind for look in filled]
    words = kinds.count("word")
    labels = kinds.count("label")
    points = sum(_is_point(look) for look in filled)
    figures = kinds.count("number") - points
    dates = kinds.count("date")
    if len(filled) < 2 or "inline" in kinds:
        return False
    side_by_side = any(
        {left.kind, right.kind} <= {"word", "label"} and "word" in {left.kind, right.kind}
        for left, right in pairwise(looks)
    )
    named = words + labels + points
    others = figures + dates + kinds.count("mark")
    if words >= 2 and side_by_side and named > others and named >= kinds.count("text"):
        return True
    if figures and not _bare_points(values, looks):
        return False
    if kinds.count("mark"):
        return False
    across = max(dates, points + labels, kinds.count("text"), figures)
    return across >= 2 and words <= 2 and _is_across(filled, looks, dates=dates)


_LEADING = {"point", "correct", "stage", "replicate", "meter"}


def _is_across(filled: list[Look], looks: list[Look], *, dates: int) -> bool:
    """Say whether a row names days, points, stages or meters across."""
    kinds = {look.kind for look in filled}
    stages = {look.facts.stage for look in filled if look.facts.stage}
    if kinds <= {"label", "number"}:
        points = sum(_is_point(look) for look in filled)
        return (
            len(stages) == 2
            or points >= 2
            or sum(look.facts.replicate is not None for look in filled) >= 2
        )
    first = next(look for look in looks if look.kind != "empty")
    if first.kind not in {"word", "label"}:
        return False
    rest = [look.kind for look in filled if look.kind not in {"word", "label"}]
    if dates:
        return set(rest) == {"date"} and dates >= 2
    if not rest:
        return len(filled) >= 3
    across = first.kind == "word" and first.facts.role in _LEADING
    return across and len(rest) >= 2 and set(rest) <= {"text", "number"}


def _bare_points(values: list[Value], looks: list[Look]) -> bool:
    """Say whether the figures of a row may be points or meters across, none of them a reading."""
    numbers = [value for value, look in zip(values, looks, strict=False) if look.kind == "number"]
    texts = {shown(number) for number in numbers}
    return len(texts) == len(numbers) and all(
        "." not in text.rstrip("0").rstrip(".") and "," not in text for text in texts
    )


def _is_point(look: Look) -> bool:
    """Say whether a cell is a point with its unit, such as ``5 %``."""
    return look.kind == "number" and look.facts.point_pct is not None


def _is_form_line(looks: list[Look]) -> bool:
    """Say whether a row is a line of a form, with labels and their values."""
    kinds = [look.kind for look in looks]
    return _is_labelled(looks) or ("inline" in kinds and kinds.count("number") < 2)


def _is_labelled(looks: list[Look]) -> bool:
    """Say whether a row holds labels with their values, such as ``Date | 2026-03-31``."""
    filled = [look for look in looks if look.kind != "empty"]
    pairs = sum(
        left.kind == "word"
        and right.kind in {"text", "number", "date"}
        and (right.kind == "date") == (left.facts.role == "date")
        for left, right in pairwise(filled)
    )
    return 2 * pairs >= len(filled) - 1 and pairs > 0


def _is_group_row(sheet: Sheet, looks: list[list[Look]], row: int) -> bool:
    """Say whether the row above a header groups its columns."""
    if row < 0:
        return False
    filled = [(at, look) for at, look in enumerate(looks[row]) if look.kind != "empty"]
    if _is_labelled(looks[row]):
        return False
    if not filled or any(look.kind in {"inline", "number", "mark"} for _, look in filled):
        return any(r0 == row and c1 > c0 for r0, c0, _, c1 in sheet.merged) and len(filled) > 1
    below = looks[row + 1] if row + 1 < len(looks) else []
    spans = {c0: c1 for r0, c0, _, c1 in sheet.merged if r0 == row}
    width = len(below)
    if len(filled) == 1:
        at, look = filled[0]
        wide = spans.get(at, at) - at + 1
        return at > 0 and wide > 1 and look.kind in {"label", "word", "date"}
    if any(spans.get(at, at) - at + 1 >= width > 1 for at, _ in filled):
        return False
    return (
        all(look.kind in {"label", "word", "date", "text"} for _, look in filled)
        and all(at < width for at, _ in filled)
        and any(look.facts.tells or look.kind == "date" for _, look in filled)
        and filled[0][0] + len(filled) <= width
    )


def _goes_on(sheet: Sheet, looks: list[list[Look]], row: int) -> bool:
    """Say whether a row belongs to the header above it."""
    filled = [(at, look) for at, look in enumerate(looks[row]) if look.kind != "empty"]
    if not filled or any(look.kind in {"date", "mark", "inline"} for _, look in filled):
        return False
    above = looks[row - 1]
    kinds = [look.kind for _, look in filled]
    if any(
        at < len(above)
        and above[at].facts.role in {"date", "meter"}
        and above[at].kind == "word"
        and look.kind not in {"word", "label"}
        and not _is_unit(sheet.at(row, at))
        for at, look in filled
    ):
        return False
    plain = [at for at, look in filled if look.kind == "number" and not _is_point(look)]
    if plain:
        grouped = [
            at
            for at in plain
            if at >= len(above) or above[at].kind == "empty" or above[at].kind == "label"
        ]
        numbers = [sheet.at(row, at) for at in plain]
        whole = _bare_points(
            numbers[: len(set(map(shown, numbers)))], [looks[row][at] for at in plain]
        )
        spread = any(above[at].kind == "empty" for at in plain if at < len(above)) or any(
            at >= len(above) for at in plain
        )
        return len(grouped) == len(plain) and whole and spread and "text" not in kinds
    told = sum(
        kind in {"word", "label"} or _is_point(look)
        for kind, (_, look) in zip(kinds, filled, strict=True)
    )
    units = sum(_is_unit(sheet.at(row, at)) for at, _ in filled)
    if told + units < len(filled):
        return False
    if told and not units and all(look.kind == "label" for _, look in filled):
        # A row of stages and points alone goes on only where the row above leaves room for it.
        return any(at >= len(above) or above[at].kind == "empty" for at, _ in filled) or all(
            above[at].kind == "label" or (at < len(above) and above[at].facts.stage)
            for at, _ in filled
            if at < len(above)
        )
    return True


_UNIT = re.compile(
    r"(?i)^[(\[]?\s*(?:%|% ?air|°\s?[cf]|psi|kpa|g|kg|lb|lbs|vol\.? ?-?%|dd.?mm.?yy(?:yy)?"
    r"|mm.?dd.?yy(?:yy)?|yyyy.?mm.?dd|-)\s*[)\]]?$"
)


def _is_unit(value: Value) -> bool:
    """Say whether a cell holds a unit alone."""
    return isinstance(value, str) and bool(_UNIT.match(value))


def meter_named(text: str) -> str:
    """Return the meter that a title names, such as M-101 of ``Air meter M-101``; empty if none."""
    found = _METER.search(text)
    return found[1].strip() if found else ""
