"""This module writes a figure as an SVG or PNG file of its own.

The file ends with a seal, the digest of all before it, by which drift knows its own: what was
changed since, or was never drift's, is not written over.
"""

import hashlib
import uuid
from pathlib import Path

import altair as alt
import vl_convert

from drift.errors import DriftError
from drift.report.figures.theme import Chart

# A comment of SVG, and what readers of PNG skip: it stands after the end of the picture.
_SEAL = b"\n<!-- drift, sha256 "
_END = b" -->\n"
# The converter names the version of Vega-Lite by its first two numbers.
_VEGA_LITE = ".".join(alt.SCHEMA_VERSION.removeprefix("v").split(".")[:2])
# Pixels of a PNG for each of the figure, so that it prints sharply.
_SCALE = 2


def draw(figure: Path, chart: Chart) -> None:
    """Write a figure as an SVG or PNG file, whole or not at all.

    Parameters
    ----------
    figure : Path
        A name that is free, or that of a figure that drift wrote; one that ends with ``.png`` for
        PNG.
    chart : Chart
        What to draw, with its rows, as `drift.report.figures.rows.filled` gives it.

    Raises
    ------
    DriftError
        If the file cannot be written, or another's would be written over.
    """
    try:
        _check(figure)
        content = _picture(chart, png=figure.suffix.lower() == ".png")
        _write(figure, content + _SEAL + _digest(content) + _END)
    except OSError as error:
        raise DriftError(
            what=f"cannot be written ({error.strerror})",
            where=str(figure),
            expected="a place that may be written to",
        ) from error


def _picture(chart: Chart, *, png: bool) -> bytes:
    """Return a chart as an SVG or PNG file, the same bytes for the same chart."""
    specification = chart.to_dict()
    if png:
        return vl_convert.vegalite_to_png(
            specification, vl_version=_VEGA_LITE, scale=_SCALE, allowed_base_urls=[]
        )
    text = vl_convert.vegalite_to_svg(specification, vl_version=_VEGA_LITE, allowed_base_urls=[])
    return text.encode()


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
    content, seal, rest = figure.read_bytes().rpartition(_SEAL)
    return bool(seal) and rest == _digest(content) + _END


def _digest(content: bytes) -> bytes:
    """Return the digest of a figure, in hexadecimal digits."""
    return hashlib.sha256(content).hexdigest().encode()


def _write(figure: Path, content: bytes) -> None:
    """Write a file beside and put it in its place once it is whole."""
    made = figure.with_name(f".unfinished-{uuid.uuid4().hex}")
    try:
        made.write_bytes(content)
        made.replace(figure)
    except BaseException:
        made.unlink(missing_ok=True)
        raise
