"""This module looks at the bytes of a file: checksum, encoding, regularity."""

import codecs
import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import numpy as np
from numpy.typing import NDArray

from drift.arrays import Flags

Positions = NDArray[np.intp]
Symbols = NDArray[np.uint8]

_CHUNK_BYTES = 1 << 22
# The bulk reader takes no longer ones.
_LONGEST_LINE_BYTES = 1 << 20
# Ten signs write a number with at most eight decimals after its point.
_SHORT_NUMBER = 10
# What may surround the content of a cell without being part of it.
BLANKS = " \t\v\f\u00a0\u2007\u202f\ufeff\u200b\u2060"
_RARE_BLANKS = tuple(blank.encode() for blank in BLANKS if blank != " ")
WESTERN = ("cp1252", "latin-1")
# Stands where bytes are no text; no encoding has it, so that no file can hold it.
STRAY = "\udfff"
_STRAYS = "drift.stray"
# A file is damaged UTF-8, and no Western text, where it holds one letter of UTF-8 for so many bytes
# that are none: Western letters form one by accident only in pairs such as "Ã©".
_STRAYS_A_LETTER = 10
_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


def _mark_stray(error: UnicodeError) -> tuple[str, int]:
    """Put `STRAY` in place of bytes that are no text, and go on behind them."""
    if isinstance(error, UnicodeDecodeError):
        return STRAY, error.end
    raise error


codecs.register_error(_STRAYS, _mark_stray)


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """What the bytes of a file say about it as a whole.

    Attributes
    ----------
    sha256 : str
        Of the bytes as they are.
    size : int
        Bytes.
    encoding : {"utf-8", "utf-8-sig", "utf-16", "cp1252", "latin-1"}
        By its byte order mark, else UTF-8 where it is that or was before it was damaged, else a
        Western one.
    nul_share : float
        Share of NUL bytes; large in UTF-16 without a byte order mark.
    strays : int
        Places where its bytes are no text in its encoding.
    """

    sha256: str
    size: int
    encoding: str
    nul_share: float
    strays: int = 0


def fingerprint(path: Path) -> Fingerprint:
    """Read a file once and say what it is, in memory that does not grow with it."""
    digest = hashlib.sha256()
    size = nuls = 0
    bom = ""
    decoder = codecs.getincrementaldecoder("utf-8")()
    unicode = True
    for chunk in _chunks(path):
        if size == 0:
            bom = next((name for mark, name in _BOMS if chunk.startswith(mark)), "")
        digest.update(chunk)
        size += len(chunk)
        nuls += chunk.count(0)
        unicode = unicode and _decodes(decoder, chunk)
    unicode = unicode and _decodes(decoder, b"", final=True)
    strays = 0
    if bom == "utf-16":
        strays, _ = _strays(path, encoding=bom)
    elif not unicode:
        strays, letters = _strays(path, encoding=bom or "utf-8")
        if not letters or strays > _STRAYS_A_LETTER * letters:
            bom, strays = WESTERN[0] if _is_cp1252(path) else WESTERN[1], 0
    return Fingerprint(
        sha256=digest.hexdigest(),
        size=size,
        encoding=bom or "utf-8",
        nul_share=nuls / max(size, 1),
        strays=strays,
    )


@contextmanager
def text_of(path: Path, *, encoding: str) -> Iterator[TextIO]:
    """Open a file as text, line ends as they are, behind its byte order mark.

    `STRAY` stands where bytes are no text.
    Bytes that are not UTF-8 make a file Western even behind the mark of UTF-8, which then reads as
    three letters before the first cell.
    """
    with path.open("rb") as file:
        marked = file.read(len(codecs.BOM_UTF8)) == codecs.BOM_UTF8
    with path.open(encoding=encoding, newline="", errors=_STRAYS) as text:
        if marked and encoding in WESTERN:
            text.read(len(codecs.BOM_UTF8))
        yield text


@dataclass(frozen=True, slots=True)
class Plain:
    """What a file is that can be read in bulk.

    Attributes
    ----------
    rows : int
        Data rows.
    long_numbers : bool
        Whether a cell of a column of numbers is so long that its number may be rounded.
    """

    rows: int
    long_numbers: bool


def plain_rows(
    path: Path, *, delimiter: str, fields: int, numbers: tuple[int, ...] = ()
) -> Plain | None:
    """Return the data rows of a file that can be read in bulk; None where it cannot.

    It can where each record is one line: no line break inside quotes, no stray quote, no NUL, no
    empty row, the same number of fields on each line, one kind of line ending, and no blanks
    around a cell that would need trimming.

    Parameters
    ----------
    path : Path
        A file in UTF-8.
    delimiter : str
        One ASCII character.
    fields : int
        Number of cells of the header.
    numbers : tuple of int
        Fields, counted from 0, that hold numbers.
    """
    mark = delimiter.encode()
    lines = returns = 0
    long_numbers = False
    for block in _blocks_of_lines(path):
        cells = _plain_cells(block, mark=mark, fields=fields)
        if cells is None:
            return None
        if lines:
            long_numbers = long_numbers or _any_long(cells, numbers=numbers)
        elif cells.shape[0] > 1:
            long_numbers = _any_long(cells[1:], numbers=numbers)
        lines += block.count(b"\n")
        if b"\r" in block:
            returns += block.count(b"\r\n")
            if block.count(b"\r") != block.count(b"\r\n"):
                return None
    whole = lines and returns in {0, lines}
    return Plain(rows=lines - 1, long_numbers=long_numbers) if whole else None


def _is_cp1252(path: Path) -> bool:
    """Return whether each byte of a file stands for a character of Windows-1252."""
    decoder = codecs.getincrementaldecoder("cp1252")()
    return all(_decodes(decoder, chunk) for chunk in _chunks(path))


def _strays(path: Path, *, encoding: str) -> tuple[int, int]:
    """Return in how many places the bytes of a file are no text, and how many letters it has.

    Letters are those beyond ASCII, a byte order mark apart.
    """
    decoder = codecs.getincrementaldecoder(encoding)(errors=_STRAYS)
    strays = letters = 0
    for chunk in (*_chunks(path), b""):
        text = decoder.decode(chunk, not chunk)
        strays += text.count(STRAY)
        letters += len(text) - len(text.encode("ascii", "ignore")) - text.count("\ufeff")
    return strays, letters - strays


def _any_long(cells: Positions, *, numbers: tuple[int, ...]) -> bool:
    """Return whether a cell of the fields `numbers` is longer than nine decimals can be."""
    return any(
        bool(np.any(cells[:, field + 1] - cells[:, field] > _SHORT_NUMBER + 1)) for field in numbers
    )


def _plain_cells(block: bytes, *, mark: bytes, fields: int) -> Positions | None:
    """Return where the cells of each line end, if each is one record that needs no cleaning.

    Returns
    -------
    array of int, shape (lines, fields + 1), or None
        Positions of what ends the line before, of each delimiter, and of the end of the line.
    """
    quoted = b'"' in block
    if b"\0" in block or _has_rare_blanks(block, mark=mark):
        return None
    if not quoted and _has_loose_spaces(block, mark=mark):
        return None
    symbols = np.frombuffer(block, dtype=np.uint8)
    is_end, is_mark = symbols == ord("\n"), symbols == ord(mark)
    if quoted:
        is_quote = symbols == ord('"')
        # True from a quote that opens up to the one that closes; a doubled quote does both.
        inside = np.bitwise_xor.accumulate(is_quote)
        is_mark &= ~inside
        is_edge = is_mark | is_end | (symbols == ord("\r"))
        if np.any(is_end & inside) or not _well_quoted(symbols, inside=inside, is_edge=is_edge):
            return None
    ends, marks = np.flatnonzero(is_end), np.flatnonzero(is_mark)
    if not _evenly_marked(marks, ends=ends, each=fields - 1):
        return None
    # A line of delimiters, and of empty quotes, alone is an empty row.
    starts = np.concatenate(([0], ends[:-1] + 1))
    lengths = ends - starts
    filled = lengths > fields
    if quoted:
        is_content = ~(is_quote | is_edge)
        filled = np.logical_or.reduceat(is_content, starts)
    if not (np.all(filled) and np.all(lengths <= _LONGEST_LINE_BYTES)):
        return None
    by_line = marks.reshape(ends.size, fields - 1)
    return np.column_stack((starts - 1, by_line, ends))


def _well_quoted(symbols: Symbols, *, inside: Flags, is_edge: Flags) -> bool:
    """Return whether each quote opens a cell, closes one, or is half of a doubled quote.

    The cells may have no spaces around their content, inside their quotes or outside.
    """
    quotes = np.flatnonzero(symbols == ord('"'))
    opening, closing = quotes[inside[quotes]], quotes[~inside[quotes]]
    # What stands before the first symbol counts as the end of a line.
    edge_before = np.concatenate(([True], is_edge[:-1]))[opening]
    edge_after = is_edge[closing + 1]
    doubled_before = symbols[opening - 1] == ord('"')
    doubled_after = symbols[closing + 1] == ord('"')
    spaces = symbols == ord(" ")
    return bool(
        np.all(edge_before | doubled_before)
        and np.all(edge_after | doubled_after)
        and not np.any(spaces[opening[edge_before] + 1])
        and not np.any(spaces[closing[edge_after] - 1])
        and not np.any(spaces[1:] & is_edge[:-1])
        and not np.any(spaces[:-1] & is_edge[1:])
        and not spaces[0]
    )


def _has_rare_blanks(block: bytes, *, mark: bytes) -> bool:
    """Return whether a block holds tabs, hard spaces and the like."""
    plain_text = block.isascii()
    return any(
        blank in block
        for blank in _RARE_BLANKS
        if blank != mark and not (plain_text and len(blank) > 1)
    )


def _has_loose_spaces(block: bytes, *, mark: bytes) -> bool:
    """Return whether spaces lie around the content of a cell, in a block without quotes."""
    loose = (b" " + mark, mark + b" ", b" \n", b"\n ", b" \r")
    return b" " in block and (block.startswith(b" ") or any(pair in block for pair in loose))


def _evenly_marked(marks: Positions, *, ends: Positions, each: int) -> bool:
    """Return whether `each` delimiters lie on every line."""
    if marks.size != ends.size * each:
        return False
    if each == 0:
        return True
    by_line = marks.reshape(ends.size, each)
    return bool(np.all(by_line[:, -1] < ends) and np.all(by_line[1:, 0] > ends[:-1]))


def _blocks_of_lines(path: Path) -> Iterator[bytes]:
    """Yield a file in blocks that end with a line, a newline added to the last if it has none."""
    rest = b""
    for chunk in _chunks(path):
        cut = chunk.rfind(b"\n") + 1
        if cut == 0:
            rest += chunk
            continue
        yield rest + chunk[:cut]
        rest = chunk[cut:]
    if rest:
        yield rest + b"\n"


def _chunks(path: Path) -> Iterator[bytes]:
    """Yield the bytes of a file in order."""
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK_BYTES):
            yield chunk


def _decodes(decoder: codecs.IncrementalDecoder, chunk: bytes, *, final: bool = False) -> bool:
    """Return whether `chunk` goes on in the encoding of `decoder`."""
    try:
        decoder.decode(chunk, final)
    except UnicodeDecodeError:
        return False
    return True
