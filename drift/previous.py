"""This module reads what an earlier review wrote into its folder; it compares nothing."""

import json
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from drift.decisions.changes_since import Earlier
from drift.errors import SourceError
from drift.frames import FORECAST, METERS, SIGNALS, Schema
from drift.writing.outputs import disarmed, plain

_ANSWERED = "answered_on"
# Each data file that is compared: its columns as of now, and those without which there is nothing
# to compare; another may be missing from what an older version of the program wrote.
_FILES: dict[str, tuple[Schema, tuple[str, ...]]] = {
    "meters": (METERS, ("meter_id", "standing", "overdue", "last_visit_on")),
    "signals": (SIGNALS | {_ANSWERED: pl.Date}, ("signal_id", "meter_id")),
    "forecast": (FORECAST, ("meter_id", "point_pct", "on_date")),
}
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
        files=pl.DataFrame(record["files"]).select("file", "sha256"),
        meters=frames["meters"],
        signals=frames["signals"],
        forecast=frames["forecast"],
        knew_responses=_ANSWERED not in read["signals"][1],
    )


def _record(folder: Path) -> dict[str, Any]:
    """Return the record of a run, of which the keys that are used have been looked at."""
    path = folder / "data" / "run.json"
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        date.fromisoformat(record["as_of"])
        ours = record["program"] == "drift" and all(
            isinstance(record[key], kind)
            for key, kind in (("version", str), ("source", str), ("policy", dict), ("files", list))
        )
        ours = ours and all({"file", "sha256"} <= set(file) for file in record["files"])
    except OSError as error:
        raise SourceError(
            what=f"holds no review: data/run.json cannot be read ({error.strerror})",
            where=str(folder),
            expected=_EXPECTED,
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise SourceError(
            what="is not the record of a review", where=str(path), expected=_EXPECTED
        ) from error
    if not ours or not record["files"]:
        raise SourceError(what="is not the record of a review", where=str(path), expected=_EXPECTED)
    return dict(record)


def _table(
    path: Path, schema: Schema, needed: tuple[str, ...], *, version: str
) -> tuple[pl.DataFrame, set[str]]:
    """Read a data file in the types of `schema`; return also the columns that it lacks."""
    try:
        texts = pl.read_csv(path, infer_schema=False)
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
