"""This module says how results in use agree with something else, and with the bench."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift import format as text
from drift.conformity.comparisons import (
    AGREES_WITH,
    APART,
    BENCH_ALONE,
    CANNOT,
    DISAGREES,
    FOLLOWS,
    NOT_COMPARED,
    OWN_SD,
    UNTOLD_SLOPE,
)
from drift.frames import Row
from drift.report.figures.rows import figure_rows
from drift.review.results import Review

_LONGEST_TABLE = 50
_LONGEST_NAME = 24
OTHERS = {
    "second_meter": "a second meter",
    "gravimetric": "gravimetric content",
    "volumetric": "volumetric content",
    "assigned_value": "assigned value of a round",
}
RESULTS = {
    AGREES_WITH: "agrees",
    DISAGREES: "disagrees",
    BENCH_ALONE: "cannot say",
    CANNOT: "cannot say",
    NOT_COMPARED: "not compared",
}
SAYS = {
    FOLLOWS: "what the bench finds is found in the field",
    APART: "the field does not follow the bench",
    UNTOLD_SLOPE: "cannot say",
}


@dataclass(frozen=True, slots=True)
class ScoreRow:
    """One comparison, % air; scores are None where they cannot be given.

    Attributes
    ----------
    result : str
        In words, with the reason where nothing can be said.
    """

    comparison_id: str
    compared_on: date
    meter_id: str
    other: str
    air: float
    other_air: float
    difference: float
    bench: float | None
    en: float | None
    zeta: float | None
    z: float | None
    result: str
    disagrees: bool


@dataclass(frozen=True, slots=True)
class FieldBenchRow:
    """What differences of one kind have to do with what the bench found, % air."""

    other: str
    comparisons: int
    meters: int
    mean: float | None
    low: float | None
    high: float | None
    sd: float | None
    sd_after: float | None
    slope: float | None
    slope_low: float | None
    slope_high: float | None
    says: str


@dataclass(frozen=True, slots=True)
class ComparedPart:
    """Comparisons with something else; rows are empty where none is on record."""

    lead: str
    figure: str
    rows: tuple[ScoreRow, ...]
    rows_total: int
    field: tuple[FieldBenchRow, ...]
    own_spread: bool


def compared_part(review: Review) -> ComparedPart:
    """Return what the page on the reference says of comparisons."""
    scores = review.comparisons.scores
    newest = scores.sort("compared_on", "comparison_id", descending=[True, False])
    return ComparedPart(
        lead=_lead(scores),
        figure=_figure(scores),
        rows=tuple(_score(row) for row in newest.head(_LONGEST_TABLE).iter_rows(named=True)),
        rows_total=scores.height,
        field=tuple(_field(row) for row in review.comparisons.field_bench.iter_rows(named=True)),
        own_spread=(scores["sd_basis"] == OWN_SD).any(),
    )


def _lead(scores: pl.DataFrame) -> str:
    """Say how many comparisons agree, and how many do not say."""
    if scores.is_empty():
        return ""
    counts = dict(scores["result"].value_counts().iter_rows())
    told = [
        f"{text.whole(counts[result])} {words}"
        for result, words in (
            (DISAGREES, "disagree"),
            (AGREES_WITH, "agree"),
            (BENCH_ALONE, "differ by more than the bench accounts for, which proves nothing alone"),
            (CANNOT, "cannot be scored"),
            (NOT_COMPARED, "are not compared"),
        )
        if counts.get(result)
    ]
    meters = text.count(scores["meter_id"].n_unique(), "meter")
    return (
        f"{text.count(scores.height, 'comparison')} of {meters} with something else: "
        f"{text.listed(told)}."
    )


def _score(row: Row) -> ScoreRow:
    """Return a row of the page."""
    words = RESULTS[row["result"]]
    return ScoreRow(
        comparison_id=row["comparison_id"],
        compared_on=row["compared_on"],
        meter_id=row["meter_id"],
        other=OTHERS[row["other"]],
        air=row["air_pct"],
        other_air=row["other_air_pct"],
        difference=row["difference_pct"],
        bench=row["bench_bias_pct"],
        en=row["en"],
        zeta=row["zeta"],
        z=row["z"],
        result=f"{words}: {row['why']}" if row["why"] else words,
        disagrees=row["result"] == DISAGREES,
    )


def _field(row: Row) -> FieldBenchRow:
    """Return a row of the table of field and bench."""
    return FieldBenchRow(
        other=OTHERS[row["other"]],
        comparisons=row["comparisons"],
        meters=row["meters"],
        mean=row["mean_pct"],
        low=row["mean_low"],
        high=row["mean_high"],
        sd=row["sd_pct"],
        sd_after=row["sd_after_pct"],
        slope=row["slope"],
        slope_low=row["slope_low"],
        slope_high=row["slope_high"],
        says=SAYS[row["says"]],
    )


def _figure(scores: pl.DataFrame) -> str:
    """Return rows of the figure of comparisons over time, empty where none is compared."""
    drawn = scores.filter(pl.col("result") != NOT_COMPARED)
    if drawn.is_empty():
        return ""
    u = (
        pl.col("u_meter_pct").fill_null(0.0) ** 2 + pl.col("u_other_pct").fill_null(0.0) ** 2
    ).sqrt()
    difference = pl.col("difference_pct")
    rows = drawn.with_columns(
        on="compared_on",
        difference=difference,
        low=difference - 2 * u,
        high=difference + 2 * u,
        disagrees=pl.col("result") == DISAGREES,
        agrees=pl.col("result") == AGREES_WITH,
        words=pl.Series([_words(row) for row in drawn.iter_rows(named=True)]),
    )
    return figure_rows("comparisons", {"comparisons": rows})


def _words(row: Row) -> str:
    """Say one comparison in words."""
    meter = text.shortened(row["meter_id"], longest=_LONGEST_NAME)
    en = "" if row["en"] is None else f", E_n {text.plain(round(row['en'], 2))}"
    return (
        f"{meter}, {text.day(row['compared_on'])}, {OTHERS[row['other']]}: "
        f"{text.bias_with_unit(row['difference_pct'])}{en}"
    )
