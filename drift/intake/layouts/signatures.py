"""This module says by what a layout is known again, and what its columns hold in words."""

from drift.intake.layouts.answers import Answers
from drift.intake.layouts.column_values import CellColumn
from drift.intake.layouts.columns import take_declared
from drift.intake.layouts.numbers import plain_number
from drift.intake.layouts.tables import Table
from drift.intake.layouts.words import folded_words

Signature = tuple[str, ...]


def title_of(column: CellColumn) -> str:
    """Return the title of a column; days and meters in headers are not the same next time."""
    if column.day is not None:
        return "a day"
    return "a meter" if column.meter else folded_words(column.title)


def signature_of(table: Table) -> Signature:
    """Return by what a table of the same layout is known again: titles, but not days and meters."""
    return tuple(dict.fromkeys(title_of(column) for column in table.columns if column.title))


def phrase_of(column: CellColumn) -> str:
    """Return what a column holds in words that `facts_of` reads again."""
    if column.holds in {"ignored", "unknown"}:
        return "ignored"
    words = [column.holds.replace("_", " ")]
    facts = column.facts
    if facts.stage:
        words.append(facts.stage.replace("_", " "))
    if facts.point_pct is not None:
        words.append(f"{plain_number(facts.point_pct)} %")
    if facts.replicate is not None:
        words.append(f"trial #{facts.replicate}")
    if facts.unit:
        words.append({"c": "°C", "f": "°F"}.get(facts.unit, facts.unit))
    return ", ".join(words)


def take_known(table: Table, answers: Answers) -> None:
    """Read a table as its layout was accepted before, and ask where it is of none of these."""
    signature = signature_of(table)
    known = answers.tables.get(signature)
    if known is None:
        if answers.accepted and answers.get("layouts.new") != "accept":
            answers.ask(
                "layouts.new",
                f"a table of a layout that was not there before: {', '.join(signature)[:200]}",
                ("accept: read it as proposed", "or set sheets.NAME=skip"),
                table.place(table.region.first, 0),
            )
        return
    for column in table.columns:
        said = known.get(title_of(column))
        if said is not None and said != phrase_of(column):
            take_declared(column, said)
