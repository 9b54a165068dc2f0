"""This module writes the data files of a review; it draws and decides nothing.

Numbers are written to six significant digits: more than any dial can mean, and few enough that
the order in which a machine adds never shows.  Text that a spreadsheet would run as a formula is
written with an apostrophe before it.
"""

import json
from pathlib import Path

import polars as pl

from drift.analysis.clauses.answers import answer_clauses, evidence_frame
from drift.decisions.responses import RESPONSES
from drift.frames import FORECAST, HELD_BACK, INTERVALS, LEDGER, METERS, SIGNALS
from drift.results import Review
from drift.stats.vessel_record import REFERENCE_CHECK

SIGNIFICANT_DIGITS = 6
# What a spreadsheet takes for the start of a formula (common practice, no source).
FORMULA_STARTS = "^[=+@\t\r-]"
# The same where a program splits lines at semicolons and not at commas: then a cell also begins
# behind one, and behind a break of line, which no quote holds together any more.
FORMULA_WITHIN = '([;\n\r]"*)([=+@\t-])'

VISITS = tuple(
    name for name in LEDGER if name not in {"series", "visit", "t_years"} and "biases" not in name
)

CAUSES = ("meter_id", "segment", "cause", "probability", "evidence")

# A signal with the day of the first response to it, null where there is none.
ANSWERED_SIGNALS = (*SIGNALS, "answered_on")


def data_tables(review: Review) -> dict[str, pl.DataFrame]:
    """Return everything that a review found, and the rows held back, by name of data file.

    Numbers are rounded and text is spelled as they are written; text is not yet made harmless to
    a spreadsheet that reads CSV.
    """
    return {name: plain(frame) for name, frame in _frames(review).items()}


def write_review(review: Review, folder: Path) -> None:
    """Write the tables of `data_tables` as `write_data` does.

    They are made one by one, because all of a large fleet's are half a gigabyte.
    """
    for name, frame in _frames(review).items():
        write_data({name: plain(frame)}, folder)


def _frames(review: Review) -> dict[str, pl.DataFrame]:
    """Return the frames of a review that are written, by name of data file."""
    return {
        "meters": review.meters.select(METERS.keys()),
        "obligations": review.obligations,
        **({"since": review.since.rows} if review.since else {}),
        "visits": review.ledger.select(VISITS),
        "forecast": review.forecast.select(FORECAST.keys()),
        "intervals": review.upkeep.intervals.select(INTERVALS.keys()),
        "signals": review.signals.select(ANSWERED_SIGNALS),
        "phases": review.phases,
        "responses": review.responses.select(RESPONSES.keys()),
        "reference": review.reference.effects,
        "vessels": review.reference.vessels,
        "vessel_agreement": review.reference.agreement,
        "vessel_checks": review.reference.checks.select(REFERENCE_CHECK.keys()),
        "conformity": review.conformity.verdicts,
        "uncertainty": review.conformity.budgets,
        "risks": review.conformity.risks,
        "causes": review.reference.causes.select(CAUSES),
        "own_standings": review.own_meters,
        "barred_uses": review.uses,
        "unread_rows": review.held.select("meter_id", "on_date", "words"),
        "evidence": evidence_frame(answer_clauses(review)),
        "held_back": review.sources.held_back.select(HELD_BACK.keys()),
    }


def write_data(tables: dict[str, pl.DataFrame], folder: Path) -> None:
    """Write each table as a CSV file of its name into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.items():
        disarmed(frame).write_csv(folder / f"{name}.csv")


def write_record(record: dict[str, object], path: Path) -> None:
    """Write the record of a run as JSON."""
    text = json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def plain(frame: pl.DataFrame) -> pl.DataFrame:
    """Round and spell `frame` so that it reads the same in any program and on any run."""
    return frame.select(
        _plain_number(name) if kind.is_float() else _plain_text(name) if kind == pl.String else name
        for name, kind in frame.schema.items()
    )


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
    texts = pl.col(pl.String).str.replace_all(FORMULA_WITHIN, "$1'$2")
    formula = pl.col(pl.String).str.contains(FORMULA_STARTS)
    return frame.with_columns(pl.when(formula).then("'" + texts).otherwise(texts).name.keep())
