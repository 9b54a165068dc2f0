"""This module puts in place of ditto signs, merged cells and blanks what stands above them."""

from collections.abc import Mapping

from drift.intake.layouts.cells import Value, shown
from drift.intake.layouts.column_values import VALUES, CellColumn
from drift.intake.layouts.companions import Emitter
from drift.intake.layouts.tables import Line, Table
from drift.intake.layouts.words import DITTO

# Columns of a row that say whose and when it is; a blank may mean what stands above.
_CARRIED = ("meter", "date", "stage", "label", "point", "correct")
_VISIT = ("operator", "vessel", "temperature")


def undo_dittos(
    table: Table,
    line: Line,
    above: Mapping[int, Value],
    *,
    used: set[tuple[str, ...]],
    emitter: Emitter,
) -> None:
    """Put what stands above in place of ditto signs, merged cells and blanks."""
    for at, value in list(line.cells.items()):
        if isinstance(value, str) and value.strip().casefold() in DITTO:
            if at in above:
                line.cells[at] = above[at]
                table.mark(line.row, at, "read", f"as above: {shown(above[at])}")
            else:
                del line.cells[at]
                table.mark(line.row, at, "unread", "a ditto sign below nothing")
    for r0, c0, r1, _ in table.sheet.merged:
        if r0 < line.row <= r1 and c0 in above and c0 not in line.cells:
            line.cells[c0] = above[c0]
            line.carried.add(c0)
    keys = [column for column in table.columns if column.holds in _CARRIED]
    own = [column for column in keys if column.at in line.cells and column.at not in line.carried]
    if any(column.holds in {"meter", "date"} for column in own):
        used.clear()
    blank = [column for column in keys if column.at not in line.cells and column.at in above]
    if blank and any(column.at in line.cells for column in table.holding(*VALUES)):
        _carry(table, line, above, used=used, blank=blank, emitter=emitter)
    used.add(_row_key(table, line))


def _carry(
    table: Table,
    line: Line,
    above: Mapping[int, Value],
    *,
    used: set[tuple[str, ...]],
    blank: list[CellColumn],
    emitter: Emitter,
) -> None:
    """Take blanks for what stands above where the row then is one of the same visit, and new."""
    wide = len(table.holding(*VALUES)) > 1 and not table.holding(
        "stage", "label", "point", "correct", "replicate"
    )
    trial = Line(line.row, {**line.cells, **{column.at: above[column.at] for column in blank}})
    answer = emitter.answers.get("blanks", sheet=table.sheet.name)
    certain = not wide and _row_key(table, trial) not in used and _row_key(table, line) != ()
    if not certain and answer is None:
        if any(column.holds in {"meter", "date"} for column in blank):
            emitter.answers.ask(
                "blanks",
                f"“{blank[0].title}” is blank where a row has readings",
                (f"as_above: {shown(above[blank[0].at])}", "missing: the row is passed over"),
                table.place(line.row, blank[0].at),
            )
        return
    if certain or answer == "as_above":
        for column in blank:
            line.cells[column.at] = above[column.at]
            line.carried.add(column.at)
        emitter.rows.notes["a blank date, meter, stage or point was read as the one above it"] += 1
        for column in table.holding(*_VISIT):
            if column.at not in line.cells and column.at in above:
                line.cells[column.at] = above[column.at]


def _row_key(table: Table, line: Line) -> tuple[str, ...]:
    """Return what tells a row from others of its visit."""
    return tuple(
        shown(line.cells.get(column.at)).casefold()
        for column in table.columns
        if column.holds in {"stage", "label", "point", "correct", "replicate"}
    )
