"""This module reads cells of a round's workbook, typed or as texts in the form of a country."""

from collections.abc import Iterable
from datetime import date, datetime

from drift.intake.column import CellKind
from drift.intake.layouts.cells import CellPlace, Sheet, Value, shown
from drift.intake.layouts.days import WrittenDay, orders, placed_days, written
from drift.intake.layouts.numbers import figure_of, plain_number

# Units that a figure may bear where its column says which it is in.
_SILENT_UNITS = {"", "%", "c", "kpa", "psi"}
_ANSWERS = {"yes": "yes", "no": "no", "ja": "yes", "nein": "no", "oui": "yes", "non": "no"}
# Dates with dots put the day first wherever they are written (common practice, no source).
_DOTS = "three figures with ."


class BookDays:
    """The dates of a workbook: texts of one form are in one order, told by all of them together."""

    def __init__(self, sheets: Iterable[Sheet], *, today: date) -> None:
        self._open: dict[str, list[WrittenDay]] = {}
        self._shown: dict[str, str] = {}
        for sheet in sheets:
            for row in sheet.rows:
                for value in row:
                    day = written(value) if isinstance(value, str) else None
                    if day is not None and day.pair is not None and day.pair[2] != -1:
                        self._open.setdefault(day.form, []).append(day)
                        self._shown.setdefault(day.form, str(value))
        self._orders = {}
        for form, days in self._open.items():
            found = orders(((day, None, None) for day in days), today=today)
            if form.startswith(_DOTS) and "day_first" in found:
                found = ["day_first"]
            self._orders[form] = found

    def read(self, value: Value, *, epoch_1904: bool) -> str:
        """Return a date in ISO 8601, as it stands where it cannot be told."""
        day = written(value, epoch_1904=epoch_1904)
        if day is None:
            return shown(value)
        if day.year and day.month and day.day:
            return date(day.year, day.month, day.day).isoformat()
        readings = {placed_days(day, order) for order in self._orders.get(day.form, [])}
        only = readings.pop() if len(readings) == 1 else None
        return only.isoformat() if only else shown(value)

    def notes(self) -> list[str]:
        """Return a sentence for each form of dates whose order nothing tells."""
        return [
            f"{self._shown[form]} may have the day or the month first: write such dates as "
            "2026-04-20, or as dates of the spreadsheet."
            for form, found in self._orders.items()
            if len(found) > 1
            and any(
                len({placed_days(day, order) for order in found}) > 1 for day in self._open[form]
            )
        ]


def round_cell(
    sheet: Sheet, place: CellPlace, *, kind: CellKind | str, words: tuple[str, ...], days: BookDays
) -> str:
    """Return a cell as a table holds it; what it cannot be stays as it is, to be held back.

    Parameters
    ----------
    sheet : Sheet
        Where it stands.
    place : tuple of int
        Row and column, from 0.
    kind : str
        What the column holds.
    words : tuple of str
        The words that it may hold, none where any text may stand.
    days : BookDays
        How dates of this workbook are written.
    """
    value = sheet.at(*place)
    if value is None:
        return ""
    if kind == "date":
        return days.read(value, epoch_1904=sheet.epoch_1904)
    if kind in {"number", "whole", "answer"}:
        return _figure(value, percent=place in sheet.percent, is_answer=kind == "answer")
    if isinstance(value, datetime):
        value = value.date()
    text = " ".join(shown(value).split())
    folded = "_".join(text.casefold().split())
    return folded if folded in {word.casefold() for word in words} else text


def _figure(value: Value, *, percent: bool, is_answer: bool) -> str:
    """Return a figure as a table holds it."""
    if is_answer and isinstance(value, bool):
        return "yes" if value else "no"
    if is_answer and isinstance(value, str) and value.casefold() in _ANSWERS:
        return _ANSWERS[value.casefold()]
    found = figure_of(value, percent=percent)
    if found.kind == "nothing":
        return ""
    alone = len(found.found) == 1 and not found.left and not found.aside
    if found.kind == "numbers" and alone and found.unit in _SILENT_UNITS:
        return plain_number(found.found[0])
    return shown(value)
