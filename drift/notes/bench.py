"""This module serves the bench from a source to files: responses, sheets and checks of readings.

It computes and words nothing itself.
"""

import shutil
import tempfile
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from drift.analysis.analyse import find_signals, jumps_known, ledger_of
from drift.analysis.studies import forecast_settings
from drift.decisions.bench_verdicts import told_swaps, visit_verdicts
from drift.decisions.check import check_readings, history_of
from drift.decisions.responses import nearest_ids, why_no_answer
from drift.errors import DriftError, SourceError
from drift.frames import Sources
from drift.intake.appending import append_row, start_file, take_back
from drift.intake.mapping import FILE_NAME, Mapping
from drift.pipeline import read, read_folder
from drift.places import check_place
from drift.policy import Policy
from drift.stats.forecast.expect import look_out
from drift.stats.swaps import swapped_points
from drift.store import open_store, take_folder

# Open signals that a message names.
_MOST_NAMED = 3


@dataclass(frozen=True, slots=True)
class Response:
    """What was found and done about a signal, as it is to be recorded.

    Attributes
    ----------
    signal_id, finding, action, recorded_by : str
        Columns of the input table ``responses``, none empty.
    recorded_on : date
        Its day.
    meter_id : str or None
        The meter that it is meant for; None to take the signal's word for it.
    """

    signal_id: str
    finding: str
    action: str
    recorded_by: str
    recorded_on: date
    meter_id: str | None = None


@dataclass(frozen=True, slots=True)
class Recorded:
    """Where a response went, and the signal it answers (a row of `drift.frames.SIGNALS`)."""

    place: Path
    signal: dict[str, Any]


def respond(source: Path, response: Response, *, as_of: date, policy: Policy) -> Recorded:
    """Record a response to a signal in a folder or a store file.

    Parameters
    ----------
    source : Path
        Folder or store file; no row in it is changed.
    response : Response
        What to record.
    as_of : date
        Today: the signals known then may be answered.
    policy : Policy
        Under which the signals arise.

    Raises
    ------
    DriftError
        If the source cannot be used or written, the signal is unknown or another meter's, or the
        response is on record already.
    """
    _check_response(response, as_of=as_of)
    sources = read(source, as_of=as_of, policy=policy)
    signals, responses = find_signals(
        sources, source_name=source.resolve().name, as_of=as_of, policy=policy
    )
    signal = _answerable(response, signals)
    _check_new(response, responses)
    if not source.is_dir():
        _add_to_store(source, response)
        return Recorded(source, signal)
    place, before = append_row(source, table="responses", row=asdict(response))
    try:
        seen = read(source, as_of=as_of, policy=policy).responses
    except BaseException:
        take_back(place, before=before)
        raise
    if not _is_among(response, seen):
        take_back(place, before=before)
        raise SourceError(
            what="takes no further row: what was added could not be read again",
            where=str(place),
            expected="texts of one line, and a file that ends with a complete row",
        )
    return Recorded(place, signal)


def _is_among(response: Response, rows: pl.DataFrame) -> bool:
    """Say whether a response is among rows; its meter, for which a file may lack room, apart."""
    wanted = {name: value for name, value in asdict(response).items() if name != "meter_id"}
    return wanted in rows.select(wanted.keys()).to_dicts()


def _add_to_store(store: Path, response: Response) -> None:
    """Load one response into a store, as if it had come in a folder of its own."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "respond"
        folder.mkdir()
        start_file(folder, table="responses", row=asdict(response), mapping=Mapping())
        con = open_store(store)
        try:
            take_folder(con, folder)
        finally:
            con.close()


def _check_response(response: Response, *, as_of: date) -> None:
    """Raise if something is missing, or dated in the future."""
    for name in ("finding", "action", "recorded_by"):
        if not asdict(response)[name].strip():
            raise DriftError(
                what=f"{name} is empty", where="the response", expected="a few words", hint=""
            )
    if response.recorded_on > as_of:
        raise DriftError(
            what=f"is dated {response.recorded_on}, after {as_of}",
            where="the response",
            expected="a day that has come",
        )


def _answerable(response: Response, signals: pl.DataFrame) -> dict[str, Any]:
    """Return the signal that a response names, or raise where it cannot answer one."""
    named = signals.filter(pl.col("signal_id") == response.signal_id).to_dicts()
    if named:
        why = why_no_answer(named[0], meter_id=response.meter_id, recorded_on=response.recorded_on)
        if not why:
            return named[0]
        raise DriftError(
            what=f"cannot be answered so: {why}",
            where=response.signal_id,
            expected="a response to a signal of its meter, dated on or after its visit",
            hint=_open_hint(signals, response.meter_id),
        )
    near = nearest_ids(response.signal_id, signals["signal_id"])
    raise DriftError(
        what="is no signal of this source" + (f"; the nearest is {near[0]}" if near else ""),
        where=response.signal_id,
        expected="an id from data/signals.csv of a review under the same policy",
        hint=_open_hint(signals, response.meter_id),
    )


def _open_hint(signals: pl.DataFrame, meter_id: str | None) -> str:
    """Return the open signals of a meter, where one was named."""
    if meter_id is None:
        return ""
    mine = signals.filter((pl.col("meter_id") == meter_id) & pl.col("answered_on").is_null())
    if mine.is_empty():
        return f"{meter_id} has no open signal"
    shown = mine.sort("visit_on").tail(_MOST_NAMED)
    ids = ", ".join(f"{row['signal_id']} ({row['visit_on']})" for row in shown.to_dicts())
    return f"newest open signals of {meter_id}: {ids}"


def _check_new(response: Response, responses: pl.DataFrame) -> None:
    """Raise if a response to the same signal and of the same day is on record."""
    same = responses.filter(
        (pl.col("signal_id") == response.signal_id)
        & (pl.col("recorded_on") == response.recorded_on)
    ).to_dicts()
    if not same:
        return
    first = same[0]
    alike = all(
        first[name] == asdict(response)[name] for name in ("finding", "action", "recorded_by")
    )
    raise DriftError(
        what=(
            "has this response already"
            if alike
            else f"has a response of {response.recorded_on} by {first['recorded_by']} already"
        ),
        where=response.signal_id,
        expected="one response to a signal a day",
        hint="" if alike else "give another day with --on, or amend the row where it was recorded",
    )


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check of fresh readings found.

    Attributes
    ----------
    rows : pl.DataFrame
        Frame of `drift.decisions.check.CHECKED`.
    verdicts : list of dict
        What they ask for, from `drift.decisions.bench_verdicts.visit_verdicts`.
    held_back : pl.DataFrame
        Frame of `drift.frames.HELD_BACK`: rows of the fresh file that could not be used.
    """

    rows: pl.DataFrame
    verdicts: list[dict[str, Any]]
    held_back: pl.DataFrame


def check(source: Path, fresh: Path, *, as_of: date, policy: Policy) -> Checked:
    """Compare the readings of a CSV file with what the history in a source lets expect.

    Parameters
    ----------
    source : Path
        Folder or store file; it is not changed.
    fresh : Path
        A CSV file of the table ``readings``, outside the folder.  The ``mapping.toml`` beside it
        holds, else that of the folder.
    as_of : date
        History later than this is not seen.
    policy : Policy
        The laboratory's choices.

    Raises
    ------
    DriftError
        If the source or the file cannot be used, or the file is part of the source.
    """
    expected = "a CSV file of readings"
    check_place(fresh, raised=SourceError, expected=expected)
    if not fresh.is_file():
        raise SourceError(
            what="does not exist" if not fresh.exists() else "is no file",
            where=str(fresh),
            expected=expected,
        )
    if source.is_dir() and fresh.resolve().parent == source.resolve():
        raise SourceError(
            what="is part of the source, so that its readings would be compared with themselves",
            where=str(fresh),
            expected="a file outside the folder",
            hint="check it first, and move it into the folder then",
        )
    history = read(source, as_of=as_of, policy=policy)
    ledger = ledger_of(history, source_name=source.resolve().name, as_of=as_of, policy=policy)
    new = _read_fresh(fresh, source=source, policy=policy)
    settings = forecast_settings(policy, band_level=policy.band_level)
    outlook = look_out(jumps_known(ledger, history), settings=settings)
    past = history_of(ledger, history.meters, outlook)
    rows = check_readings(new.sessions, past, policy)
    return Checked(rows, visit_verdicts(rows), new.held_back)


def doubted_in(store: Path) -> list[str]:
    """Say which readings of a store file look written down at another point of their visit.

    Raises
    ------
    DriftError
        If the store cannot be used.
    """
    sources = read(store, as_of=date.max, policy=Policy())
    return told_swaps(swapped_points(sources.sessions))


def _read_fresh(fresh: Path, *, source: Path, policy: Policy) -> Sources:
    """Read one CSV file by the rules of intake, as if it were a folder of its own."""
    beside = [fresh.parent / FILE_NAME, source / FILE_NAME]
    for path in beside:
        check_place(path, raised=SourceError, expected="a mapping file")
    mapping = next((path for path in beside if path.is_file()), None)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "fresh"
        folder.mkdir()
        try:
            shutil.copyfile(fresh, folder / f"{fresh.stem}.csv")
            if mapping is not None:
                shutil.copyfile(mapping, folder / FILE_NAME)
        except OSError as error:
            raise SourceError(
                what=f"cannot be read ({error.strerror})",
                where=str(error.filename or fresh),
                expected="a readable file",
            ) from error
        try:
            return read_folder(folder, as_of=None, policy=policy)
        except SourceError as error:
            # Said of the copy, but meant of what was copied.
            of_mapping = mapping is not None and error.where == str(folder / FILE_NAME)
            raise SourceError(
                what="holds no table of readings" if error.where == str(folder) else error.what,
                where=str(mapping if of_mapping else fresh),
                expected=error.expected,
                hint=error.hint,
            ) from error
