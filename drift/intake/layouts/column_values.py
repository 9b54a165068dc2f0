"""This module holds what is known of a column, and looks at its values."""

from collections import Counter
from dataclasses import dataclass, field
from itertools import islice

from drift.intake.layouts.cells import Sheet
from drift.intake.layouts.days import WrittenDay, written
from drift.intake.layouts.facts import HIGHEST_POINT_PCT, SheetFacts
from drift.intake.layouts.headers import Region, look_at
from drift.intake.layouts.numbers import figure_of
from drift.intake.layouts.words import folded_words

# Columns that hold one figure of a reading in each row.
VALUES = ("reading", "error", "correction")


_SEEN_ROWS = 400


# A reading lies no farther from the correct air content than this in records that are read rightly:
# dials end at some 10 to 20 % and are off by tenths.  Common practice, no source.
NEAR_PCT = 1.5


@dataclass(slots=True)
class CellColumn:
    """One column of a table.

    Attributes
    ----------
    at : int
        Its place, from 0.
    title : str
        Its header, the lines above it included.
    facts : Facts
        What the header tells.
    holds : str
        What it holds: a role, ``label`` (a stage, point or replicate in each row), ``unknown`` or
        ``ignored``.
    why : str
        Why it is passed over, where it is.
    group : str
        The line above the header that it shares with its neighbours; empty where none.
    day : Written or None
        A day that its header tells.
    meter : str
        A meter that its header names; empty where none.
    slash : str
        What a stroke in its cells separates: ``found_left``, ``replicates`` or, where open, empty.
    points : tuple of float
        Points that a cell with as many figures holds, in this order.
    """

    at: int
    title: str
    facts: SheetFacts
    holds: str = ""
    why: str = ""
    group: str = ""
    day: WrittenDay | None = None
    meter: str = ""
    slash: str = ""
    points: tuple[float, ...] = ()


@dataclass(slots=True)
class Values:
    """What the cells of one column look like.

    Attributes
    ----------
    count : int
        Those that are not empty.
    figures : list of float
        Numbers in them.
    dates, stages, labels, marks, texts, split : int
        Cells that are dates, stages, stages or points, marks such as OK, other text, several
        figures.
    words : Counter
        Texts, folded.
    """

    count: int = 0
    figures: list[float] = field(default_factory=list)
    dates: int = 0
    stages: int = 0
    labels: int = 0
    marks: int = 0
    texts: int = 0
    split: int = 0
    words: Counter[str] = field(default_factory=Counter)

    def share(self, number: int) -> float:
        """Return a number of cells as a share of those that are not empty."""
        return number / self.count if self.count else 0.0

    @property
    def decimals(self) -> bool:
        """Whether some figure is no whole number."""
        return any(figure != int(figure) for figure in self.figures)

    @property
    def like_readings(self) -> bool:
        """Whether the figures may be per cents of air."""
        return bool(self.figures) and all(
            -2.0 <= figure <= HIGHEST_POINT_PCT for figure in self.figures
        )


def values_of(sheet: Sheet, region: Region, at: int) -> Values:
    """Return what the cells of a column look like."""
    seen = Values()
    rows = (row for row in range(region.first, region.last) if sheet.at(row, at) is not None)
    for row in islice(rows, _SEEN_ROWS):
        value = sheet.at(row, at)
        seen.count += 1
        if isinstance(value, str):
            seen.words[folded_words(value)] += 1
        percent = (row, at) in sheet.percent
        look, figure = look_at(value), figure_of(value, percent=percent)
        if figure.kind == "numbers":
            seen.figures.extend((*figure.found, *figure.left))
            seen.split += bool(figure.split)
        seen.dates += look.kind == "date" or (isinstance(value, str) and written(value) is not None)
        seen.stages += bool(look.facts.stage) and not look.facts.role
        seen.labels += (look.kind == "label") or (
            look.kind == "number" and look.facts.point_pct is not None
        )
        seen.marks += figure.kind in {"nothing", "passed", "failed"}
        seen.texts += figure.kind == "unread" and look.kind in {"text", "word"}
    return seen
