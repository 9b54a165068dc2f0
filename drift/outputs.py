"""This module writes the data files of a review; it draws and decides nothing.

Numbers are written to six significant digits: more than any dial can mean, and few enough that
the order in which a machine adds never shows.  Text that a spreadsheet would run as a formula is
written with a leading apostrophe.
"""

import json
from pathlib import Path

import polars as pl

from drift.frames import FORECAST, HELD_BACK, LEDGER, METERS, SIGNALS
from drift.results import Review

SIGNIFICANT_DIGITS = 6
# What a spreadsheet takes for the start of a formula (common practice, no source).
_FORMULA_STARTS = "^[=+@\t\r-]"

VISITS = tuple(
    name for name in LEDGER if name not in {"series", "visit", "t_years"} and "biases" not in name
)

CAUSES = ("meter_id", "segment", "cause", "probability", "evidence")


def write_data(review: Review, folder: Path) -> None:
    """Write everything that a review found, and the rows held back, as CSV into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    _write_csv(review.meters.select(METERS.keys()), folder / "meters.csv")
    _write_csv(review.ledger.select(VISITS), folder / "visits.csv")
    _write_csv(review.forecast.select(FORECAST.keys()), folder / "forecast.csv")
    _write_csv(review.signals.select(SIGNALS.keys()), folder / "signals.csv")
    _write_csv(review.reference.effects, folder / "reference.csv")
    _write_csv(review.reference.causes.select(CAUSES), folder / "causes.csv")
    _write_csv(review.own_meters, folder / "own_standings.csv")
    _write_csv(review.sources.held_back.select(HELD_BACK.keys()), folder / "held_back.csv")


def write_record(record: dict[str, object], path: Path) -> None:
    """Write the record of a run as JSON."""
    text = json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def _write_csv(frame: pl.DataFrame, path: Path) -> None:
    """Write `frame` so that it reads the same in any program and on any run."""
    columns = [
        _plain_number(name) if kind.is_float() else _plain_text(name) if kind == pl.String else name
        for name, kind in frame.schema.items()
    ]
    frame.select(columns).write_csv(path)


def _plain_number(name: str) -> pl.Expr:
    """Round to the digits that are written; no NaN, no negative zero."""
    rounded = pl.col(name).fill_nan(None).round_sig_figs(SIGNIFICANT_DIGITS)
    return pl.when(rounded != 0).then(rounded).otherwise(rounded.abs()).alias(name)


def _plain_text(name: str) -> pl.Expr:
    """Spell minus signs and spaces in ASCII and take the power out of formulas."""
    text = pl.col(name).str.replace_all("\u2212", "-").str.replace_all("[\u00a0\u202f]", " ")
    formula = text.str.contains(_FORMULA_STARTS)
    safe = pl.when(formula).then(pl.lit("'") + text).otherwise(text)
    return pl.when(safe != "").then(safe).alias(name)
