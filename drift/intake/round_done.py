"""This module says what of a round's workbook is half done: begun, and not ended."""

from collections.abc import Iterator

from drift.format import count, listed
from drift.intake.round_tabs import POINT

# Two successive readings decide (from memory of the test method, to be checked against the current
# edition).
_FEWEST = 2
_MOST_NAMED = 8
_STAGES = ("as_found", "as_left")
# Cells of a row of readings that people fill in and that say nothing without a reading.
_STRAY = ("remarks",)


def half_done(rows: dict[str, dict[int, dict[str, str]]]) -> Iterator[str]:
    """Say of each meter that was begun what is still to be read, and which were not begun.

    Parameters
    ----------
    rows : dict of str to dict
        Rows by tab and by the number of their row, cells as texts.

    Yields
    ------
    str
        Sentences.
    """
    planned: dict[str, dict[tuple[str, str], int]] = {}
    for cells in rows["Readings"].values():
        meter, stage, at = (cells.get(name, "") for name in ("meter_id", "stage", POINT))
        if meter and stage in _STAGES:
            read = planned.setdefault(meter, {})
            read[stage, at] = read.get((stage, at), 0) + bool(cells.get("reading_air_pct"))
    worked = {
        cells.get("meter_id", "")
        for tab, wanted in (("Marks", ("moved",)), ("Work", ()))
        for cells in rows.get(tab, {}).values()
        if cells.get("action") and (not wanted or cells["action"] in wanted)
    }
    idle = []
    for meter, read in planned.items():
        if not any(read.values()):
            idle.append(meter)
            continue
        left = meter in worked or any(n for (stage, _), n in read.items() if stage == "as_left")
        for stage in _STAGES if left else _STAGES[:1]:
            yield from _of_stage(meter, stage, read)
    for number, cells in rows["Readings"].items():
        if any(cells.get(name) for name in _STRAY) and not cells.get("reading_air_pct"):
            yield f"Readings row {number}: remarks without a reading are left out."
    if idle:
        more = len(idle) - _MOST_NAMED
        named = idle[:_MOST_NAMED] + ([f"{more} more"] if more > 0 else [])
        yield f"Not begun: {count(len(idle), 'meter')} ({listed(named)})."


def _of_stage(meter: str, stage: str, read: dict[tuple[str, str], int]) -> Iterator[str]:
    """Say which points of a meter lack readings at one stage."""
    points = {at: n for (one, at), n in read.items() if one == stage}
    words = stage.replace("_", " ")
    lacking = [f"{at} %" for at, n in points.items() if n == 0]
    once = [f"{at} %" for at, n in points.items() if 0 < n < _FEWEST]
    if lacking:
        yield f"{meter}: not read {words} at {listed(lacking)}."
    if once:
        yield f"{meter}: read {words} once at {listed(once)}; two successive readings decide."
