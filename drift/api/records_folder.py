"""This module keeps a records folder: what comes in, the history, and a review each quarter."""

import re
import shutil
import tomllib
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from drift.api.bench_visits import bench_files, lay_out_visits
from drift.api.importing import Imported, accept_import, propose_import
from drift.api.struck_readings import withdraw_struck
from drift.errors import DriftError, SourceError, written_into
from drift.intake.files import inspect_file
from drift.intake.layouts.answers import Answers
from drift.intake.layouts.history import history_columns
from drift.intake.layouts.records import record_paths
from drift.intake.mapping import Mapping, read_mapping
from drift.places import check_place

FOLDER_FILE = "drift.toml"
_DEFAULTS = {"incoming": "incoming", "history": "history", "reviews": "reviews", "import": "import"}
_EXPECTED = "a records folder, made by drift start FOLDER"
_DATED = re.compile(r"\d{4}-\d\d-\d\d")


@dataclass(frozen=True, slots=True)
class RecordsFolder:
    """Where the parts of a records folder are.

    Attributes
    ----------
    policy : Path
        The file of the laboratory's choices.
    incoming : Path
        Where people put records.
    history : Path
        The tables made of them.
    reviews : Path
        One folder a review, by its date.
    proposal : Path
        Where imports show what they read.
    """

    policy: Path
    incoming: Path
    history: Path
    reviews: Path
    proposal: Path


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What was new in a records folder.

    Attributes
    ----------
    copied : tuple of str
        Files of drift's own tables that were taken as they are.
    imported : Imported or None
        What the other files say; None where there are none.
    stopped : bool
        Whether something must be answered or accepted first.
    """

    copied: tuple[str, ...] = ()
    imported: Imported | None = None
    stopped: bool = False


def start_folder(folder: Path, *, laboratory: str) -> RecordsFolder:
    """Make a records folder; what is there stays.

    Raises
    ------
    DriftError
        If there is one already, or it cannot be written.
    """
    check_place(folder, raised=DriftError, expected="a folder to keep records in")
    path = folder / FOLDER_FILE
    if path.exists():
        raise DriftError(
            what=f"is a records folder already: it has a {FOLDER_FILE}",
            where=str(folder),
            expected="a folder without one",
        )
    with written_into(folder):
        folder.mkdir(parents=True, exist_ok=True)
        for name in ("incoming", "reviews"):
            (folder / _DEFAULTS[name]).mkdir(exist_ok=True)
        path.write_text(_first_file(laboratory), encoding="utf-8", newline="\n")
    return open_folder(folder)


def _first_file(laboratory: str) -> str:
    """Return the text of the file of a new records folder."""
    name = laboratory.replace("\\", "\\\\").replace('"', '\\"')
    places = "\n".join(f'{key} = "{value}"' for key, value in _DEFAULTS.items())
    return (
        "# The laboratory's choices; the README lists them all with what they are unless "
        "named here.\n"
        f'laboratory = "{name}"\n\n'
        f"# Where things are, from this file.\n[places]\n{places}\n"
    )


def open_folder(folder: Path) -> RecordsFolder:
    """Return the parts of a records folder.

    Raises
    ------
    SourceError
        If it is none, or its file cannot be read.
    """
    path = folder / FOLDER_FILE
    check_place(path, raised=SourceError, expected=_EXPECTED)
    if not path.is_file():
        raise SourceError(
            what=f"has no {FOLDER_FILE}",
            where=str(folder.resolve()),
            expected=_EXPECTED,
            hint="or name what to review: drift review SOURCE",
        )
    try:
        given = tomllib.loads(path.read_bytes().decode("utf-8-sig")).get("places", {})
    except (OSError, ValueError, RecursionError) as error:
        raise SourceError(
            what=f"is not TOML ({error})", where=str(path), expected=_EXPECTED
        ) from error
    if not isinstance(given, dict) or set(given) - set(_DEFAULTS):
        raise SourceError(
            what="[places] holds something unknown",
            where=str(path),
            expected=f"among {', '.join(_DEFAULTS)}",
        )
    places = {**_DEFAULTS, **{key: str(value) for key, value in given.items()}}
    return RecordsFolder(
        policy=path,
        incoming=folder / places["incoming"],
        history=folder / places["history"],
        reviews=folder / places["reviews"],
        proposal=folder / places["import"],
    )


def take_in_new(place: RecordsFolder, *, today: date) -> TakenIn:
    """Take in what is new among the incoming records.

    Tables as drift reads them are copied as they are; what was filled in at the bench becomes such.
    Other records are imported, by the layout that was accepted; where there is none yet, or
    something is asked, nothing of them is taken.

    Raises
    ------
    DriftError
        If they cannot be read, or the history cannot be written.
    """
    if not place.incoming.is_dir() or not any(place.incoming.iterdir()):
        return TakenIn()
    visits = bench_files(place.incoming)
    date_format = read_mapping(place.history).date_format if place.history.is_dir() else None
    laid_out = lay_out_visits(visits, place.history, date_format=date_format)
    if laid_out:
        withdraw_struck(place.incoming, place.history)
    if visits and len(visits) == len(list(place.incoming.iterdir())):
        return TakenIn(laid_out)
    paths = [path for path in record_paths(place.incoming) if path not in visits]
    plain = [path for path in paths if _is_table(path)]
    copied = laid_out + tuple(path.name for path in plain if _copy_in(path, place.history))
    if len(plain) == len(paths):
        return TakenIn(copied)
    imported, answers = propose_import(
        place.incoming,
        into=place.history,
        out=place.proposal,
        layout=None,
        given={},
        today=today,
        without=frozenset(path.name for path in (*plain, *visits)),
    )
    if imported.proposal.questions or not answers.accepted:
        return TakenIn(copied, imported, stopped=True)
    if imported.tables:
        imported = accept_import(imported, answers, into=place.history, today=today)
    return TakenIn(copied, imported)


def accept_first(taken: TakenIn, place: RecordsFolder, *, today: date) -> TakenIn:
    """Accept the layout of records that were proposed, and write their history."""
    if taken.imported is None:
        return taken
    answers = Answers(taken.imported.given)
    done = accept_import(taken.imported, answers, into=place.history, today=today)
    return TakenIn(taken.copied, done)


def _is_table(path: Path) -> bool:
    """Say whether a file is a table as drift reads it."""
    if path.suffix.lower() != ".csv":
        return False
    file = inspect_file(path, mapping=Mapping())
    return (
        bool(file.table) and not file.lacking and set(file.names) <= {*history_columns(file.table)}
    )


def _copy_in(path: Path, history: Path) -> bool:
    """Copy a file into the history unless it holds the same already; say whether it was copied."""
    content = path.read_bytes()
    with written_into(history):
        history.mkdir(parents=True, exist_ok=True)
        if any(other.read_bytes() == content for other in history.glob("*.csv")):
            return False
        to, number = history / path.name, 1
        while to.exists():
            number += 1
            to = history / f"{path.stem}_{number}.csv"
        shutil.copyfile(path, to)
    return True


def last_review(place: RecordsFolder, *, before: date | None = None) -> Path | None:
    """Return the folder of the latest review, or of the latest before a day; None where none is."""
    if not place.reviews.is_dir():
        return None
    dated = [
        path
        for path in place.reviews.iterdir()
        if _DATED.fullmatch(path.name)
        and (path / "data" / "run.json").is_file()
        and (before is None or path.name < before.isoformat())
    ]
    return max(dated, key=lambda path: path.name, default=None)
