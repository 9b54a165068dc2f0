"""This module looks at the bytes of a file and decodes them."""

import codecs
import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

# Where each chunk of this size holds the end of a line, no line is longer than two.
_CHUNK_BYTES = 1 << 20
# Turns each digit into a nought, and what is neither that, an exponent nor a minus into a space.
_NUMBER_SIGNS = bytes(
    ord("0") if chr(byte) in "0123456789" else byte if chr(byte) in "e-" else ord(" ")
    for byte in bytes(range(256)).replace(b"E", b"e")
)
# So many bytes of a chunk are looked at once more with the next.
_OVERLAP = 16
# What may surround the content of a cell without being part of it.
BLANKS = " \t\v\f\u00a0\u2007\u202f\ufeff\u200b\u2060"
WESTERN = ("cp1252", "latin-1")
# Stands where bytes are no text; no encoding has it, so that no file can hold it.
STRAY = "\udfff"
# Stands for it in UTF-8, which cannot write it.
DAMAGE = "\uffff"
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
    lines : int
        Lines, empty ones too, as its bytes end them.
    longest : int
        No line has more bytes.
    one_ending : bool
        Whether all lines end alike.
    quotes : bool
        Whether it holds a quote.
    long_digits : bool
        Whether a number may have more than nine decimals.
    """

    sha256: str
    size: int
    encoding: str
    nul_share: float
    strays: int = 0
    lines: int = 0
    longest: int = 0
    one_ending: bool = True
    quotes: bool = False
    long_digits: bool = False

    @property
    def is_read_as_it_is(self) -> bool:
        """Whether the library can read its bytes as they are."""
        return self.encoding in {"utf-8", "utf-8-sig"} and self.one_ending and not self.strays


@dataclass(slots=True)
class _Signs:
    """What is counted of the bytes of a file, chunk by chunk."""

    feeds: int = 0
    returns: int = 0
    pairs: int = 0
    quotes: bool = False
    long_digits: bool = False
    every_chunk_ends_lines: bool = True
    last: bytes = b""

    def add(self, chunk: bytes) -> None:
        """Count what is in the next chunk."""
        feeds = chunk.count(b"\n")
        returns = chunk.count(b"\r") if b"\r" in chunk else 0
        self.feeds += feeds
        self.returns += returns
        if returns:
            self.pairs += chunk.count(b"\r\n")
        self.pairs += self.last.endswith(b"\r") and chunk.startswith(b"\n")
        self.quotes = self.quotes or b'"' in chunk
        seam = self.last + chunk[:_OVERLAP]
        self.long_digits = self.long_digits or _has_long_digits(seam) or _has_long_digits(chunk)
        if not feeds + returns and len(chunk) == _CHUNK_BYTES:
            self.every_chunk_ends_lines = False
        self.last = chunk[-_OVERLAP:]

    @property
    def lines(self) -> int:
        """Lines, the last one with or without an ending."""
        open_end = bool(self.last) and not self.last.endswith((b"\n", b"\r"))
        return self.feeds + self.returns - self.pairs + open_end

    @property
    def one_ending(self) -> bool:
        """Whether all lines end alike."""
        return [self.feeds > self.pairs, self.returns > self.pairs, self.pairs > 0].count(True) <= 1


def fingerprint(path: Path) -> Fingerprint:
    """Read a file once and say what it is, in memory that does not grow with it."""
    digest = hashlib.sha256()
    size = nuls = 0
    signs = _Signs()
    bom = ""
    decoder = codecs.getincrementaldecoder("utf-8")()
    unicode = True
    for chunk in _chunks(path):
        if size == 0:
            bom = next((name for mark, name in _BOMS if chunk.startswith(mark)), "")
        digest.update(chunk)
        size += len(chunk)
        nuls += chunk.count(0) if b"\0" in chunk else 0
        signs.add(chunk)
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
        lines=signs.lines,
        longest=2 * _CHUNK_BYTES if signs.every_chunk_ends_lines else max(size, 2 * _CHUNK_BYTES),
        one_ending=signs.one_ending,
        quotes=signs.quotes,
        long_digits=signs.long_digits,
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
class FileLines:
    """A file of lines in UTF-8 that the library can read.

    Attributes
    ----------
    path : Path
        Where it is.
    count : int
        Its lines, empty ones too.
    longest : int
        No line has more bytes.
    """

    path: Path
    count: int
    longest: int


def write_lines(path: Path, *, encoding: str, to: Path) -> FileLines:
    """Write the text of a file in UTF-8 with one kind of line ending, `DAMAGE` for `STRAY`."""
    count = longest = 0
    with text_of(path, encoding=encoding) as lines, to.open("wb") as made:
        for line in lines:
            written = line.rstrip("\r\n").replace(STRAY, DAMAGE).encode()
            made.write(written + b"\n")
            count += 1
            longest = max(longest, len(written))
    return FileLines(path=to, count=count, longest=longest)


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


def _has_long_digits(chunk: bytes) -> bool:
    """Return whether a number may have more decimals than nine: ten digits, or a power of ten."""
    signs = chunk.translate(_NUMBER_SIGNS)
    return b"0" * 10 in signs or b"0e-" in signs


def _chunks(path: Path) -> Iterator[bytes]:
    """Yield the bytes of a file in order."""
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK_BYTES):
            yield chunk


def _decodes(decoder: codecs.IncrementalDecoder, chunk: bytes, *, final: bool = False) -> bool:
    """Return whether `chunk` goes on in the encoding of `decoder`."""
    if not final and chunk.isascii() and not decoder.getstate()[0]:
        return True
    try:
        decoder.decode(chunk, final)
    except UnicodeDecodeError:
        return False
    return True
