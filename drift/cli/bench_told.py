"""This module prints what the commands for the bench have found."""

from collections import Counter
from typing import TYPE_CHECKING, Any

from drift.cli.console import ALL_BY_JSON, MOST_TOLD, say_held_back, tell, tell_each, tell_more
from drift.format import count, day, plain, point
from drift.visible import visible

if TYPE_CHECKING:
    from drift.api.bench import Checked
    from drift.api.sheets import Sheets

_VERDICTS = {
    "believable": "believable",
    "surprising": "surprising",
    "likely_slip": "likely slip",
    "cannot_say": "cannot say",
}
_OUT = "out of tolerance"
_CALLS = (_OUT, "likely slip", "surprising", "believable", "cannot say")


def say_check(found: "Checked") -> None:
    """Print the verdicts, the count, what is half done, each sitting, then the rows held back."""
    say_verdicts(found.verdicts)
    rows = found.rows.to_dicts()
    counts = Counter(_call(row) for row in rows)
    counted = [f"{counts[name]} {name}" for name in _CALLS if name in counts]
    tell(f"{count(len(rows), 'sitting')}: {', '.join(counted) or 'nothing to compare'}")
    tell_each(found.half_done, as_="Half done: ")
    visits = found.rows.partition_by(
        ["meter_id", "performed_on"], maintain_order=True, as_dict=True
    )
    for (meter_id, on), visit in list(visits.items())[:MOST_TOLD]:
        tell(f"{visible(str(meter_id))}, {day(on)}")
        for row in visit.iter_rows(named=True):
            read = ", ".join(plain(value) for value in row["readings_pct"])
            stage = row["stage"].replace("_", " ")
            tell(f"  {point(row['point_pct'])} {stage}: {read}: {_calls(row)}")
            tell(f"    {row['sentence']}")
            tell(f"    Two successive readings: {row['rule']}")
        for told in found.advice:
            if (told["meter_id"], told["performed_on"]) == (meter_id, on):
                tell(f"  At the bench: {told['sentence']}")
    tell_more(len(visits), ALL_BY_JSON)
    say_held_back(found.held_back)


def say_verdicts(verdicts: "list[dict[str, Any]]") -> None:
    """Print what fresh readings ask for, the gravest first, and which visits pass."""
    for told in verdicts[:MOST_TOLD]:
        tell(f"{visible(told['meter_id'])}, {day(told['performed_on'])}: {told['sentence']}")
    tell_more(len(verdicts), ALL_BY_JSON)


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
    for meter_id in made.meters[:MOST_TOLD]:
        why = made.occasions.get(meter_id, "")
        tell(f"  {visible(meter_id)}{f': {why}' if why else ''}")
    tell_more(len(made.meters), "the workbook lists all", as_="  ")
    tell(f"Pages: {made.page}; {count(made.files, 'file')} to fill in beside it")
    tell(f"The same as one workbook: {made.book}")
    tell(f"For a tablet or phone at the bench: {made.bench}")
