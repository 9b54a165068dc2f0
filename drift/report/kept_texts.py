"""This module keeps texts that take long to make and are the same for a version of the program.

They lie where Python keeps compiled modules, and are made anew where nothing can be kept: where the
folder cannot be written, or Python is told to keep nothing (PYTHONDONTWRITEBYTECODE).
"""

import hashlib
import os
import sys
import tempfile
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from importlib.metadata import version
from importlib.util import cache_from_source
from pathlib import Path

from drift.folders import root

_PACKAGE = Path(__file__).resolve().parents[1]
_FOLDER = Path(cache_from_source(__file__)).parent
# What makes the texts besides this program.
_LIBRARIES = ("altair", "jinja2", "vl-convert-python")


def kept_text(name: str, make: Callable[[], str]) -> str:
    """Return what `make` returns, made once for this version of program and libraries.

    Parameters
    ----------
    name : str
        What it is; letters and hyphens.
    make : callable
        Makes the text from the program alone, whatever is reviewed.
    """
    path = _FOLDER / f"{name}-{_made_by()}.kept"
    with suppress(OSError, ValueError):
        digest, _, text = path.read_text(encoding="utf-8").partition("\n")
        if digest == _digest(text):
            return text
    text = make()
    _keep(path, f"{_digest(text)}\n{text}", instead_of=f"{name}-*.kept")
    return text


def where_kept() -> Path | None:
    """Return the folder where things are kept from one run to the next; None to keep nothing."""
    return _FOLDER if not sys.dont_write_bytecode and os.access(_FOLDER, os.W_OK) else None


def _keep(path: Path, content: str, *, instead_of: str) -> None:
    """Write a file whole or not at all, and remove what earlier versions kept."""
    folder = where_kept()
    if folder is None:
        return
    with suppress(OSError):
        with tempfile.NamedTemporaryFile(
            "w", encoding="utf-8", newline="\n", dir=folder, suffix=".new", delete=False
        ) as file:
            file.write(content)
        for old in folder.glob(instead_of):
            old.unlink(missing_ok=True)
        made = Path(file.name)
        made.chmod(0o644)  # as compiled modules: of a shared installation every user reads it
        made.replace(path)


@cache
def _made_by() -> str:
    """Return a digest of all that may decide a text: modules, scripts, templates, libraries."""
    found = hashlib.sha256(" ".join(version(name) for name in _LIBRARIES).encode())
    scripts = (entry for entry in root("reports").iterdir() if entry.is_file())
    for entry in sorted([*_PACKAGE.rglob("*.py"), *scripts], key=str):
        found.update(hashlib.sha256(entry.read_bytes()).digest())
    return found.hexdigest()[:16]


def _digest(text: str) -> str:
    """Return the digest by which a kept text is known to be whole."""
    return hashlib.sha256(text.encode()).hexdigest()
