"""This module refuses what is no plain file or folder, and names that cannot be written down."""

import stat
from pathlib import Path

from drift.errors import DriftError, SourceError
from drift.ids import nearest_file

_KINDS = (
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


def check_place(path: Path, *, raised: type[DriftError], expected: str) -> None:
    """Raise if a path, where something is there, is a link, a device or a pipe.

    A link may point elsewhere tomorrow and a pipe never ends; neither is a record.

    Parameters
    ----------
    path : Path
        File or folder; it may be missing.
    raised : type of DriftError
        What is raised.
    expected : str
        What would have been right.

    Raises
    ------
    DriftError
        Also if its name is not UTF-8 or holds a line break or another control character.
    """
    if why := _bad_name(path):
        raise raised(what=why, where=str(path), expected=expected, hint="give it another name")
    try:
        mode = path.lstat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        return
    except OSError as error:
        raise raised(
            what=f"cannot be looked at ({error.strerror})", where=str(path), expected=expected
        ) from error
    if stat.S_ISLNK(mode):
        raise raised(
            what="is a link",
            where=str(path),
            expected=expected,
            hint=f"name what it points to: {_target(path)}",
        )
    for is_kind, words in _KINDS:
        if is_kind(mode):
            raise raised(what=f"is {words}", where=str(path), expected=expected)


def _bad_name(path: Path) -> str:
    """Return what is wrong with the name of a path; empty where nothing is."""
    try:
        str(path.absolute()).encode("utf-8")
    except UnicodeEncodeError:
        return "has a name that is not UTF-8"
    if any(ord(sign) < 32 or 127 <= ord(sign) < 160 for sign in path.absolute().name):
        return "has a name that holds a line break or another control character"
    return ""


def _target(path: Path) -> Path:
    """Return where a link points to, as far as it can be told."""
    try:
        return path.resolve()
    except (OSError, RuntimeError):
        return path.readlink()


def check_source(path: Path) -> None:
    """Raise if there can be no source of histories at a path.

    Raises
    ------
    SourceError
        If nothing is there, or what `check_place` refuses.
    """
    expected = "a folder of CSV files or a store file"
    check_place(path, raised=SourceError, expected=expected)
    if not path.exists():
        raise SourceError(
            what="does not exist", where=str(path), expected=expected, hint=nearest_file(path)
        )


def bytes_on_disk(source: Path) -> int:
    """Return the bytes of a file, or of the CSV files of a folder.

    What is no file, such as a link to nowhere, has none: whoever reads it says what is wrong.
    """
    files = source.glob("*.csv") if source.is_dir() else (source,)
    return sum(file.stat().st_size for file in files if file.is_file())
