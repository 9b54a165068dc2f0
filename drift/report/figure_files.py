"""This module writes a figure as an SVG file of its own; it draws through others.

The file ends with a seal, the digest of all before it, by which drift knows its own: what was
changed since, or was never drift's, is not written over.
"""

import hashlib
import uuid
from pathlib import Path

from drift.errors import DriftError
from drift.report.figures.drawing import Drawing, svg

_SEAL = "\n<!-- drift, sha256 "
_END = " -->\n"


def draw(figure: Path, chart: Drawing) -> None:
    """Write a figure as an SVG file, whole or not at all.

    Parameters
    ----------
    figure : Path
        A name that is free, or that of a figure that drift wrote.
    chart : Drawing
        What to draw.

    Raises
    ------
    DriftError
        If the file cannot be written, or another's would be written over.
    """
    try:
        _check(figure)
        text = svg(chart)
        _write(figure, f"{text}{_SEAL}{_digest(text)}{_END}")
    except OSError as error:
        raise DriftError(
            what=f"cannot be written ({error.strerror})",
            where=str(figure),
            expected="a place that may be written to",
        ) from error


def _check(figure: Path) -> None:
    """Raise unless a name is free, or that of a figure that stands as drift wrote it."""
    if not (figure.exists() or figure.is_symlink()):
        return
    if figure.is_symlink() or not figure.is_file():
        why = "is a link" if figure.is_symlink() else "is no file"
    elif _is_sealed(figure):
        return
    else:
        why = "is there, and does not stand as drift wrote it"
    raise DriftError(
        what=f"{why}; nothing of others is written over or through",
        where=str(figure),
        expected="a name that is free, or that of a figure by drift",
        hint="choose another name with --figure, or move that file elsewhere",
    )


def _is_sealed(figure: Path) -> bool:
    """Say whether a file ends with the digest of what stands before."""
    try:
        text, seal, rest = figure.read_text(encoding="utf-8").rpartition(_SEAL)
    except UnicodeDecodeError:
        return False
    return bool(seal) and rest == f"{_digest(text)}{_END}"


def _digest(text: str) -> str:
    """Return the digest of the text of a figure."""
    return hashlib.sha256(text.encode()).hexdigest()


def _write(figure: Path, text: str) -> None:
    """Write a file beside and put it in its place once it is whole."""
    made = figure.with_name(f".unfinished-{uuid.uuid4().hex}.svg")
    try:
        made.write_text(text, encoding="utf-8", newline="\n")
        made.replace(figure)
    except BaseException:
        made.unlink(missing_ok=True)
        raise
