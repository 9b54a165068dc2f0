"""This module keeps the values in force in columns that a file lacks."""

from itertools import groupby

from drift.intake.files import SourceFile
from drift.store.connection import Connection, run


def fill_absent(
    con: Connection, table: str, *, files: dict[int, SourceFile], about: dict[str, object]
) -> None:
    """Give the rows just saved to a table the values in force in columns that their files lack.

    Parameters
    ----------
    con : Connection
        A store within a transaction.
    table : str
        Name of an input table.
    files : dict of int to SourceFile
        The files that hold it, by their number in the store, in order.
    about : dict
        Parameters of queries on the table.
    """
    absent_somewhere = sorted(frozenset().union(*(file.absent for file in files.values())))
    is_first = about["first_file_no"] == 1 and len(files) == 1
    if is_first or not absent_somewhere:
        return
    asked = run(con, "columns_filled", absent=absent_somewhere, **about)
    filled = {name for (name,) in asked.fetchall()}
    groups = groupby(files.items(), key=lambda item: item[1].absent & filled)
    for absent, members in groups:
        numbers = [file_no for file_no, _ in members]
        if not absent:
            continue
        reach = {"from_file_no": numbers[0], "upto_file_no": numbers[-1]}
        run(con, "earlier_rows", **about, **reach)
        run(con, f"fill_{table}", absent=sorted(absent), **reach)
