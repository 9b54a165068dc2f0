"""This module writes data files, and reads those of an earlier review back."""

import json
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from drift.errors import SourceError
from drift.frames import Schema
from drift.limits.signals import SIGNALS
from drift.meter.ledger import LEDGER
from drift.places import check_place
from drift.reference.pairs import REFERENCE_CHECK
from drift.report.leftovers import is_interrupted
from drift.report.own_files import record_at
from drift.review.changes import Earlier
from drift.review.clauses.answers import answer_clauses, evidence_frame
from drift.review.forecasts import FORECAST
from drift.review.meters import METERS
from drift.review.open_points import open_points
from drift.review.register import due_items, register_of
from drift.review.register_faults import register_faults
from drift.review.responses import RESPONSES
from drift.review.results import Review
from drift.store.tables import HELD_BACK
from drift.upkeep.intervals.recommend import INTERVALS

SIGNIFICANT_DIGITS = 6
# What a spreadsheet takes for the start of a formula (common practice, no source).
FORMULA_STARTS = "^[=+@\t\r-]"
# The same where a program splits lines at semicolons and not at commas: then a cell also begins
# behind one, and behind a break of line, which no quote holds together any more.
FORMULA_WITHIN = '([;\n\r]"*)([=+@\t-])'

VISITS = tuple(
    name for name in LEDGER if name not in {"series", "visit", "t_years"} and "biases" not in name
)

CAUSE_COLUMNS = ("meter_id", "segment", "cause", "probability", "evidence")

# A signal with the day of the first response to it, null where there is none.
ANSWERED_SIGNALS = (*SIGNALS, "answered_on")

_ANSWERED = "answered_on"
# Each data file that is compared: its columns as of now, and those without which there is nothing
# to compare; another may be missing from what an older version of the program wrote.
_FILES: dict[str, tuple[Schema, tuple[str, ...]]] = {
    "meters": (METERS, ("meter_id", "standing", "overdue", "last_visit_on")),
    "signals": (SIGNALS | {_ANSWERED: pl.Date}, ("signal_id", "meter_id")),
    "forecast": (FORECAST, ("meter_id", "point_pct", "on_date")),
}
_BEYOND_ANY_CHOICE = 1e15
# Rows up to which it takes longer to look for what is to be spelled otherwise than to do it.
_FEW_ROWS = 5_000
# Rows of the longest table that a workbook holds, see `drift.report.workbook`.
LONGEST_TABLE = 25_000
_EXPECTED = "the folder that an earlier review was written into with --out"


def data_tables(review: Review) -> dict[str, pl.DataFrame]:
    """Return everything that a review found, and the rows held back, by name of data file.

    Numbers are rounded and text is spelled as they are written; text is not yet made harmless to
    a spreadsheet that reads CSV.
    """
    return {name: plain_columns(frame) for name, frame in review_frames(review).items()}


def write_review(review: Review, folder: Path, *, parquet: bool = False) -> dict[str, pl.DataFrame]:
    """Write the tables of `data_tables` as `write_data` does, and return them.

    They are made one by one, because all of a large fleet's are half a gigabyte; those of more than
    `LONGEST_TABLE` rows are returned as they were before they were rounded and spelled.
    """
    tables = review_frames(review)
    for name, frame in tables.items():
        plain = plain_columns(frame)
        write_data({name: plain}, folder, parquet=parquet)
        if frame.height <= LONGEST_TABLE:
            tables[name] = plain
    return tables


def review_frames(review: Review) -> dict[str, pl.DataFrame]:
    """Return the frames of a review that are written, by name of data file."""
    return {
        "meters": review.meters.select(METERS.keys()),
        "obligations": review.obligations,
        **({"since": review.since.rows} if review.since else {}),
        "visits": review.ledger.select(VISITS),
        **({"trends": review.plain_trends().drop("series")} if review.trends_written else {}),
        "forecast": review.forecast.select(FORECAST.keys()),
        "intervals": review.upkeep.intervals.select(INTERVALS.keys()),
        "signals": review.signals.select(ANSWERED_SIGNALS),
        "phases": review.phases,
        "responses": review.responses.select(RESPONSES.keys()),
        "open_points": open_points(review),
        "register": register_of(review),
        "due": due_items(review),
        "register_faults": register_faults(review),
        "reference": review.reference.effects,
        "vessels": review.reference.vessels,
        "bowls": review.reference.bowls,
        "vessel_bowls": review.reference.pairs,
        "vessel_history": review.reference.history,
        "vessel_belief": review.reference.belief,
        "vessel_agreement": review.reference.agreement,
        "vessel_checks": review.reference.checks.select(REFERENCE_CHECK.keys()),
        "check_meters": review.reference.witnesses.held,
        "reference_verdicts": review.reference.witnesses.verdicts,
        "check_series": review.checks.series,
        "check_days": review.checks.days,
        "comparison_scores": review.comparisons.scores,
        "field_bench": review.comparisons.field_bench,
        "conformity": review.conformity.verdicts,
        "uncertainty": review.conformity.budgets,
        "risks": review.conformity.risks,
        "causes": review.reference.causes.select(CAUSE_COLUMNS),
        "zero_span": review.zero_span.visits,
        "zero_span_drifts": review.zero_span.drifts,
        "hysteresis": review.zero_span.hysteresis,
        "own_standings": review.own_meters,
        "barred_uses": review.uses,
        "unread_rows": review.held.select("meter_id", "on_date", "words"),
        **({} if review.part else {"evidence": evidence_frame(answer_clauses(review))}),
        "held_back": review.sources.held_back.select(HELD_BACK.keys()),
    }


def write_data(tables: dict[str, pl.DataFrame], folder: Path, *, parquet: bool = False) -> None:
    """Write each table as a CSV file of its name into `folder`, and as a Parquet file if asked."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.items():
        disarmed(frame).write_csv(folder / f"{name}.csv")
        if parquet:
            frame.write_parquet(folder / f"{name}.parquet")


def write_record(record: dict[str, object], path: Path) -> None:
    """Write the record of a run as JSON."""
    text = json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8", newline="\n")


def plain_columns(frame: pl.DataFrame) -> pl.DataFrame:
    """Round and spell `frame` so that it reads the same in any program and on any run."""
    return frame.select(
        _plain_number(name)
        if kind.is_float()
        else _spelled(frame, name, _plain_text(name))
        if kind == pl.String
        else name
        for name, kind in frame.schema.items()
    )


def _spelled(frame: pl.DataFrame, name: str, spelling: pl.Expr) -> pl.Expr | pl.Series:
    """Return a column of text in another spelling; most have few values, and none that changes."""
    if frame.height <= _FEW_ROWS:
        return spelling
    column = frame[name]
    values = column.unique().to_frame()
    if values.select(spelling).to_series().equals(values.to_series()):
        return column
    return column.to_frame().select(spelling).to_series()


def _plain_number(name: str) -> pl.Expr:
    """Round to the digits that are written; no NaN, no negative zero."""
    rounded = pl.col(name).fill_nan(None).round_sig_figs(SIGNIFICANT_DIGITS)
    return pl.when(rounded != 0).then(rounded).otherwise(rounded.abs()).alias(name)


def _plain_text(name: str) -> pl.Expr:
    """Spell minus signs and spaces in ASCII; text without a character is not known."""
    text = pl.col(name).str.replace_all("\u2212", "-").str.replace_all("[\u00a0\u202f]", " ")
    return pl.when(text != "").then(text).alias(name)


def disarmed(frame: pl.DataFrame) -> pl.DataFrame:
    """Take the power out of text that a spreadsheet would run as a formula, by an apostrophe."""
    return frame.with_columns(
        _spelled(frame, name, _disarmed_text(name))
        for name, kind in frame.schema.items()
        if kind == pl.String
    )


def _disarmed_text(name: str) -> pl.Expr:
    """Put an apostrophe before what begins a formula."""
    text = pl.col(name).str.replace_all(FORMULA_WITHIN, "$1'$2")
    formula = pl.col(name).str.contains(FORMULA_STARTS)
    return pl.when(formula).then("'" + text).otherwise(text).alias(name)


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
    for place in (folder, path.parent, path):
        check_place(place, raised=SourceError, expected=_EXPECTED)
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
    check_place(path, raised=SourceError, expected=_EXPECTED)
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
    written = disarmed(plain_columns(meter_ids.to_frame()))[meter_ids.name]
    return dict(zip(written.to_list(), meter_ids.to_list(), strict=True))


def _as_now(ids: dict[str, str]) -> pl.Expr:
    """Return the ids of a data file as they are now; one that is gone as it was written."""
    return pl.col("meter_id").replace(ids)
