"""This module lets the library read the lines of CSV files, and of no others in their place."""

import re
from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl

from drift.frames import Schema
from drift.intake.encoding import FileLines
from drift.intake.files import SourceFile
from drift.intake.records import LONGEST_RECORD_LINES
from drift.store.connection import Connection, run

_FILES_READ: Schema = {
    "place": pl.String,
    "file_no": pl.Int32,
    "lines_before": pl.Int64,
    "header_end": pl.Int64,
    "mark": pl.String,
    "fields": pl.Int64,
    "strays": pl.Boolean,
}
# Records of files of so many bytes are split once and kept: to ask for them again and again takes
# longer than to split them.
_KEPT_BYTES = 1 << 20
# No line holds it, so that each line is one cell.
_NEVER_IN_A_LINE = "\n"


@dataclass(frozen=True, slots=True)
class Arriving:
    """A file about to be read.

    Attributes
    ----------
    file_no : int
        Its number in the store.
    file : SourceFile
        What was found out about it.
    lines : Lines
        Its lines, of itself or of a decoded copy.
    """

    file_no: int
    file: SourceFile
    lines: FileLines

    @property
    def below_header(self) -> int:
        """Lines below its header."""
        return self.lines.count - self.file.header_end

    @property
    def may_be_rounded(self) -> bool:
        """Whether it may hold numbers with more decimals than the store keeps."""
        return self.file.mark.long_digits or not self.file.mark.is_read_as_it_is


def view_records(con: Connection, batch: list[Arriving], *, is_first: bool) -> None:
    """Make the views ``file_lines``, ``records`` and ``cells`` over some files.

    Parameters
    ----------
    con : Connection
        An open store; the views are temporary.
    batch : list of Arriving
        Files with a header and at least one line below it.
    is_first : bool
        Whether nothing was read of this load yet: later files are read through the same views.
    """
    lines = con.read_csv(
        [literal(arriving.lines.path) for arriving in batch],
        header=False,
        auto_detect=False,
        hive_partitioning=False,
        compression="none",
        filename=True,
        columns={"text": "VARCHAR"},
        sep=_NEVER_IN_A_LINE,
        quotechar="",
        escapechar="",
        max_line_size=max(arriving.lines.longest for arriving in batch) + 2,
    )
    con.register("lines_read", lines)
    before, rows = 0, []
    for arriving in batch:
        file = arriving.file
        rows.append(
            (
                str(arriving.lines.path.absolute()),
                arriving.file_no,
                before,
                file.header_end,
                file.delimiter,
                len(file.names),
                file.mark.strays > 0,
            )
        )
        before += arriving.lines.count
    con.register("files_read", pl.DataFrame(rows, schema=_FILES_READ, orient="row"))
    run(con, "stage_lines" if is_first else "begin_lines")
    if any(arriving.file.mark.quotes for arriving in batch):
        run(con, "join_lines", longest=LONGEST_RECORD_LINES)
    is_small = sum(arriving.file.size for arriving in batch) <= _KEPT_BYTES
    run(con, "keep_cells" if is_small else "view_cells")


def view_table(con: Connection, *, names: tuple[str | None, ...], columns: list[str]) -> None:
    """Make the view ``staged`` of the records that could be split, over the view ``cells``.

    Parameters
    ----------
    con : Connection
        An open store; the view is temporary.
    names : tuple of (str or None)
        Column that each field holds, in their order; None for one that is ignored.
    columns : list of str
        Further columns of the view, all text; null throughout where the files have no such field.
    """
    nothing = duckdb.ConstantExpression(None).cast(duckdb.sqltypes.VARCHAR)
    empty = duckdb.ConstantExpression("")
    cells = duckdb.ColumnExpression("cells")

    def cell(column: str) -> duckdb.Expression:
        if column not in names:
            return nothing.alias(column)
        position = duckdb.ConstantExpression(names.index(column) + 1)
        text = duckdb.FunctionExpression("list_extract", cells, position)
        return duckdb.FunctionExpression("nullif", text, empty).alias(column)

    whole = con.view("cells").filter(duckdb.ColumnExpression("problem").isnull())
    con.register("rows_read", whole.select("file_no", "line", *map(cell, columns)))
    run(con, "stage_batch")


def literal(path: Path) -> str:
    """Return a path that the library takes for that file alone.

    It reads a path as a pattern, in which a sign within brackets stands for itself; one that begins
    with the name of a protocol is none where it is whole.
    """
    return re.sub(r"([*?\[])", r"[\1]", str(path.absolute()))
