"""This module prints what the bench commands have found; it finds nothing itself."""

from collections import Counter
from typing import TYPE_CHECKING, Any

from drift.cli.saying import say_held_back
from drift.cli.telling import tell
from drift.format import count, day, plain, point
from drift.visible import visible

if TYPE_CHECKING:
    from drift.notes.bench import Checked
    from drift.notes.sheets import Sheets

_VERDICTS = {
    "believable": "believable",
    "surprising": "surprising",
    "likely_slip": "likely slip",
    "cannot_say": "cannot say",
}
_OUT = "out of tolerance"
_CALLS = (_OUT, "likely slip", "surprising", "believable", "cannot say")


def say_check(found: "Checked") -> None:
    """Print what is asked for, the count, each sitting, then the rows held back."""
    for told in found.verdicts:
        tell(f"{visible(told['meter_id'])}, {day(told['performed_on'])}: {told['sentence']}")
    rows = found.rows.to_dicts()
    counts = Counter(_call(row) for row in rows)
    counted = [f"{counts[name]} {name}" for name in _CALLS if name in counts]
    tell(f"{count(len(rows), 'sitting')}: {', '.join(counted) or 'nothing to compare'}")
    for (meter_id, on), visit in found.rows.group_by(
        ["meter_id", "performed_on"], maintain_order=True
    ):
        tell(f"{visible(str(meter_id))}, {day(on)}")
        for row in visit.iter_rows(named=True):
            read = ", ".join(plain(value) for value in row["readings_pct"])
            stage = row["stage"].replace("_", " ")
            tell(f"  {point(row['point_pct'])} {stage}: {read}: {_calls(row)}")
            tell(f"    {row['sentence']}")
            tell(f"    Two successive readings: {row['rule']}")
    say_held_back(found.held_back)


def _call(row: dict[str, Any]) -> str:
    """Return the one word that a sitting is counted under."""
    slip = row["verdict"] == "likely_slip"
    return _OUT if row["tolerance"] != "within" and not slip else _VERDICTS[row["verdict"]]


def _calls(row: dict[str, Any]) -> str:
    """Return the verdicts on a sitting, tolerance first and in capitals where it asks for work."""
    believed = _VERDICTS[row["verdict"]]
    if row["verdict"] != "believable":
        believed = believed if row["verdict"] == "cannot_say" else believed.upper()
    if _call(row) != _OUT:
        return believed
    once = "" if row["tolerance"] == "out_confirmed" else ", not confirmed"
    return f"{_OUT.upper()}{once}; {believed}"


def say_sheets(made: "Sheets") -> None:
    """Print which meters are due and where their sheets are."""
    tell(f"{count(len(made.meters), 'meter')} due by {day(made.due_by)}")
    for meter_id in made.meters:
        tell(f"  {visible(meter_id)}")
    tell(f"Pages: {made.page}; {count(made.files, 'file')} to fill in beside it")
