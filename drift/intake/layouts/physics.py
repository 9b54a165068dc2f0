"""This module asks about columns whose figures do not fit what a dial shows."""

from drift.intake.layouts.cells import shown
from drift.intake.layouts.column_values import NEAR_PCT, VALUES
from drift.intake.layouts.companions import Emitter
from drift.intake.layouts.headers import look_at
from drift.intake.layouts.numbers import figure_of
from drift.intake.layouts.tables import Table

_HIGHEST = 30.0


def ask_unknown(table: Table, emitter: Emitter) -> None:
    """Ask what columns hold that are not known and, by their figures, may be of readings."""
    if not table.holding(*VALUES, "date", "meter", "stage"):
        return
    for column in table.holding("unknown"):
        rows = [
            row
            for row in range(table.region.first, table.region.last)
            if look_at(table.sheet.at(row, column.at)).kind == "number"
        ]
        figures = [
            number for row in rows for number in figure_of(table.sheet.at(row, column.at)).found
        ]
        if not _like_readings(figures, beside=bool(table.holding(*VALUES))):
            continue
        for row in rows:
            key = f"columns.{column.title}"
            emitter.answers.ask(
                key,
                f"nothing says what “{column.title}” holds, such as "
                f"{shown(table.sheet.at(row, column.at))}",
                (
                    "reading: what the dial showed",
                    "correct: correct air content",
                    "ignored: neither",
                ),
                table.place(row, column.at),
            )
            table.mark(row, column.at, "unread", f"waits for an answer: {key}")


def _like_readings(figures: list[float], *, beside: bool) -> bool:
    """Say whether figures of a column may be readings; beside such ones, only with decimals."""
    in_range = bool(figures) and all(-2.0 <= figure <= _HIGHEST for figure in figures)
    return in_range and (not beside or any(figure != int(figure) for figure in figures))


def check_physics(table: Table, emitter: Emitter, before: int) -> None:
    """Take back the readings of a column most of which lie far from their correct air content.

    Then it is not what its header seems to say, and a person is asked.
    """
    made = emitter.rows.readings[before:]
    far: set[int] = set()
    for column in table.holding(*VALUES):
        own = [
            abs(reading.reading_air_pct - reading.correct_air_pct) > NEAR_PCT
            for reading in made
            if reading.column == column.at
            and reading.reading_air_pct is not None
            and reading.correct_air_pct is not None
        ]
        if own and 2 * sum(own) > len(own):
            far.add(column.at)
            key = f"columns.{column.title}"
            emitter.answers.ask(
                key,
                f"most figures of “{column.title}” lie more than {NEAR_PCT} % from the correct "
                f"air content",
                (
                    "ignored: they are no readings",
                    "reading at 5 %: with the point that they are of",
                ),
                next(reading.place for reading in made if reading.column == column.at),
            )
    for reading in made:
        if reading.column in far:
            table.unmark(
                reading.at, "lies too far from the correct air content to be a reading of it"
            )
    emitter.rows.readings[before:] = [reading for reading in made if reading.column not in far]
