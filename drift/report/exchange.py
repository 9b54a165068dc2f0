"""This module lets a folder of output hold one whole output or the one before it, never a mixture.

Output is made in a folder of its own inside the folder asked for, whose name begins with
``unfinished-``, and exchanged for what an earlier run wrote there once it is whole.  The exchange
is a few renamings, listed beforehand: a run that was stopped within them is finished by the next
one.  What drift did not write is never written over, written through or deleted: where there is
any, nothing is begun.
"""

import json
import os
import re
import signal
import tempfile
import threading
from collections.abc import Collection, Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from drift.errors import DriftError, written_into
from drift.report.leftovers import (
    LIST,
    MARKER,
    UNFINISHED,
    finish_exchange,
    held,
    remove_stage,
    tidy,
)
from drift.report.own_files import (
    FileKind,
    digest,
    digests_recorded,
    is_dropping,
    looks_own,
    names_below,
    record_at,
)
from drift.version import __version__

_HINT = "move it elsewhere, or choose another folder with --out"
_DATED = re.compile(r"\d{4}-\d\d-\d\d")
_Stamp = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Place:
    """A folder of output that may be written into.

    Attributes
    ----------
    folder : Path
        Where; it need not exist.
    kind : Kind
        What is written there.
    written : dict of str to str
        Digests of what an earlier run wrote there, by name; the record itself has none.
    stamps : dict of str to tuple
        Size and time of change of each file there.
    """

    folder: Path
    kind: FileKind
    written: Mapping[str, str]
    stamps: Mapping[str, _Stamp]


def place_for(folder: Path, kind: FileKind) -> Place:
    """Look at a folder before anything is worked out for it.

    An exchange that a stopped run left half done is finished, and what such a run left is removed.

    Parameters
    ----------
    folder : Path
        The folder asked for.
    kind : Kind
        What is to be written there.

    Raises
    ------
    DriftError
        If the folder holds anything that drift did not write, is a link or no folder, or another
        run is writing into it.
    """
    with written_into(folder):
        _check_folder(folder)
        if not folder.exists():
            return Place(folder, kind, {}, {})
        tidy(folder, kind)
        written = digests_recorded(folder, kind)
        stamps = _stamps(folder)
        for name in stamps:
            if why := _why_foreign(folder, name, kind, written):
                raise _foreign(folder / name, kind, why)
        return Place(folder, kind, written, stamps)


@contextmanager
def exchanged_for(place: Place, *, keep: Collection[str] = ()) -> Iterator[Path]:
    """Give an empty folder to write into; what it holds at the end goes into the place.

    The block must write the record last, with the digests of `digests_of`.

    Parameters
    ----------
    place : Place
        From `place_for`.
    keep : collection of str
        Earlier files and folders, as they stand in the place, that stay where they are not
        written anew.

    Raises
    ------
    DriftError
        If the place cannot be written, or has changed since it was looked at; it is left as it
        was then.
    """
    with written_into(place.folder), ExitStack() as undo:
        for made in _make_folders(place.folder):
            undo.callback(_remove_folder, made)
        stage = Path(tempfile.mkdtemp(prefix=UNFINISHED, dir=place.folder))
        undo.callback(_abandon, stage)
        with (stage / MARKER).open("w", encoding="utf-8", newline="\n") as marker:
            held(marker)
            marker.write(f"Not finished: {place.kind.what}, by process {os.getpid()}.\n")
            marker.flush()
            new = stage / "new"
            new.mkdir()
            yield new
            with _kept_from_the_keyboard():
                _exchange(place, stage, keep)
                undo.pop_all()
                remove_stage(stage)


def digests_of(folder: Path, names: Collection[str] | None = None) -> dict[str, str]:
    """Return the digests of files below a folder by name, of all where no names are given."""
    chosen = sorted(names_below(folder) if names is None else names)
    return {name: digest(folder / name) for name in chosen if not name.endswith("/")}


def write_kind_record(folder: Path, kind: FileKind, written: Mapping[str, str]) -> None:
    """Write the record of output that has no other: who made it, and its digests."""
    record = {"program": "drift", "version": __version__, "written": dict(written)}
    text = json.dumps(record, indent=2, ensure_ascii=False)
    (folder / kind.record).write_text(text + "\n", encoding="utf-8", newline="\n")


def _exchange(place: Place, stage: Path, keep: Collection[str]) -> None:
    """Put what is new in the place of what was there, which then lies beside it."""
    folder, new = place.folder, stage / "new"
    if _stamps(folder) != place.stamps:
        raise DriftError(
            what="was changed by somebody while this was worked out; nothing was written there",
            where=str(folder),
            expected="a folder that nobody else writes into",
            hint="look at what is there, then run this again",
        )
    take = sorted(entry.name for entry in new.iterdir())
    there = {_top(name) for name in place.stamps if "/" in name or not is_dropping(name)}
    drop = sorted(name for name in there if name in take or name not in keep)
    (stage / "earlier").mkdir()
    text = json.dumps({"program": "drift", "take": take, "drop": drop})
    (stage / "listed").write_text(text, encoding="utf-8", newline="\n")
    (stage / "listed").replace(stage / LIST)
    try:
        finish_exchange(folder, stage, take=take, drop=drop)
    except OSError:
        if not any((stage / "earlier").iterdir()) and all((new / name).exists() for name in take):
            (stage / LIST).unlink()
        raise


def _top(name: str) -> str:
    """Return the first part of a name."""
    return name.split("/", 1)[0]


def _check_folder(folder: Path) -> None:
    """Raise where output cannot go whatever is inside."""
    # Above a whole path links are the system's own affair.
    above = [] if folder.is_absolute() else folder.parents
    for one in (folder, *above):
        if one.is_symlink():
            raise DriftError(
                what="is a link, and nothing is written through one",
                where=str(one),
                expected="a folder",
                hint="name the folder that it leads to, or choose another with --out",
            )
    if folder.exists() and not folder.is_dir():
        raise DriftError(
            what="cannot be written into: it is no folder",
            where=str(folder),
            expected="a folder, or a name that is free",
            hint="choose another with --out",
        )


def _stamps(folder: Path) -> dict[str, _Stamp]:
    """Return size and time of change of what stands in a folder.

    Unfinished output is left out, and so are folders named by a date that hold output and a record
    of their own.
    """
    found = {}
    for entry in sorted(folder.iterdir()):
        if entry.name.startswith(UNFINISHED) or _is_neighbour(entry):
            continue
        is_folder = entry.is_dir() and not entry.is_symlink()
        for name in names_below(folder, f"{entry.name}/") if is_folder else (entry.name,):
            state = (folder / name).lstat()
            # The time of a folder that is empty says nothing.
            found[name] = (0, 0) if name.endswith("/") else (state.st_size, state.st_mtime_ns)
    return found


def _is_neighbour(entry: Path) -> bool:
    """Say whether a folder is named by a date and holds a record of its own."""
    records = (entry / "data" / "run.json", entry / "record.json")
    return _DATED.fullmatch(entry.name) is not None and any(map(record_at, records))


def _why_foreign(folder: Path, name: str, kind: FileKind, written: Mapping[str, str]) -> str:
    """Say why a file is not drift's own; empty where it is."""
    if is_dropping(name) or name.endswith("/"):
        return ""
    if (folder / name).is_symlink():
        return "is a link"
    if not looks_own(folder, name, kind) or (name != kind.record and not written):
        return "was not written by drift"
    if name == kind.record:
        return ""
    if name not in written:
        return "is not among what drift wrote here"
    return "" if digest(folder / name) == written[name] else "was changed since drift wrote it"


def _foreign(path: Path, kind: FileKind, why: str) -> DriftError:
    """Return the error of a file that is in the way."""
    return DriftError(
        what=f"{why}, and nothing of others is written over or removed",
        where=str(path),
        expected=f"a folder that is new or empty, or holds {kind.what} by drift and nothing else",
        hint=_HINT,
    )


def _make_folders(folder: Path) -> list[Path]:
    """Make a folder and those above it that are missing; return them, the outermost first."""
    missing = [folder, *folder.parents]
    missing = [one for one in missing if not one.exists()][::-1]
    for one in missing:
        one.mkdir(exist_ok=True)
    return missing


def _remove_folder(folder: Path) -> None:
    """Remove a folder if it is empty."""
    with suppress(OSError):
        folder.rmdir()


def _abandon(stage: Path) -> None:
    """Remove what this run made, unless an exchange that could not be undone is to be finished."""
    if not (stage / LIST).exists():
        remove_stage(stage)


@contextmanager
def _kept_from_the_keyboard() -> Iterator[None]:
    """Put off an interruption by the keyboard until the block is done."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    waiting: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _frame: waiting.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if waiting:
        raise KeyboardInterrupt
