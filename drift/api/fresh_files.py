"""This module reads fresh files by the rules of intake, as if they were a folder of their own."""

import shutil
import tempfile
from pathlib import Path

from drift.api.own_records import as_folder, is_own
from drift.api.sources import read_folder
from drift.errors import SourceError
from drift.ids import nearest_file
from drift.intake.mapping import MAPPING_FILE
from drift.places import check_place
from drift.review.policy import Policy
from drift.store.tables import Sources

_EXPECTED = "a file of readings, or a folder of such"


def check_fresh(fresh: Path, source: Path) -> None:
    """Raise unless a file of fresh readings is there, and no part of the source.

    Raises
    ------
    SourceError
    """
    check_place(fresh, raised=SourceError, expected=_EXPECTED)
    if not fresh.is_file() and not fresh.is_dir():
        raise SourceError(
            what="does not exist" if not fresh.exists() else "is no file",
            where=str(fresh),
            expected=_EXPECTED,
            hint="" if fresh.exists() else nearest_file(fresh),
        )
    inside = {fresh.resolve(), fresh.resolve().parent}
    if source.is_dir() and source.resolve() in inside:
        raise SourceError(
            what="is part of the source, so that its readings would be compared with themselves",
            where=str(fresh),
            expected="a file outside the folder",
            hint="check it first, and move it into the folder then",
        )


def read_fresh(paths: list[Path], *, source: Path, policy: Policy) -> list[Sources]:
    """Read fresh files; those of one mapping are read together, so that visits are whole.

    Parameters
    ----------
    paths : list of Path
        As of `check_fresh`.
    source : Path
        Whose mapping and layout hold where none lies beside a file.
    policy : Policy

    Raises
    ------
    DriftError
        If one cannot be used.
    """
    own = [path for path in paths if is_own(path)]
    plain: dict[Path | None, list[Path]] = {}
    for path in paths:
        for file in _files_of(path) if path not in own else ():
            plain.setdefault(_mapping_of(file, source), []).append(file)
    read = [_read_plain(files, mapping, policy) for mapping, files in plain.items()]
    return [*read, *_read_own(own, source, policy)]


def _files_of(path: Path) -> list[Path]:
    """Return the CSV files that a path means."""
    if path.is_file():
        return [path]
    files = sorted(one for one in path.iterdir() if one.suffix.lower() == ".csv")
    if not files:
        raise SourceError(what="holds no CSV file", where=str(path), expected=_EXPECTED)
    return files


def _mapping_of(file: Path, source: Path) -> Path | None:
    """Return the mapping that a file is read by."""
    beside = [file.parent / MAPPING_FILE, source / MAPPING_FILE]
    for path in beside:
        check_place(path, raised=SourceError, expected="a mapping file")
    return next((path for path in beside if path.is_file()), None)


def _read_own(paths: list[Path], source: Path, policy: Policy) -> list[Sources]:
    """Read visits from the bench, own records; folders with a mapping apart."""
    apart: list[Sources] = []
    with tempfile.TemporaryDirectory(prefix="drift-") as made:
        together = Path(made) / "fresh"
        together.mkdir()
        for path in paths:
            with as_folder(path, layouts=(source,)) as folder:
                if (folder / MAPPING_FILE).is_file():
                    apart.append(read_folder(folder, as_of=None, policy=policy))
                    continue
                for file in sorted(folder.glob("*.csv")):
                    shutil.copyfile(file, _free(together, file))
        if any(together.iterdir()):
            apart.append(read_folder(together, as_of=None, policy=policy))
        return apart


def _read_plain(files: list[Path], mapping: Path | None, policy: Policy) -> Sources:
    """Read CSV files of one mapping."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "fresh"
        folder.mkdir()
        try:
            for file in files:
                shutil.copyfile(file, _free(folder, file))
            if mapping is not None:
                shutil.copyfile(mapping, folder / MAPPING_FILE)
        except OSError as error:
            raise SourceError(
                what=f"cannot be read ({error.strerror})",
                where=str(error.filename or files[0]),
                expected="a readable file",
            ) from error
        try:
            return read_folder(folder, as_of=None, policy=policy)
        except SourceError as error:
            # Said of the copy, but meant of what was copied.
            of_mapping = mapping is not None and error.where == str(folder / MAPPING_FILE)
            raise SourceError(
                what="holds no table of readings" if error.where == str(folder) else error.what,
                where=str(mapping if of_mapping else files[0]),
                expected=error.expected,
                hint=error.hint,
            ) from error


def _free(folder: Path, file: Path) -> Path:
    """Return where a copy of a file goes: by its own name, with a number where that is taken."""
    place, number = folder / f"{file.stem}.csv", 1
    while place.exists():
        number += 1
        place = folder / f"{file.stem}_{number}.csv"
    return place
