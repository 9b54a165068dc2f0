"""This module splits text into records, each with its true line number."""

import csv
import re
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from drift.intake.encoding import BLANKS, STRAY

# A quoted cell that runs on for longer than this was never closed.
LONGEST_RECORD_LINES = 200
_BLANK = re.compile(f"[{BLANKS}]").search
NOT_CLOSED = "a quote opened on this line is not closed where its cell ends"


@dataclass(frozen=True, slots=True)
class Record:
    """One record of a file.

    Attributes
    ----------
    line : int
        Number of its first line, from 1.
    cells : tuple of str
        Its cells, trimmed; empty where it could not be split.
    problem : str
        Why it cannot be used; empty where it can.
    """

    line: int
    cells: tuple[str, ...]
    problem: str = ""


def records(lines: Iterable[str], *, delimiter: str, fields: int | None) -> Iterator[Record]:
    """Yield the records of a file; lines without any content are passed over.

    A quote that is opened and never closed would swallow the lines below it.  Such a line is
    given up alone and reading goes on with the next.

    Parameters
    ----------
    lines : iterable of str
        Physical lines with their endings, as a file opened with ``newline=""`` yields them.
    delimiter : str
        One character.
    fields : int or None
        Cells that each record must have; None for any number.
    """
    source = iter(lines)
    waiting: deque[str] = deque()
    line = 1
    while (first := _next_line(source, waiting=waiting)) is not None:
        if '"' in first:
            block, cells, problem = _quoted(first, source=source, waiting=waiting, mark=delimiter)
        else:
            block, cells, problem = [first], first.rstrip("\r\n").split(delimiter), ""
        if len(block) > 1 or _BLANK(first):
            cells = [cell.strip(BLANKS + "\r\n") for cell in cells]
        if not problem:
            problem = _problem(block, cells=cells, delimiter=delimiter, fields=fields)
            if problem and len(block) > 1:
                waiting.extendleft(reversed(block[1:]))
                block = block[:1]
                problem = NOT_CLOSED
        if problem or any(cells):
            yield Record(line=line, cells=tuple(cells), problem=problem)
        line += len(block)


def _quoted(
    first: str, *, source: Iterator[str], waiting: deque[str], mark: str
) -> tuple[list[str], list[str], str]:
    """Return the lines of the record that starts with `first`, its cells, and what is wrong."""
    block = [first]
    while True:
        try:
            (cells,) = csv.reader(block, delimiter=mark, strict=True)
        except csv.Error as error:
            if "unexpected end of data" not in str(error):
                problem = NOT_CLOSED if len(block) > 1 else f"its quotes are wrong ({error})"
                break
        else:
            return block, cells, ""
        if not _extend(block, source=source, waiting=waiting):
            problem = NOT_CLOSED
            break
    waiting.extendleft(reversed(block[1:]))
    # Cut at every delimiter, so that it can at least be told whose row it was.
    return block[:1], first.rstrip("\r\n").split(mark), problem


def _extend(block: list[str], *, source: Iterator[str], waiting: deque[str]) -> bool:
    """Add lines to `block` up to the next with a quote; return False where there is none."""
    while len(block) < LONGEST_RECORD_LINES:
        line = _next_line(source, waiting=waiting)
        if line is None:
            return False
        block.append(line)
        if '"' in line:
            return True
    return False


def _next_line(source: Iterator[str], *, waiting: deque[str]) -> str | None:
    """Return the next line, those given back first; None at the end."""
    return waiting.popleft() if waiting else next(source, None)


def _problem(block: list[str], *, cells: list[str], delimiter: str, fields: int | None) -> str:
    """Return what is wrong with a record that could be split; empty where nothing is."""
    if not any(cells):
        return ""
    if damage := _damage(block):
        return damage
    if fields is None:
        return ""
    if len(cells) != fields:
        noun = "cell" if len(cells) == 1 else "cells"
        return f"has {len(cells)} {noun} where the header has {fields}"
    # A cell that runs over a line which looks like a row of its own has swallowed it.
    for line in block[1:]:
        if line.split('"')[0].count(delimiter) >= max(fields - 1, 2):
            return NOT_CLOSED
    return ""


def _damage(block: list[str]) -> str:
    """Return how the bytes of a record show that they are damaged; empty where they do not."""
    for line in block:
        if "\0" in line:
            return "holds a NUL character: the file is damaged here"
        if not line.isascii() and STRAY in line:
            return "holds bytes that are no text in the encoding of the file: it is damaged here"
    return ""
