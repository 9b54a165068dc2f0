"""This module splits the first record of a file, its header."""

import csv
from collections.abc import Iterable
from dataclasses import dataclass

from drift.intake.encoding import BLANKS, STRAY

# A quoted cell that runs on for longer than this was never closed.
LONGEST_RECORD_LINES = 200
NOT_CLOSED = "a quote opened on this line is not closed where its cell ends"


@dataclass(frozen=True, slots=True)
class FileRecord:
    """One record of a file.

    Attributes
    ----------
    line, end : int
        Numbers of its first and its last line, from 1.
    cells : tuple of str
        Its cells, trimmed; empty where it could not be split.
    problem : str
        Why it cannot be used; empty where it can.
    """

    line: int
    end: int
    cells: tuple[str, ...]
    problem: str = ""


def first_record(lines: Iterable[str], *, delimiter: str) -> FileRecord | None:
    """Return the first record that has content; None where there is none.

    Parameters
    ----------
    lines : iterable of str
        Physical lines with their endings, as a file opened with ``newline=""`` yields them.
    delimiter : str
        One character.
    """
    block: list[str] = []
    for number, line in enumerate(lines, start=1):
        block.append(line)
        first = number - len(block) + 1
        try:
            (cells,) = csv.reader(block, delimiter=delimiter, strict=True)
        except csv.Error as error:
            if "unexpected end of data" not in str(error):
                problem = NOT_CLOSED if len(block) > 1 else f"its quotes are wrong ({error})"
                return FileRecord(line=first, end=first, cells=(), problem=problem)
            if len(block) == LONGEST_RECORD_LINES:
                break
            continue
        trimmed = tuple(cell.strip(BLANKS + "\r\n") for cell in cells)
        if any(trimmed):
            return FileRecord(line=first, end=number, cells=trimmed, problem=_damage(block))
        block = []
    if not block:
        return None
    first = number - len(block) + 1
    return FileRecord(line=first, end=first, cells=(), problem=NOT_CLOSED)


def _damage(block: list[str]) -> str:
    """Return how the bytes of a record show that they are damaged; empty where they do not."""
    text = "".join(block)
    if "\0" in text:
        return "holds a NUL character: the file is damaged here"
    if STRAY in text:
        return "holds bytes that are no text in the encoding of the file: it is damaged here"
    return ""
