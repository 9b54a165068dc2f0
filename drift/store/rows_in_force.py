"""This module finds rows in force by what they say, or by where they came from."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal, InvalidOperation

import duckdb

from drift.errors import DriftError
from drift.format import decimal_text, words_of
from drift.ids import did_you_mean
from drift.intake.column import Column
from drift.intake.columns import TABLES
from drift.store.connection import Connection

# Stands between the parts of a key as a journal keeps it.
KEY_MARK = " · "


@dataclass(frozen=True, slots=True)
class RowInForce:
    """One row in force.

    Attributes
    ----------
    table : str
        Its input table.
    file_no, line : int
        Where it came from; the number of the file in its store.
    row : str
        What makes it that row, as a journal keeps it; `row_words` says it to a reader.
    cells : dict of str to str
        Its columns as they are written.
    """

    table: str
    file_no: int
    line: int
    row: str
    cells: Mapping[str, str]


def rows_where(
    con: Connection,
    table: str,
    *,
    cells: Mapping[str, str],
    point: str = "",
    at: tuple[str, int] | None = None,
) -> list[RowInForce]:
    """Return the rows in force of a table that have given cells, in the order of their keys.

    Parameters
    ----------
    con : Connection
        An open store.
    table : str
        An input table.
    cells : mapping of str to str
        What columns say; an empty text for an empty cell.
    point : str
        Nominal point of readings, % air; empty for any.
    at : tuple of (str, int) or None
        Name of a file as the store lists it, and a line of it.

    Raises
    ------
    DriftError
        If there is no such table or column, or a cell cannot be read.
    """
    found = con.view(f"{table}_in_force")
    columns = {column.name: column for column in TABLES[table]}
    for name, text in cells.items():
        value = _value(_column(columns, name, table=table), text)
        named = duckdb.ColumnExpression(name)
        is_it = named.isnull() if value is None else named == duckdb.ConstantExpression(value)
        found = found.filter(is_it)
    if point:
        nominal = duckdb.FunctionExpression("round", duckdb.ColumnExpression("correct_air_pct"))
        number = _number("point", point)
        found = found.filter(nominal == duckdb.ConstantExpression(round(number)))
    if at is not None:
        label, line = at
        labels = con.view("file_labels").filter(
            duckdb.ColumnExpression("label") == duckdb.ConstantExpression(label)
        )
        numbers = [number for number, _ in labels.fetchall()]
        found = found.filter(
            duckdb.ColumnExpression("line") == duckdb.ConstantExpression(line)
        ).filter(
            duckdb.ColumnExpression("file_no").isin(
                *(duckdb.ConstantExpression(number) for number in [*numbers, -1])
            )
        )
    return _rows_of(table, found)


def ids_in(con: Connection, table: str, column: str) -> list[str]:
    """Return the texts that a column of a table has in force, each once and in order."""
    columns = {one.name: one for one in TABLES[table]}
    _column(columns, column, table=table)
    rows = con.view(f"{table}_in_force").select(column).distinct().fetchall()
    return sorted(str(text) for (text,) in rows if text is not None)


def _rows_of(table: str, found: duckdb.DuckDBPyRelation) -> list[RowInForce]:
    """Return the rows of a relation over a table, in the order of their keys."""
    names = found.columns
    rows = [dict(zip(names, values, strict=True)) for values in found.fetchall()]
    rows.sort(key=lambda row: (row["row_key"], row["file_no"], row["line"]))
    return [
        RowInForce(
            table=table,
            file_no=row["file_no"],
            line=row["line"],
            row=row["row_key"].replace("\0", KEY_MARK),
            cells={column.name: cell_text(row[column.name]) for column in TABLES[table]},
        )
        for row in rows
    ]


def rows_named(con: Connection, table: str, names: Sequence[str]) -> dict[str, list[RowInForce]]:
    """Return the rows in force of a table by what makes them those rows."""
    found = con.view(f"{table}_in_force").filter(
        duckdb.FunctionExpression(
            "replace",
            duckdb.ColumnExpression("row_key"),
            duckdb.FunctionExpression("chr", duckdb.ConstantExpression(0)),
            duckdb.ConstantExpression(KEY_MARK),
        ).isin(*(duckdb.ConstantExpression(name) for name in names))
    )
    by_name: dict[str, list[RowInForce]] = {name: [] for name in names}
    for row in _rows_of(table, found):
        by_name[row.row].append(row)
    return by_name


def row_words(table: str, row: str) -> str:
    """Return what makes a row that row, as a person reads it.

    A sitting without a name of its own is named by its day: what is said already is left out.
    """
    parts = row.split(KEY_MARK)
    told = [part for part, before in zip(parts, ["", *parts], strict=False) if part != before]
    if table == "readings":
        *rest, stage, point, number = told
        told = [*rest, f"{words_of(stage)} at {point} %", f"reading {number}"]
    return f"{table}: {', '.join(told)}"


def cell_text(value: object) -> str:
    """Return a value as a person writes it: no zeros at the end of a number."""
    if value is None:
        return ""
    if isinstance(value, Decimal):
        return decimal_text(value)
    return value.isoformat() if isinstance(value, date) else str(value)


def _column(columns: Mapping[str, Column], name: str, *, table: str) -> Column:
    """Return a column of a table, or raise where there is none."""
    if name not in columns:
        raise DriftError(
            what=f"has no column {name!r}",
            where=table,
            expected=f"one of {', '.join(columns)}",
            hint=did_you_mean(name, columns),
        )
    return columns[name]


def _value(column: Column, text: str) -> object:
    """Return what a cell says, None where it is empty."""
    if not text:
        return None
    if column.kind == "date":
        try:
            return date.fromisoformat(text)
        except ValueError:
            raise DriftError(
                what=f"{text!r} is no date", where=column.name, expected="a day such as 2024-01-31"
            ) from None
    if column.kind in {"number", "whole"}:
        return _number(column.name, text)
    return text


def _number(name: str, text: str) -> Decimal:
    """Return a number that a person wrote."""
    try:
        number = Decimal(text)
    except InvalidOperation:
        number = Decimal("NaN")
    if not number.is_finite():
        raise DriftError(what=f"{text!r} is no number", where=name, expected="a number such as 5.1")
    return number
