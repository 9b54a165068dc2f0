"""This module tells what can be looked up: tables, data files, policy and commands."""

from collections.abc import Callable, Iterable

from drift import format as text
from drift.guide.texts import COMMANDS
from drift.intake.column import Column
from drift.intake.columns import TABLES
from drift.report.column_notes import COLUMN_NOTES, TABLE_NOTES
from drift.report.memo_notes import MEMO_NOTES
from drift.report.pages.rows import policy_rows
from drift.review.policy import Policy

_KINDS = {
    "text": "text",
    "date": "date",
    "number": "number",
    "whole": "whole number",
    "answer": "a number, yes or no",
}
_OF_TABLES = (
    "A source is a folder of CSV files, a workbook or a store file. A table is known by its "
    "header, not by its file's name; several files may hold one table. Dates are ISO 8601, such "
    "as 2026-03-31. Columns marked \\* must be there and filled."
)
_OF_DATA_FILES = (
    "A review writes these into `data/`, and the same tables into `review.xlsx`. Numbers have six "
    "significant digits; an empty cell means *not known*."
)
_OF_POLICY = (
    "A policy is a TOML file with any of these choices; what it does not give keeps its default. "
    "A name with a dot stands in a table: `intervals.target` is `target` below `[intervals]`. "
    "Every page prints the choices in force."
)


def reference_parts() -> dict[str, str]:
    """Return the parts of the reference that this program's own tables give.

    Returns
    -------
    dict of str to str
        Markdown by name of part.
    """
    parts: dict[str, Callable[[], str]] = {
        "tables": _tables,
        "data-files": _data_files,
        "policy": _policy,
        "commands": _commands,
    }
    return {name: tell() for name, tell in parts.items()}


def _tables() -> str:
    """Tell every input table and its columns."""
    told = [_OF_TABLES]
    for table, columns in TABLES.items():
        rows = [
            (
                f"`{column.name}`" + (" \\*" if column.required else ""),
                _KINDS[column.kind],
                _allowed(column),
                column.meaning,
            )
            for column in columns
        ]
        told += [f"## {table}", _table(("column", "holds", "allowed", "meaning"), rows)]
    return "\n\n".join(told)


def _allowed(column: Column) -> str:
    """Say which values a column may hold."""
    if column.choices:
        return ", ".join(f"`{choice}`" for choice in column.choices)
    bounds = (("from", column.low), ("to", column.high))
    return " ".join(f"{word} {text.typed(bound)}" for word, bound in bounds if bound is not None)


def _data_files() -> str:
    """Tell every data file of a review and its columns."""
    told = [_OF_DATA_FILES]
    files = {f"{table}.csv": (what, COLUMN_NOTES[table]) for table, what in TABLE_NOTES.items()}
    for file, (what, notes) in (files | MEMO_NOTES).items():
        rows = [(f"`{name}`", unit, meaning) for name, (unit, meaning) in notes.items()]
        told += [
            f"## {file}",
            f"{what[0].upper()}{what[1:]}.",
            _table(("column", "unit", "meaning"), rows),
        ]
    return "\n\n".join(told)


def _policy() -> str:
    """Tell every choice of a policy with its default."""
    rows = [(f"`{row.name}`", row.value, row.meaning) for row in policy_rows(Policy())]
    return f"{_OF_POLICY}\n\n{_table(('choice', 'unless given', 'meaning'), rows)}"


def _commands() -> str:
    """Tell every command with its options."""
    return COMMANDS.read_text(encoding="utf-8")


def _table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    """Return a table in Markdown."""
    lines = [head, tuple("---" for _ in head), *rows]
    return "\n".join(
        "| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |" for row in lines
    )
