"""This module finds what a record that cannot be used still says of itself."""

from collections.abc import Iterable

from drift.intake.encoding import BLANKS, STRAY
from drift.intake.records import Record

# Columns that say of which day a row of a meter is.
_DAYS = ("performed_on", "tested_on", "recorded_on", "in_service_on")


def named(
    rows: Iterable[Record], names: tuple[str | None, ...]
) -> dict[int, tuple[str, str | None]]:
    """Return the meter and the day that records of the wrong form name, where they can be read.

    Parameters
    ----------
    rows : iterable of Record
        With a problem each.
    names : tuple of (str or None)
        Column of each field of their file; None for one that is ignored.

    Returns
    -------
    dict of int to (str, str or None)
        By line the meter and the day as written, None for a day that cannot be read.  A record
        whose meter is damaged names none.
    """
    found = {}
    for record in rows:
        # Cells before the one too many stand under their own heads.
        cells = {
            name: cell.strip(BLANKS + '"')
            for name, cell in zip(names, record.cells, strict=False)
            if name and not {STRAY, "\0"} & set(cell)
        }
        day = next((cells[name] for name in _DAYS if cells.get(name)), None)
        if cells.get("meter_id"):
            found[record.line] = (cells["meter_id"], day)
    return found
