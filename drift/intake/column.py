"""This module says what is declared of one column of an input table."""

from dataclasses import dataclass
from typing import Literal

# An answer is a number, or yes or no.
CellKind = Literal["text", "date", "number", "whole", "answer"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of an input table.

    Attributes
    ----------
    name : str
        Header as written in the CSV file; the unit is part of the name.
    kind : {"text", "date", "number", "whole", "answer"}
        What its cells hold.
    meaning : str
        One clause for the documentation.
    required : bool
        Whether the header must hold the column and every row a value.
    choices : tuple of str
        The words allowed; empty where any text is.
    low, high : float or None
        Inclusive bounds outside which a value cannot be meant; in the column's unit.
    unit : str
        Unit of a number as it is written out; empty for a bare number.
    refusals : tuple of (str, str)
        Words that are meant but cannot be taken, in lower case, each with the reason.
    """

    name: str
    kind: CellKind
    meaning: str
    required: bool = False
    choices: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    unit: str = ""
    refusals: tuple[tuple[str, str], ...] = ()


# A reading of more air than any dial of this kind shows is a slip of the pen.  Common practice,
# no source: dials of pressure-type meters end at 8 to 22 % air, some at 100 % in a crowded last
# stretch that nobody calibrates.
HIGHEST_AIR_PCT = 30.0
# A hand that rests below zero is read as a negative percentage down to the initial pressure mark.
LOWEST_AIR_PCT = -10.0

METER = Column("meter_id", "text", "identity of the meter", required=True)
PERFORMED = Column("performed_on", "date", "day of the work", required=True)
OPERATOR = Column("operator", "text", "who did it")
REMARKS = Column("remarks", "text", "free text")
WATER_TEMP = Column(
    "water_temp_c", "number", "water temperature, °C", low=-5.0, high=60.0, unit="°C"
)
SCALE = Column("scale_id", "text", "balance used")
CERTIFICATE = Column("certificate", "text", "number of its certificate")
DUE = Column("due_on", "date", "day its next calibration is due")
