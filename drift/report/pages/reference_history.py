"""This module says how vessels held from calibration to calibration, and what they are worth."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift import format as text
from drift.frames import Row
from drift.reference.normalised_error import CONTRADICTED
from drift.reference.vessel_history import BELIEVABLE, TOO_LARGE, TOO_SMALL, UNTOLD
from drift.report.figures.rows import figure_rows
from drift.review.obligation_words import capital
from drift.review.results import Review

_LONGEST_TABLE = 50
_MOST_VESSELS = 8
_LONGEST_NAME = 24
_MOST_SENTENCES = 4
_AIR = f"{text.NO_BREAK}%{text.NO_BREAK}air"
_ONCE = (
    "No vessel has been calibrated twice. So calibrations alone cannot say whether a vessel holds, "
    "or whether its stated uncertainty is right."
)
BELIEFS = {
    BELIEVABLE: "believable",
    TOO_SMALL: "too small for how its values differ, or it changed",
    TOO_LARGE: "larger than its values need",
    UNTOLD: "cannot say: one calibration",
}


@dataclass(frozen=True, slots=True)
class HistoryRow:
    """One calibration of a vessel held against those before; % air at one fill, None: no value."""

    vessel_id: str
    calibrated_on: date
    mass: float | None
    value: float | None
    u: float | None
    low: float | None
    high: float | None
    en: float | None
    said: float | None
    did: float | None
    did_low: float | None
    did_high: float | None
    en_meters: float | None
    doubted: bool


@dataclass(frozen=True, slots=True)
class BeliefRow:
    """Whether the uncertainties of a vessel can be meant, and when it is due.

    Attributes
    ----------
    due : str
        In words: by when, past, or not on record.
    """

    name: str
    calibrations: int
    birge: float | None
    p: float | None
    belief: str
    change: float | None
    change_low: float | None
    change_high: float | None
    due: str
    late: bool


@dataclass(frozen=True, slots=True)
class VesselHistory:
    """The history of the vessels; rows are empty where none can be used, the figure too."""

    lead: tuple[str, ...]
    figure: str
    rows: tuple[HistoryRow, ...]
    rows_total: int
    beliefs: tuple[BeliefRow, ...]


def history_of_vessels(review: Review) -> VesselHistory:
    """Return what the page on the reference says of the history of vessels."""
    history, belief = review.reference.history, review.reference.belief
    newest = history.sort("calibrated_on", "vessel_id", descending=[True, False])
    return VesselHistory(
        lead=tuple(_lead(review)[:_MOST_SENTENCES]),
        figure=_figure(history),
        rows=tuple(_row(row) for row in newest.head(_LONGEST_TABLE).iter_rows(named=True)),
        rows_total=history.height,
        beliefs=tuple(
            _belief(row, as_of=review.as_of)
            for row in belief.tail(_LONGEST_TABLE).iter_rows(named=True)
        ),
    )


def _row(row: Row) -> HistoryRow:
    """Return a row of the page."""
    en = [row[name] for name in ("en_before", "en_all") if row[name] is not None]
    return HistoryRow(
        vessel_id=row["vessel_id"],
        calibrated_on=row["calibrated_on"],
        mass=row["water_mass_g"],
        value=row["value_pct"],
        u=row["u_pct"],
        low=row["low_limit"],
        high=row["high_limit"],
        en=max(en, default=None),
        said=row["said_pct"],
        did=row["did_pct"],
        did_low=row["did_low"],
        did_high=row["did_high"],
        en_meters=row["en_meters"],
        doubted=row["verdict"] == CONTRADICTED,
    )


def _belief(row: Row, *, as_of: date) -> BeliefRow:
    """Return what is said of one vessel, or of all of them."""
    late = row["due_on"] is not None and row["due_on"] < as_of
    due = "not on record"
    if row["vessel_id"] is None:
        due = ""
    elif row["due_on"]:
        due = f"{'past: ' if late else ''}{text.day(row['due_on'])}"
    return BeliefRow(
        name=row["vessel_id"] or "all vessels",
        calibrations=row["calibrations"],
        birge=row["birge_ratio"],
        p=row["p_larger"],
        belief=BELIEFS.get(row["belief"] or UNTOLD, ""),
        change=row["change_pct_per_year"],
        change_low=row["change_low"],
        change_high=row["change_high"],
        due=due,
        late=late,
    )


def _lead(review: Review) -> list[str]:
    """Say what matters of the history, the newest first."""
    history, belief = review.reference.history, review.reference.belief
    if history.is_empty():
        return []
    against = history.filter(pl.col("verdict") == CONTRADICTED).sort("calibrated_on")
    told = [_contradicted(row) for row in against.tail(2).reverse().iter_rows(named=True)]
    small = belief.filter((pl.col("belief") == TOO_SMALL) & pl.col("vessel_id").is_not_null())
    told += [
        f"The uncertainties stated for {_name(row)} are too small, or it changed: its values "
        f"scatter {text.plain(round(row['birge_ratio'], 1))} times as far as stated (chance "
        f"{text.probability(row['p_larger'])} if the stated uncertainties are right)."
        for row in small.head(1).iter_rows(named=True)
    ]
    late = belief.filter(pl.col("due_on") < review.as_of)
    told += [
        f"{capital(_name(row))} was due for calibration on {text.day(row['due_on'])}."
        for row in late.iter_rows(named=True)
    ]
    again = history.drop_nulls("en_all")["vessel_id"].n_unique()
    if told:
        return told
    if not again:
        return [_ONCE]
    agree = (
        f"Of {text.count(again, 'vessel')} calibrated again, each new value agrees with those "
        "before within the uncertainties stated."
    )
    return [agree]


def _contradicted(row: Row) -> str:
    """Say in what a calibration is not what was to be expected."""
    on = text.day(row["calibrated_on"])
    if row["en_meters"] is not None and row["en_meters"] > 1:
        return (
            f"By its calibration of {on}, {_name(row)} was to make meters read "
            f"{text.bias_with_unit(row['said_pct'])} more at {text.point(5.0)}; they read "
            f"{text.bias_with_unit(row['did_pct'])} more "
            f"({text.interval(row['did_low'], row['did_high'])}): the value and the meters "
            f"do not agree (E_n {text.plain(round(row['en_meters'], 1))}; 1 is allowed)."
        )
    en = max(row["en_before"], row["en_all"])
    return (
        f"{_name(row)}, calibrated {on}: {text.spread(row['value_pct'])}{_AIR}, where "
        f"{text.spread(row['low_limit'])} to {text.spread(row['high_limit'])} was to be expected "
        f"(E_n {text.plain(round(en, 1))}; 1 is allowed)."
    )


def _name(row: Row) -> str:
    """Return the name of a vessel fit for a sentence."""
    printable = "".join(mark if mark.isprintable() else "?" for mark in row["vessel_id"])
    return f"vessel {text.shortened(printable, longest=2 * _LONGEST_NAME)}"


def _figure(history: pl.DataFrame) -> str:
    """Return rows of the figure of vessels over time, empty where none was calibrated twice."""
    known = history.drop_nulls(["value_pct", "u_pct"])
    again = known.filter(pl.len().over("vessel_id") > 1)
    newest = again.group_by("vessel_id").agg(pl.col("calibrated_on").max())
    shown = newest.sort("calibrated_on", "vessel_id", descending=[True, False])
    drawn = again.filter(
        pl.col("vessel_id").is_in(shown["vessel_id"].head(_MOST_VESSELS).implode())
    )
    if drawn.is_empty():
        return ""
    first = pl.col("value_pct").first().over("vessel_id")
    rows = drawn.with_columns(
        on="calibrated_on",
        vessel=pl.Series(
            [text.shortened(name, longest=_LONGEST_NAME) for name in drawn["vessel_id"]]
        ),
        apart=pl.col("value_pct") - first,
        low=pl.col("value_pct") - first - 2 * pl.col("u_pct"),
        high=pl.col("value_pct") - first + 2 * pl.col("u_pct"),
        doubted=pl.col("verdict") == CONTRADICTED,
        words=pl.Series([_words(row) for row in drawn.iter_rows(named=True)]),
        **{"from": pl.col("low_limit") - first, "to": pl.col("high_limit") - first},
    ).with_columns(
        label=pl.when(pl.col("on") == pl.col("on").max().over("vessel_id")).then("vessel")
    )
    return figure_rows("vessel_values", {"calibrations": rows, "expected": rows.drop_nulls("from")})


def _words(row: Row) -> str:
    """Say one calibration in words."""
    value = f"{text.spread(row['value_pct'])}{_AIR}, u {text.spread(row['u_pct'])}"
    en = "" if row["en_all"] is None else f", E_n {text.plain(round(row['en_all'], 2))}"
    return f"{text.day(row['calibrated_on'])}: {value}{en}"
