"""This module prints what the bench commands have found; it finds nothing itself."""

from typing import TYPE_CHECKING

from drift.cli.saying import say_held_back
from drift.cli.telling import tell
from drift.format import count, day, plain, point
from drift.visible import visible

if TYPE_CHECKING:
    from drift.notes.bench import Checked
    from drift.notes.sheets import Sheets

_VERDICTS = {
    "believable": "believable",
    "surprising": "SURPRISING",
    "likely_slip": "LIKELY SLIP",
    "cannot_say": "cannot say",
}


def say_check(found: "Checked") -> None:
    """Print the verdict on each sitting, then the rows held back and the count."""
    for (meter_id, on), visit in found.rows.group_by(
        ["meter_id", "performed_on"], maintain_order=True
    ):
        tell(f"{_printable(str(meter_id))}, {day(on)}")
        for row in visit.iter_rows(named=True):
            read = ", ".join(plain(value) for value in row["readings_pct"])
            stage = row["stage"].replace("_", " ")
            tell(f"  {point(row['point_pct'])} {stage}: {read}: {_VERDICTS[row['verdict']]}")
            tell(f"    {row['sentence']}")
            tell(f"    Two successive readings: {row['rule']}")
    say_held_back(found.held_back)
    counts = dict(found.rows["verdict"].value_counts().iter_rows())
    told = [
        f"{counts[name]} {words.lower()}" for name, words in _VERDICTS.items() if name in counts
    ]
    tell(f"{count(found.rows.height, 'sitting')}: {', '.join(told) or 'nothing to compare'}")


def say_sheets(made: "Sheets") -> None:
    """Print which meters are due and where their sheets are."""
    tell(f"{count(len(made.meters), 'meter')} due by {day(made.due_by)}")
    for meter_id in made.meters:
        tell(f"  {_printable(meter_id)}")
    tell(f"Pages: {made.page}; {count(made.files, 'file')} to fill in beside it")


def _printable(text: str) -> str:
    """Return text that cannot break the layout of a terminal."""
    return visible(text)
