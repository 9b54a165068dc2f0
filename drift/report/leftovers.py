"""This module deals with what runs that were stopped have left in a folder of output."""

import errno
import json
import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import IO

from drift.errors import DriftError
from drift.report.own_files import FileKind, is_dropping, looks_own, names_below

try:
    import fcntl
except ImportError:  # not on every system; there an open file cannot be removed by others
    fcntl = None  # type: ignore[assignment]  # asked for before it is used


UNFINISHED = "unfinished-"
MARKER = "unfinished.txt"
# Names what is exchanged; it stands there from the first renaming to the last.
LIST = "exchange.json"


def held(file: IO[str]) -> bool:
    """Take hold of an open file for as long as it is open; say whether nobody else has."""
    if fcntl is None:
        return True
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a disk without locks
        return True
    return True


def is_interrupted(folder: Path) -> bool:
    """Say whether a folder holds output in the midst of its exchange."""
    return any((stage / LIST).exists() for stage in _stages(folder))


def tidy(folder: Path, kind: FileKind) -> None:
    """Finish the exchange that a stopped run left half done, and remove what such runs left.

    Raises
    ------
    DriftError
        If another run is at work, or a file among what was left is not drift's.
    """
    for stage in _stages(folder):
        marker = stage / MARKER
        if not marker.is_file() or marker.is_symlink():
            _check_own(stage, kind)
            remove_stage(stage)
            continue
        with marker.open("r+", encoding="utf-8") as file:
            if not held(file):
                raise DriftError(
                    what="is being written by another run",
                    where=str(folder),
                    expected="a folder that no other run writes into",
                    hint="wait until that run is done, or choose another folder with --out",
                )
            _check_own(stage, kind)
            _go_on(folder, stage, kind)
        remove_stage(stage)


def finish_exchange(folder: Path, stage: Path, *, take: Sequence[str], drop: Sequence[str]) -> None:
    """Set aside the entries `drop` of a folder and put the entries `take` of what is new there.

    Begun anew after it was stopped anywhere, it comes to the same end.  Where a renaming fails,
    those before it are undone.

    Raises
    ------
    OSError
        If an entry cannot be renamed.
    """
    new, earlier = stage / "new", stage / "earlier"
    moved: list[tuple[Path, Path]] = []

    def move(source: Path, target: Path) -> None:
        if target.exists() or target.is_symlink():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target))
        source.rename(target)
        moved.append((source, target))

    try:
        for name in sorted({*take, *drop}):
            is_new = (new / name).exists()
            if name in drop and (is_new or name not in take) and (folder / name).exists():
                move(folder / name, earlier / name)
            if is_new:
                move(new / name, folder / name)
    except OSError:
        for source, target in reversed(moved):
            target.rename(source)
        raise


def remove_stage(stage: Path) -> None:
    """Remove a folder of unfinished output whose files are known to be drift's.

    What will not go, such as a file that another program holds open, stays for the next run.
    """
    with suppress(OSError):
        last = [LIST, MARKER]
        names = [name for name in names_below(stage) if name not in last]
        for name in names + last:
            if not name.endswith("/"):
                (stage / name).unlink(missing_ok=True)
        for inner, _, _ in os.walk(stage, topdown=False):
            Path(inner).rmdir()


def _stages(folder: Path) -> list[Path]:
    """Return the folders of unfinished output in a folder."""
    if not folder.is_dir():
        return []
    found = sorted(folder.glob(f"{UNFINISHED}*"))
    return [stage for stage in found if stage.is_dir() and not stage.is_symlink()]


def _check_own(stage: Path, kind: FileKind) -> None:
    """Raise if a stopped run's folder holds what drift did not write."""
    for name in names_below(stage):
        part, _, below = name.partition("/")
        ours = name in {MARKER, LIST, "listed"} and not (stage / name).is_symlink()
        inside = part in {"new", "earlier"} and (
            not below
            or name.endswith("/")
            or is_dropping(below)
            or looks_own(stage / part, below, kind, whole=False)
        )
        if not (ours or inside):
            raise DriftError(
                what="was not written by drift, and lies where a stopped run left off",
                where=str(stage / name),
                expected="nothing of others there",
                hint="move it elsewhere, or choose another folder with --out",
            )


def _go_on(folder: Path, stage: Path, kind: FileKind) -> None:
    """Finish an exchange that was begun, where all that it would move is drift's."""
    try:
        listed = json.loads((stage / LIST).read_text(encoding="utf-8"))
        take, drop = _entries(listed["take"]), _entries(listed["drop"])
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return
    if not (stage / "earlier").is_dir() or not (stage / "new").is_dir():
        return
    moving = {*take, *drop}
    for name in names_below(folder):
        if name.split("/", 1)[0] in moving and not (
            is_dropping(name) or name.endswith("/") or looks_own(folder, name, kind, whole=False)
        ):
            raise DriftError(
                what="was not written by drift, and stands where a stopped run left off",
                where=str(folder / name),
                expected="nothing of others there",
                hint="move it elsewhere, or choose another folder with --out",
            )
    finish_exchange(folder, stage, take=take, drop=drop)


def _entries(names: object) -> list[str]:
    """Return names of entries of one folder, or raise where one could lead elsewhere."""
    if not isinstance(names, list):
        raise TypeError
    for name in names:
        if not isinstance(name, str) or Path(name).name != name or name.startswith(UNFINISHED):
            raise ValueError(name)
    return names
