"""This module says what a sheet of records is: cells, each with its place."""

from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Literal

from drift.format import twelve_digits

Value = str | float | bool | date | datetime | time | None
CellPlace = tuple[int, int]
# What became of a cell.
Fate = Literal["read", "passed", "unread"]
_RANK: dict[Fate, int] = {"passed": 0, "unread": 1, "read": 2}


@dataclass(slots=True)
class Sheet:
    """One sheet of a workbook, or one text file.

    Attributes
    ----------
    file, name : str
        The file and, in a workbook, the sheet.
    rows : list of list of Value
        Its cells from A1; None where empty; text is trimmed and never empty.
    merged : tuple of (int, int, int, int)
        First row, first column, last row, last column of merged cells, counted from 0.
    percent, struck, unvalued : frozenset of (row, column)
        Cells that are shown as percentages, are struck through, or hold a formula whose value is
        not stored.
    hidden : bool
        Whether the workbook hides it.
    refusal : str
        Why nothing of it could be read; empty where it could.
    epoch_1904 : bool
        Whether bare day numbers count from 1904.
    """

    file: str
    name: str
    rows: list[list[Value]]
    merged: tuple[tuple[int, int, int, int], ...] = ()
    percent: frozenset[CellPlace] = frozenset()
    struck: frozenset[CellPlace] = frozenset()
    unvalued: frozenset[CellPlace] = frozenset()
    hidden: bool = False
    refusal: str = ""
    epoch_1904: bool = False

    @property
    def title(self) -> str:
        """Return the file and the sheet in one text."""
        return f"{self.file}, sheet {self.name}" if self.name else self.file

    def at(self, row: int, column: int) -> Value:
        """Return a cell; None beyond the edges."""
        if row < 0 or column < 0 or row >= len(self.rows) or column >= len(self.rows[row]):
            return None
        return self.rows[row][column]

    def turned(self) -> "Sheet":
        """Return the sheet with rows for columns."""
        width = max((len(row) for row in self.rows), default=0)
        return Sheet(
            file=self.file,
            name=self.name,
            rows=[
                [self.at(row, column) for row in range(len(self.rows))] for column in range(width)
            ],
            merged=tuple((c0, r0, c1, r1) for r0, c0, r1, c1 in self.merged),
            percent=frozenset((c, r) for r, c in self.percent),
            struck=frozenset((c, r) for r, c in self.struck),
            unvalued=frozenset((c, r) for r, c in self.unvalued),
            hidden=self.hidden,
            refusal=self.refusal,
            epoch_1904=self.epoch_1904,
        )


@dataclass(slots=True)
class Marks:
    """What became of the cells of one sheet.

    Attributes
    ----------
    fates : dict of (row, column) to (Fate, str)
        Each cell that is not empty, and as what it was read or why it was not.
    """

    fates: dict[CellPlace, tuple[Fate, str]] = field(default_factory=dict)

    def put(self, row: int, column: int, fate: Fate, why: str) -> None:
        """Note the fate of a cell; one passed over may turn out not understood, and that read."""
        known = self.fates.get((row, column))
        if known is None or _RANK[fate] > _RANK[known[0]]:
            self.fates[row, column] = (fate, why)


def cell_name(row: int, column: int) -> str:
    """Return the name of a cell as a spreadsheet shows it, such as B7."""
    letters = ""
    number = column + 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return f"{letters}{row + 1}"


def shown(value: Value) -> str:
    """Return a cell as text; whole numbers without decimals, dates as ISO 8601."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, float):
        return twelve_digits(value)
    if isinstance(value, datetime):
        midnight = value.time() == time()
        return value.date().isoformat() if midnight else value.isoformat(sep=" ")
    return value if isinstance(value, str) else value.isoformat()
