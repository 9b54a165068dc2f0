"""This module holds kinds of arguments: days as people write them, meters and signals by name."""

import csv
import sys
from datetime import date, datetime
from pathlib import Path

import click
from click.shell_completion import CompletionItem

from drift.ids import did_you_mean

# Where reviews stand unless another folder was asked for.
_REVIEWS = ("review", "reviews")


class Day(click.ParamType[datetime]):
    """A day as people write it; what can be read in two ways is asked, or refused with both."""

    name = "date"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> datetime:
        """Return the day that is meant."""
        if isinstance(value, datetime):
            return value
        found = _days_meant(str(value).strip())
        if not found:
            self.fail(f"{value!r} is not a day such as 2026-10-01 or 1 Oct 2026", param, ctx)
        day = found[0] if len(found) == 1 else _asked(str(value), found)
        if day is None:
            both = " or ".join(f"{one:%Y-%m-%d}" for one in found)
            self.fail(f"{value!r} may be {both}; write one of them", param, ctx)
        return datetime(day.year, day.month, day.day)  # noqa: DTZ001 (a day, in no zone)


class OneOf(click.Choice[str]):
    """One of a few words; of a slip the message gives the word that is meant."""

    def get_invalid_choice_message(self, value: object, ctx: click.Context | None) -> str:
        """Return what is wrong with a word."""
        said = super().get_invalid_choice_message(value, ctx)
        return f"{said} {did_you_mean(str(value), self.choices)}".rstrip()


class Meter(click.ParamType[str]):
    """The id of a meter; completed from the last review that is found here."""

    name = "id"

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Return the meters that begin so, each with its standing."""
        del ctx, param
        return _begun("meters.csv", "meter_id", "standing", incomplete)


class Signal(click.ParamType[str]):
    """The id of a signal; completed from the last review that is found here."""

    name = "id"

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Return the signals that begin so, each with what was seen."""
        del ctx, param
        return _begun("signals.csv", "signal_id", "sentence", incomplete)


def _days_meant(text: str) -> list[date]:
    """Return the days that a text may mean; none where it is no day."""
    if text.casefold() == "today":
        return [date.today()]  # noqa: DTZ011 (the laboratory's own day)
    from drift.intake.layouts.days import placed_days, written  # noqa: PLC0415

    said = written(text)
    if said is None:
        return []
    if said.year and said.month and said.day:
        return [date(said.year, said.month, said.day)]
    # A year in front has four digits here: nobody types a day that way round with two.
    found = {placed_days(said, order) for order in ("day_first", "month_first")}
    return sorted(day for day in found if day is not None)


def _asked(text: str, found: list[date]) -> date | None:
    """Ask at a terminal which of two days is meant; None where nobody is there to ask."""
    if not sys.stdin.isatty():
        return None
    choices = click.Choice([f"{one:%Y-%m-%d}" for one in found])
    return date.fromisoformat(click.prompt(f"{text} may be two days; which", type=choices))


def _begun(file: str, column: str, beside: str, begun: str) -> list[CompletionItem]:
    """Return what a column of the newest review's data file holds that begins so, in any case."""
    kept = [
        path
        for folder in _REVIEWS
        for path in (*Path(folder).glob(f"*/data/{file}"), Path(folder, "data", file))
        if path.is_file()
    ]
    if not kept:
        return []
    newest = max(kept, key=lambda path: path.stat().st_mtime)
    with newest.open(encoding="utf-8", newline="") as lines:
        rows = [(row[column], row[beside]) for row in csv.DictReader(lines)]
    told = {name: help_ for name, help_ in rows if name.casefold().startswith(begun.casefold())}
    return [CompletionItem(name, help=help_) for name, help_ in told.items()]
