"""This module reads what an earlier review wrote into its folder; it compares nothing."""

from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from drift.decisions.changes_since import Earlier
from drift.errors import SourceError
from drift.frames import FORECAST, METERS, SIGNALS, Schema
from drift.writing.leftovers import is_interrupted
from drift.writing.outputs import disarmed, plain
from drift.writing.own_files import record_at

_ANSWERED = "answered_on"
# Each data file that is compared: its columns as of now, and those without which there is nothing
# to compare; another may be missing from what an older version of the program wrote.
_FILES: dict[str, tuple[Schema, tuple[str, ...]]] = {
    "meters": (METERS, ("meter_id", "standing", "overdue", "last_visit_on")),
    "signals": (SIGNALS | {_ANSWERED: pl.Date}, ("signal_id", "meter_id")),
    "forecast": (FORECAST, ("meter_id", "point_pct", "on_date")),
}
_BEYOND_ANY_CHOICE = 1e15
_EXPECTED = "the folder that an earlier review was written into with --out"


def read_previous(folder: Path, *, as_of: date, source_name: str, meter_ids: pl.Series) -> Earlier:
    """Read an earlier review from the folder it was written into.

    Parameters
    ----------
    folder : Path
        With ``data/run.json`` and the data files beside it.
    as_of : date
        The date of the review of now.
    source_name : str
        Its source.
    meter_ids : pl.Series
        Its meters, by which those of the earlier review are recognised.

    Raises
    ------
    SourceError
        If the folder holds no review, one of another fleet, or one that speaks for a later date.
    """
    record = _record(folder)
    then = date.fromisoformat(record["as_of"])
    if then > as_of:
        raise SourceError(
            what=f"speaks for {then}, later than this review's {as_of}",
            where=str(folder),
            expected="a review of an earlier date",
            hint="exchange the two, or give a later --as-of",
        )
    read = {
        name: _table(folder / "data" / f"{name}.csv", schema, needed, version=record["version"])
        for name, (schema, needed) in _FILES.items()
    }
    ids = _ids_as_written(meter_ids)
    frames = {name: frame.with_columns(_as_now(ids)) for name, (frame, _) in read.items()}
    if not set(frames["meters"]["meter_id"]) & set(meter_ids):
        raise SourceError(
            what=f"is a review of {record['source']!r} and has no meter in common with "
            f"{source_name!r}",
            where=str(folder),
            expected="an earlier review of the same fleet",
        )
    return Earlier(
        as_of=then,
        version=record["version"],
        source_name=record["source"],
        policy=record["policy"],
        files=pl.DataFrame(
            {name: [file[name] for file in record["files"]] for name in ("file", "sha256")}
        ),
        meters=frames["meters"],
        signals=frames["signals"],
        forecast=frames["forecast"],
        knew_responses=_ANSWERED not in read["signals"][1],
    )


def _record(folder: Path) -> dict[str, Any]:
    """Return the record of a run, of which the keys that are used have been looked at."""
    path = folder / "data" / "run.json"
    if is_interrupted(folder):
        raise SourceError(
            what="holds a review that was stopped while it took the place of the one before",
            where=str(folder),
            expected=_EXPECTED,
            hint="any review with --out into that folder sets it right first",
        )
    if not path.is_file():
        raise SourceError(
            what="holds no review: it has no file data/run.json",
            where=str(folder),
            expected=_EXPECTED,
        )
    record = record_at(path)
    if not _is_sound(record):
        raise SourceError(what="is not the record of a review", where=str(path), expected=_EXPECTED)
    return record


def _is_sound(record: dict[str, Any]) -> bool:
    """Say whether a record holds what is used of it, in its types."""
    kinds = (("version", str), ("source", str), ("policy", dict), ("files", list), ("as_of", str))
    if not all(isinstance(record.get(key), kind) for key, kind in kinds) or not record["files"]:
        return False
    try:
        date.fromisoformat(record["as_of"])
    except ValueError:
        return False
    files = all(
        isinstance(file, dict)
        and isinstance(file.get("file"), str)
        and isinstance(file.get("sha256"), str)
        for file in record["files"]
    )
    level = record["policy"].get("band_level", 0.5)
    is_share = isinstance(level, float) and 0 < level < 1
    return files and is_share and all(map(_is_choice, record["policy"].values()))


def _is_choice(value: object) -> bool:
    """Say whether a value could be a choice of a policy: one, a list of some or a table of such."""
    if isinstance(value, dict):
        return all(_is_choice(one) and not isinstance(one, dict) for one in value.values())
    if isinstance(value, list):
        return all(_is_choice(one) and not isinstance(one, dict | list) for one in value)
    if isinstance(value, int | float):
        return abs(value) < _BEYOND_ANY_CHOICE
    return value is None or isinstance(value, str)


def _table(
    path: Path, schema: Schema, needed: tuple[str, ...], *, version: str
) -> tuple[pl.DataFrame, set[str]]:
    """Read a data file in the types of `schema`; return also the columns that it lacks."""
    if not path.is_file():
        raise SourceError(what="is no file", where=str(path), expected=_EXPECTED)
    try:
        texts = pl.read_csv(path, infer_schema=False, glob=False)
    except OSError as error:
        raise SourceError(
            what=f"cannot be read ({error.strerror})", where=str(path), expected=_EXPECTED
        ) from error
    except (pl.exceptions.PolarsError, UnicodeDecodeError) as error:
        raise SourceError(
            what="is not a table of comma-separated values", where=str(path), expected=_EXPECTED
        ) from error
    lacking = set(schema) - set(texts.columns)
    if absent := [name for name in needed if name in lacking]:
        raise SourceError(
            what=f"has no column {' and no '.join(absent)}",
            where=f"{path} (drift {version})",
            expected=_EXPECTED,
            hint="review that date again with this version, and compare with what it writes",
        )
    try:
        columns = [
            pl.lit(None, dtype=kind).alias(name) if name in lacking else _typed(name, kind)
            for name, kind in schema.items()
        ]
        return texts.select(columns), lacking
    except pl.exceptions.PolarsError as error:
        raise SourceError(
            what="holds a value that no review writes", where=str(path), expected=_EXPECTED
        ) from error


def _typed(name: str, kind: pl.DataType | type[pl.DataType]) -> pl.Expr:
    """Turn a column of text into its type."""
    if kind == pl.Date:
        return pl.col(name).str.to_date("%Y-%m-%d")
    if kind == pl.Boolean:
        return pl.col(name).replace_strict({"true": True, "false": False}, return_dtype=pl.Boolean)
    return pl.col(name).cast(kind)


def _ids_as_written(meter_ids: pl.Series) -> dict[str, str]:
    """Return the ids of now by the form that data files give them."""
    written = disarmed(plain(meter_ids.to_frame()))[meter_ids.name]
    return dict(zip(written.to_list(), meter_ids.to_list(), strict=True))


def _as_now(ids: dict[str, str]) -> pl.Expr:
    """Return the ids of a data file as they are now; one that is gone as it was written."""
    return pl.col("meter_id").replace(ids)
