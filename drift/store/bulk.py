"""This module lets DuckDB read one large CSV file, named so that it can be no other."""

import re
from pathlib import Path

import duckdb

from drift.store.connection import Connection


def view_plain_file(
    con: Connection,
    path: Path,
    *,
    file_no: int,
    delimiter: str,
    names: tuple[str | None, ...],
    columns: list[str],
) -> None:
    """Make the view ``plain_cells`` over a CSV file that needs no cleaning.

    Parameters
    ----------
    con : Connection
        An open store; the view is temporary.
    path : Path
        The file.
    file_no : int
        Its number, a column of the view.
    delimiter : str
        Between its cells.
    names : tuple of (str or None)
        Column that each of its fields holds, in their order; None for one that is ignored.
    columns : list of str
        Further columns of the view, all text; null throughout where the file has no such field.
    """
    fields = [name or f"ignored {position}" for position, name in enumerate(names)]
    cells = con.read_csv(
        literal(path),
        header=True,
        auto_detect=False,
        hive_partitioning=False,
        compression="none",
        columns=dict.fromkeys(fields, "VARCHAR"),
        sep=delimiter,
        quotechar='"',
        escapechar='"',
    )
    nothing = duckdb.ConstantExpression(None).cast(duckdb.sqltypes.VARCHAR)
    chosen = [
        duckdb.ColumnExpression(column) if column in names else nothing.alias(column)
        for column in columns
    ]
    number = duckdb.ConstantExpression(file_no).cast(duckdb.sqltypes.INTEGER).alias("file_no")
    con.register("plain_cells", cells.select(number, *chosen))


def literal(path: Path) -> str:
    """Return a path that the library takes for that file alone.

    It reads a path as a pattern, in which a sign within brackets stands for itself; one that begins
    with the name of a protocol is none where it is whole.
    """
    return re.sub(r"([*?\[])", r"[\1]", str(path.absolute()))
