"""This module takes what a script gives: a source in any form, a date, a policy."""

import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import date, datetime
from os import PathLike
from pathlib import Path

import polars as pl

from drift.api.sources import read_known
from drift.errors import DriftError, SourceError
from drift.ids import did_you_mean
from drift.intake.columns import TABLES
from drift.review.policy import Policy, check_policy, read_policy
from drift.store.tables import Sources

# A folder of CSV files, a store file, or frames by name of table.
Source = str | PathLike[str] | Mapping[str, pl.DataFrame]
Day = date | str | None
# A policy, or the TOML file that holds one.
Choices = Policy | str | PathLike[str] | None

_FRAMES = "frames"


def read_given(source: Source, *, as_of: date, policy: Policy) -> tuple[Sources, str]:
    """Read what was known on `as_of`; return it with the name of the source.

    Raises
    ------
    DriftError
        If the source cannot be used.
    """
    if not isinstance(source, Mapping):
        path = Path(source)
        return read_known(path, as_of=as_of, policy=policy), path.resolve().name
    with _written_down(source) as folder:
        sources = read_known(folder, as_of=as_of, policy=policy)
    _check_recognised(source, sources)
    return sources, _FRAMES


def day_given(as_of: Day) -> date:
    """Return the day meant, today where none is given.

    Raises
    ------
    DriftError
        If it is neither a date nor the text of one.
    """
    if as_of is None:
        return date.today()  # noqa: DTZ011 (the laboratory's own day)
    if isinstance(as_of, date):
        return as_of.date() if isinstance(as_of, datetime) else as_of
    try:
        return date.fromisoformat(as_of)
    except (TypeError, ValueError) as error:
        raise DriftError(
            what=f"{as_of!r} is no date",
            where="as_of",
            expected="a date, or text such as 2026-10-01",
        ) from error


def policy_given(policy: Choices) -> Policy:
    """Return the choices meant, checked; the defaults where none are given.

    Raises
    ------
    PolicyError
        If one is unknown, of a wrong type, or cannot be meant.
    """
    if isinstance(policy, Policy):
        return check_policy(policy)
    return read_policy(None if policy is None else Path(policy))


@contextmanager
def _written_down(frames: Mapping[str, pl.DataFrame]) -> Iterator[Path]:
    """Give a private folder that holds frames as CSV files, so that intake judges them."""
    for name, frame in frames.items():
        _check_frame(name, frame)
    if "readings" not in frames:
        raise SourceError(
            what="hold no table of readings", where=_FRAMES, expected='a frame called "readings"'
        )
    with tempfile.TemporaryDirectory(prefix="drift-") as private:
        folder = Path(private) / _FRAMES
        folder.mkdir()
        for name, frame in frames.items():
            try:
                _without_midnights(frame).write_csv(folder / f"{name}.csv")
            except pl.exceptions.PolarsError as error:
                raise SourceError(
                    what=f"cannot be written as CSV ({error})",
                    where=f"{_FRAMES}[{name!r}]",
                    expected="columns of text, numbers and dates",
                ) from error
        yield folder


def _check_frame(name: str, frame: object) -> None:
    """Raise unless `name` is that of an input table and `frame` one of polars."""
    where = f"{_FRAMES}[{name!r}]"
    if name not in TABLES:
        raise SourceError(
            what="is no input table",
            where=where,
            expected=f"one of {', '.join(TABLES)}",
            hint=did_you_mean(str(name), TABLES),
        )
    if not isinstance(frame, pl.DataFrame):
        raise SourceError(
            what=f"is a {type(frame).__name__}", where=where, expected="a polars DataFrame"
        )


def _without_midnights(frame: pl.DataFrame) -> pl.DataFrame:
    """Return a frame in which times that are all midnight are dates, as intake reads them."""
    days = [
        name
        for name, kind in frame.schema.items()
        if kind == pl.Datetime and (frame[name] == frame[name].dt.truncate("1d")).all()
    ]
    return frame.with_columns(pl.col(days).dt.date()) if days else frame


def _check_recognised(frames: Mapping[str, pl.DataFrame], sources: Sources) -> None:
    """Raise if a frame was not taken for the table that it was given as."""
    rows = {row["file"]: row for row in sources.files.iter_rows(named=True)}
    for name in frames:
        row = rows[f"{name}.csv"]
        if row["table_name"] != name:
            raise SourceError(
                what=row["note"] or f"has the columns of {row['table_name'] or 'no table'}",
                where=f"{_FRAMES}[{name!r}]",
                expected=f"the columns of the table {name}",
            )
