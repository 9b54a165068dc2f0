"""This module reads text files of records into sheets, whatever their delimiter and encoding."""

import csv
import re
from pathlib import Path

from drift.errors import SourceError
from drift.intake.encoding import BLANKS, STRAY, fingerprint
from drift.intake.layouts.cells import Sheet, Value

TEXT_SUFFIXES = (".csv", ".tsv", ".txt")
_SPACES = re.compile(r"\s{2,}")
_SEEN_LINES = 200
_MANY_NULS = 0.1


def read_text(path: Path) -> Sheet:
    """Return a text file as one sheet of texts.

    Raises
    ------
    SourceError
        If it cannot be opened.
    """
    try:
        mark = fingerprint(path)
        content = path.read_bytes()
    except OSError as error:
        raise SourceError(
            what=f"cannot be read ({error.strerror})", where=str(path), expected="a readable file"
        ) from error
    if mark.encoding != "utf-16" and mark.nul_share > _MANY_NULS:
        return Sheet(file=path.name, name="", rows=[], refusal="it is not text")
    text = content.decode(mark.encoding, errors="replace").replace(STRAY, "\ufffd")
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    delimiter = _delimiter(lines)
    split = _split(lines, delimiter)
    rows: list[list[Value]] = [_trimmed(cells) for cells in split]
    while rows and not rows[-1]:
        rows.pop()
    return Sheet(file=path.name, name="", rows=rows, refusal="" if any(rows) else "it is empty")


def _split(lines: list[str], delimiter: str) -> list[list[str]]:
    """Return lines as cells; a quoted cell that runs over lines leaves empty rows for them."""
    if not delimiter:
        return [_SPACES.split(line.strip()) for line in lines]
    rows: list[list[str]] = []
    reader = csv.reader((line + "\n" for line in lines), delimiter=delimiter)
    try:
        for cells in reader:
            while len(rows) < reader.line_num - 1:
                rows.append([])
            if len(rows) < reader.line_num:
                rows.append(cells)
            else:
                rows[-1] = cells
    except csv.Error:
        return [line.split(delimiter) for line in lines]
    return rows


def _trimmed(cells: list[str]) -> list[Value]:
    """Return cells trimmed, None where empty, without what is empty at the end."""
    row: list[Value] = [cell.strip(BLANKS + "\r\n") or None for cell in cells]
    while row and row[-1] is None:
        row.pop()
    return row


def _delimiter(lines: list[str]) -> str:
    """Return the delimiter that splits most lines into the same number of cells.

    Decimal commas make a bad delimiter of the comma: lines that semicolons, tabs or bars split as
    evenly are split by those.  Empty where only runs of blanks do.
    """
    seen = [line for line in lines if line.strip()][:_SEEN_LINES]
    best, most = "", 0.0
    for delimiter in (";", "\t", "|", ","):
        counts = [len(cells) for cells in csv.reader(seen, delimiter=delimiter) if len(cells) > 1]
        if not counts:
            continue
        share = len(counts) / len(seen)
        usual = max(set(counts), key=counts.count)
        evenness = counts.count(usual) / len(counts)
        worth = share * evenness * usual
        if worth > most:
            best, most = delimiter, worth
    if most >= 1.0:
        return best
    even = [len(_SPACES.split(line.strip())) for line in seen]
    return "" if even and sum(count > 2 for count in even) * 2 > len(even) else (best or ",")
