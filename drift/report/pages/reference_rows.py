"""This module names what pages hold of the reference and for the bench.

Numbers and dates stay numbers and dates, and None is "cannot say", as in
`drift.report.pages.dossier`.
"""

from dataclasses import dataclass
from datetime import date

from drift.report.pages.reference_bowls import BowlsPart
from drift.report.pages.reference_checked import CheckedPart
from drift.report.pages.reference_compared import ComparedPart
from drift.report.pages.reference_history import VesselHistory


@dataclass(frozen=True, slots=True)
class EffectRow:
    """Something that meters share, % air; found says whether it is more than chance.

    Attributes
    ----------
    place : int
        Rows of one place stand together under one `what`.
    confounded_with : str
        Why nothing can be said, empty where something can.
    """

    place: int
    what: str
    name: str
    from_on: date | None
    to_on: date | None
    effect: float | None
    low: float | None
    high: float | None
    q: float | None
    found: bool
    meters: int
    visits: int
    confounded_with: str


@dataclass(frozen=True, slots=True)
class CheckRow:
    """Sittings whose correct air content is not what the vessel on record stands for.

    Attributes
    ----------
    off_low, off_high : float or None
        Least and largest difference, % air; None where there is no value to compare with.
    """

    vessel_id: str
    problem: str
    sittings: int
    meters: int
    from_on: date
    to_on: date
    off_low: float | None
    off_high: float | None


@dataclass(frozen=True, slots=True)
class VesselRow:
    """A vessel calibration with something wrong on record."""

    vessel_id: str
    calibrated_on: date | None
    usable: bool
    problem: str


@dataclass(frozen=True, slots=True)
class StandingRow:
    """A meter whose standing is another one without what meters share; P(out) of both."""

    meter_id: str
    file: str
    as_read: str
    alone: str
    p_as_read: float | None
    p_alone: float | None


@dataclass(frozen=True, slots=True)
class ReferencePart:
    """Whether the reference holds; doubt is what the first screen says, empty where nothing.

    verdict says it in two words; studies has each study on record, where its page is, and what was
    read for it.
    """

    lead: tuple[str, ...]
    doubt: str
    verdict: str
    effects: tuple[EffectRow, ...]
    effects_total: int
    checks: tuple[CheckRow, ...]
    checks_total: int
    vessels: tuple[VesselRow, ...]
    vessels_total: int
    bowls: BowlsPart
    history: VesselHistory
    compared: ComparedPart
    checked: CheckedPart
    standings: tuple[StandingRow, ...]
    standings_lead: str
    studies: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True, slots=True)
class CauseRow:
    """One cause of a bias: how probable, and what to look at."""

    cause: str
    probability: float
    look: str


@dataclass(frozen=True, slots=True)
class MoveRow:
    """One change of the initial pressure mark and what it is worth at 0, 5 and 10 % air."""

    performed_on: date
    change: str
    worth_0: float | None
    worth_5: float | None
    worth_10: float | None
    travel: float | None
    note: str


@dataclass(frozen=True, slots=True)
class BenchPart:
    """What to look at first on the bench; causes are empty where none can be told.

    Attributes
    ----------
    balance : str
        Whether mark moves and hand resets cancel or add up; empty where neither was done.
    """

    lead: str
    causes: tuple[CauseRow, ...]
    moves: tuple[MoveRow, ...]
    balance: str
