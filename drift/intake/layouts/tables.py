"""This module holds what a table of a sheet is once it is understood, and what came of it."""

from collections import Counter
from dataclasses import dataclass, field
from datetime import date

from drift.intake.layouts.cells import CellPlace, Marks, Sheet, Value, cell_name
from drift.intake.layouts.column_values import CellColumn
from drift.intake.layouts.days import WrittenDay
from drift.intake.layouts.headers import Region
from drift.intake.layouts.surroundings import Around


@dataclass(slots=True)
class Named:
    """What the name of a sheet or a file tells.

    Attributes
    ----------
    meter : str
        A meter; empty where none.
    maybe : str
        What may be a meter, but need not.
    day : Written or None
        A day or month.
    year, quarter : int or None
        Of the calendar.
    stage : str
        A stage; empty where none.
    """

    meter: str = ""
    maybe: str = ""
    day: WrittenDay | None = None
    year: int | None = None
    quarter: int | None = None
    stage: str = ""


@dataclass(slots=True)
class Table:
    """One table of a sheet, ready to be read.

    Attributes
    ----------
    sheet : Sheet
        Where it stands, turned where its records run across.
    region : Region
        Its rows.
    columns : list of Column
        What its columns hold.
    around : Around
        What stands around it.
    named : Named
        What the names of its sheet and file tell.
    turned : bool
        Whether rows and columns were exchanged to read it.
    marks : Marks
        Where the fates of the sheet's cells are noted.
    """

    sheet: Sheet
    region: Region
    columns: list[CellColumn]
    around: Around
    named: Named
    turned: bool
    marks: Marks

    @property
    def signature(self) -> tuple[str, ...]:
        """Return the titles of its columns, by which tables of one layout are known."""
        return tuple(column.title for column in self.columns)

    @property
    def scope(self) -> tuple[str, ...]:
        """Return whose dates are decided together."""
        return (self.sheet.file, *self.signature)

    def place(self, row: int, column: int) -> str:
        """Return where a cell stands, in words."""
        name = cell_name(column, row) if self.turned else cell_name(row, column)
        return f"{self.sheet.title}, {name}"

    def mark(self, row: int, column: int, fate: str, why: str) -> None:
        """Note the fate of a cell."""
        at = (column, row) if self.turned else (row, column)
        self.marks.put(*at, fate, why)  # type: ignore[arg-type]

    def unmark(self, at: CellPlace, why: str) -> None:
        """Note that a cell, though read, was not understood after all."""
        self.marks.fates[(at[1], at[0]) if self.turned else at] = ("unread", why)

    def holding(self, *roles: str) -> list[CellColumn]:
        """Return the columns that hold one of some roles."""
        return [column for column in self.columns if column.holds in roles]


@dataclass(slots=True)
class Reading:
    """One reading, or a pass or fail without one.

    Attributes
    ----------
    meter_id : str
        The meter.
    performed_on : date
        The day.
    stage : str
        ``as_found`` or ``as_left``.
    correct_air_pct : float or None
        Correct air content; None where only a pass or fail without a point is written.
    reading_air_pct : float or None
        What the dial showed; None where only a pass or fail is written.
    passed : bool or None
        The pass or fail that stands in place of a reading.
    replicate : int or None
        Its number, where it is written.
    more : dict of str to str
        Other columns of the readings.
    place, sheet, turn : str, str, int
        Where it stands; the table that it came from.
    column, at : int, (int, int)
        Its column and its cell in the table's sheet; -1 where it was told in words.
    """

    meter_id: str
    performed_on: date
    stage: str
    correct_air_pct: float | None
    reading_air_pct: float | None
    passed: bool | None
    replicate: int | None
    more: dict[str, str]
    place: str
    sheet: str
    turn: int
    column: int = -1
    at: CellPlace = (-1, -1)

    @property
    def visit(self) -> tuple[str, date]:
        """Return the visit that it belongs to."""
        return self.meter_id, self.performed_on


@dataclass(slots=True)
class Rows:
    """What came of records.

    Attributes
    ----------
    readings : list of Reading
        Readings and passes, in the order of the records.
    marks, service, vessels : list of dict
        Rows of these tables.
    notes : Counter
        What was taken for granted, and how often, in sentences.
    """

    readings: list[Reading] = field(default_factory=list)
    marks: list[dict[str, str]] = field(default_factory=list)
    service: list[dict[str, str]] = field(default_factory=list)
    vessels: list[dict[str, str]] = field(default_factory=list)
    notes: Counter[str] = field(default_factory=Counter)


@dataclass(slots=True)
class Line:
    """One row of a table: its number, its cells with ditto signs undone, and what was carried."""

    row: int
    cells: dict[int, Value]
    carried: set[int] = field(default_factory=set)
