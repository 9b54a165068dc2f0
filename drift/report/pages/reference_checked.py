"""This module says what check meters and artefacts make of what all meters showed."""

from dataclasses import dataclass
from datetime import date

from drift import format as text
from drift.reference.check_meters.steadiness import DRIFTS, NEVER_READ, STEADY
from drift.reference.check_meters.verdicts import CANNOT_TELL, FLEET, VESSEL
from drift.reference.check_meters.weigh import CheckMeters
from drift.report.pages.parts import dated

_LONGEST_TABLE = 20
_NOBODY = (
    "No check meter and no fixed artefact is on record. Nothing but the fleet itself tells whether "
    "the vessel shifted or all meters did."
)
_HOLDS = {STEADY: "holds", DRIFTS: "drifts by itself", NEVER_READ: "never read"}
_VERDICTS = {VESSEL: "the vessel", FLEET: "the meters", CANNOT_TELL: text.CANNOT_SAY}


@dataclass(frozen=True, slots=True)
class WitnessRow:
    """A check meter or an artefact; drift in % air a year at 5 % air, None where not known."""

    name: str
    sessions: int
    sigma: float | None
    drift: float | None
    low: float | None
    high: float | None
    adjusted: int
    holds: str
    sentence: str


@dataclass(frozen=True, slots=True)
class ReferenceVerdictRow:
    """What check meters make of one shift; None where they say nothing."""

    name: str
    from_on: date
    to_on: date
    effect: float
    change: float | None
    error: float | None
    p_vessel: float | None
    verdict: str
    half: float | None
    ninety: float | None
    sentence: str
    plan: str


@dataclass(frozen=True, slots=True)
class CheckedPart:
    """Check meters and their verdicts; lead says what is to be known first, rows may be empty."""

    lead: tuple[str, ...]
    witnesses: tuple[WitnessRow, ...]
    verdicts: tuple[ReferenceVerdictRow, ...]
    verdicts_total: int


def checked_part(found: CheckMeters) -> CheckedPart:
    """Return what the page of the reference says of check meters, the newest shift first."""
    witnesses = tuple(
        WitnessRow(
            name=row["witness"],
            sessions=row["sessions"],
            sigma=row["sigma_pct"],
            drift=row["drift"],
            low=row["drift_low"],
            high=row["drift_high"],
            adjusted=row["adjusted"],
            holds=_HOLDS.get(row["finding"], "too few sessions"),
            sentence=row["sentence"],
        )
        for row in found.held.iter_rows(named=True)
    )
    newest = found.verdicts.sort("to_on", "name", descending=[True, False])
    verdicts = tuple(
        ReferenceVerdictRow(
            name=dated(row["name"]),
            from_on=row["from_on"],
            to_on=row["to_on"],
            effect=row["effect_pct"],
            change=row["change_pct"],
            error=None if row["change_error_pct"] is None else 2 * row["change_error_pct"],
            p_vessel=row["p_vessel"],
            verdict=_VERDICTS[row["verdict"]],
            half=row["sessions_half"],
            ninety=row["sessions_ninety"],
            sentence=row["sentence"],
            plan=row["plan"],
        )
        for row in newest.head(_LONGEST_TABLE).iter_rows(named=True)
    )
    lead = [row.sentence for row in witnesses] or [_NOBODY]
    if verdicts:
        if witnesses:
            lead.append(f"{verdicts[0].name}: {verdicts[0].sentence}")
        lead.append(f"For the newest shift: {verdicts[0].plan}")
    elif found.outlook and not witnesses:
        lead.append(found.outlook)
    return CheckedPart(
        tuple(one for one in lead if one), witnesses, verdicts, found.verdicts.height
    )
