"""This module gives each finding its meter, its date, a lasting id and one sentence."""

import hashlib
from collections.abc import Callable, Mapping
from functools import partial
from types import MappingProxyType
from typing import Any

import polars as pl

from drift.format import BIAS_PLACES, NO_BREAK, bias, day, fixed, spread, typed, words_of
from drift.frames import Schema
from drift.limits.charting import Charts
from drift.limits.rule_zones import CLIMB, LONG_RUN

# What the charts of checks between calibrations plot, by their kinds and then by their own names.
_CHECKS = ("zero", "leak", "point", "artefact")
_CHECK_PLOTS = {
    "ewma": "weighted mean of the {} checks so far",
    "cusum_high": "cumulative sum of {} checks above the centre",
    "cusum_low": "cumulative sum of {} checks below the centre",
}
_CHECK_CHARTS = {
    f"{check}_check_{chart}": (words.format(check), True)
    for check in _CHECKS
    for chart, words in _CHECK_PLOTS.items()
}
_WITH_MEMORY = ("ewma", "cusum_high", "cusum_low", "mark", *_CHECK_CHARTS)
_IN_AIR = "% air"

# Recorded values carry no more.
_MOST_PLACES = 9
_NUMBER = MappingProxyType({6: "six", 8: "eight"})

# What each chart plots, and whether its values carry a sign.
_PLOTTED: Mapping[str, tuple[str, bool]] = MappingProxyType(
    {
        "individuals": ("as-found bias", True),
        "mean": ("mean as-found bias", True),
        "moving_range": ("change of bias from the visit before", False),
        "spread": ("scatter of the replicates", False),
        "range": ("range of the replicates", False),
        "repeatability": ("scatter of the replicates", False),
        "ewma": ("weighted mean of the biases so far", True),
        "cusum_high": ("cumulative sum of biases above the centre", True),
        "cusum_low": ("cumulative sum of biases below the centre", True),
        "mark": ("position of the initial pressure mark", True),
        "mark_moves": ("move of the initial pressure mark", True),
        **_CHECK_CHARTS,
    }
)

# One row per signal: `data/signals.csv`.  signal_id is made of meter, point, chart, rule and
# visit date alone, so that it stays the same from review to review.
SIGNALS: Schema = {
    "signal_id": pl.String,
    "meter_id": pl.String,
    "visit_on": pl.Date,
    "point_pct": pl.Float64,
    "chart": pl.String,
    "rule": pl.String,
    "value": pl.Float64,
    "limit": pl.Float64,
    "sentence": pl.String,
}


def name_signals(
    findings: pl.DataFrame,
    *,
    ledger: pl.DataFrame,
    charted: pl.DataFrame,
    onsets: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Turn findings of rules into signals.

    Parameters
    ----------
    findings : pl.DataFrame
        Frame of `drift.limits.rules.FINDINGS`.
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`, whose series and visits the findings speak of; a
        column ``unit`` names the unit of their values where it is not % air.
    charted : pl.DataFrame
        Frame of `drift.limits.charts.shape.CHARTED` that the rules judged.
    onsets : pl.DataFrame or None
        Frame of `drift.limits.charts.cusum.ONSETS`: when the shift behind a signal of a CUSUM
        began.

    Returns
    -------
    pl.DataFrame
        Frame of `drift.limits.signals.SIGNALS`, by meter, date, point, chart and rule.

    Notes
    -----
    The id is made of what happened (meter, point, chart, rule, visit), not of when it was noticed
    or of the numbers, so that later visits, amended limits or another order of files keep it.

    A chart that remembers (EWMA, CUSUM, the place of a mark) stays beyond its limit while the same
    evidence is in its memory: such a run of visits is one signal, at its first visit.
    """
    unit = pl.col("unit") if "unit" in ledger.columns else pl.lit(_IN_AIR)
    where = ledger.select(
        "series", "visit", "meter_id", "point_pct", "visit_id", visit_on="performed_on", unit=unit
    )
    # Most charts signal nothing, and a large fleet's charted points are many.
    charted = charted.join(findings, on=["series", "chart"], how="semi", maintain_order="left")
    findings = _first_of_run(findings, charted)
    centres = charted.select("series", "chart", "visit", "centre")
    rows = (
        findings.join(where, on=["series", "visit"], how="left")
        .join(centres, on=["series", "chart", "visit"], how="left")
        .sort("meter_id", "visit_on", "visit_id", "point_pct", "chart", "rule")
    )
    rows = _with_onsets(rows, onsets, ledger)
    named = rows.with_columns(
        signal_id=pl.Series(
            [id_of_signal(row) for row in rows.iter_rows(named=True)], dtype=pl.String
        ),
        sentence=pl.Series([_sentence(row) for row in rows.iter_rows(named=True)], dtype=pl.String),
    )
    return named.select(SIGNALS.keys()).cast(SIGNALS)  # type: ignore[arg-type]  # names to types


def name_mark_signals(findings: pl.DataFrame, *, marks: pl.DataFrame) -> pl.DataFrame:
    """Turn findings on marks into signals, which belong to a meter and to none of its points.

    Parameters
    ----------
    findings : pl.DataFrame
        Frame of `drift.limits.rules.FINDINGS`.
    marks : pl.DataFrame
        Frame of `drift.limits.charts.mark.MARK_CHARTS`.
    """
    records = marks.unique(["series", "visit"]).sort("series", "visit")
    of_day = pl.int_range(1, pl.len() + 1).over("series", "performed_on")
    day_on = pl.col("performed_on").dt.to_string("iso")
    places = records.with_columns(
        point_pct=pl.lit(None, dtype=pl.Float64),
        visit_id=pl.when(of_day == 1).then(day_on).otherwise(pl.format("{} {}", day_on, of_day)),
        unit=pl.col("unit").replace_strict({"dial_pct": "% on the dial", "kpa": "kPa"}),
    )
    return name_signals(findings, ledger=places, charted=marks)


def _with_onsets(
    rows: pl.DataFrame, onsets: pl.DataFrame | None, ledger: pl.DataFrame
) -> pl.DataFrame:
    """Add ``began_on`` and ``shift`` to signals of a CUSUM, null for all others."""
    if onsets is None or onsets.is_empty():
        return rows.with_columns(
            began_on=pl.lit(None, dtype=pl.Date), shift=pl.lit(None, dtype=pl.Float64)
        )
    days = ledger.select("series", onset_visit="visit", began_on="performed_on")
    dated = onsets.select("series", "chart", "visit", "onset_visit", "shift").join(
        days, on=["series", "onset_visit"], how="left"
    )
    return rows.join(dated, on=["series", "chart", "visit"], how="left", maintain_order="left")


def _first_of_run(findings: pl.DataFrame, charted: pl.DataFrame) -> pl.DataFrame:
    """Drop a finding of a chart with memory that goes on from the plotted point before it."""
    chart = ["series", "chart"]
    order = charted.select(*chart, "visit").with_columns(
        place=pl.int_range(pl.len()).over(chart, order_by="visit")
    )
    placed = findings.join(order, on=[*chart, "visit"], how="left").sort(*chart, "rule", "visit")
    goes_on = pl.col("place").diff().over(*chart, "rule") == 1
    remembers = pl.col("chart").is_in(_WITH_MEMORY)
    return placed.filter(~(remembers & goes_on.fill_null(value=False))).drop("place")


def id_of_signal(row: dict[str, Any]) -> str:
    """Return the id of a signal: ten hexadecimal digits of a hash of what happened.

    Parameters
    ----------
    row : dict
        ``meter_id point_pct chart rule visit_on visit_id``; no point for a signal of a mark.
    """
    parts = [
        row["meter_id"],
        "" if row["point_pct"] is None else typed(row["point_pct"]),
        row["chart"],
        row["rule"],
        row["visit_on"].isoformat(),
    ]
    if row["visit_id"] != row["visit_on"].isoformat():
        parts.append(row["visit_id"])
    return "S-" + hashlib.sha256("|".join(parts).encode()).hexdigest()[:10]


def _sentence(row: dict[str, Any]) -> str:
    """Return what was seen, in one sentence."""
    return sentence(
        row["rule"],
        chart=row["chart"],
        value=row["value"],
        limit=row["limit"],
        on=day(row["visit_on"]),
        centre=row["centre"],
        unit=row["unit"],
        began=None if row["began_on"] is None else day(row["began_on"]),
        shift=row["shift"],
    )


def sentence(
    rule: str,
    *,
    chart: str,
    value: float,
    limit: float | None,
    on: str,
    centre: float | None = None,
    unit: str = "% air",
    began: str | None = None,
    shift: float | None = None,
) -> str:
    """Return what a rule saw, in one sentence with its numbers and units.

    Parameters
    ----------
    rule, chart : str
        Names, as in a finding.
    value : float
        The point at which the rule signalled, in `unit`.
    limit : float or None
        The bound that the point passed, as in a finding; None for a run.
    on : str
        The date of the visit, as it is to be shown.
    centre : float or None
        The chart's centre there, where known: a run then says on which side it lay.
    unit : str
        Unit of value, limit and centre.
    began, shift : str or None, float or None
        First visit after the shift that a CUSUM speaks of, as it is to be shown, and its size.

    Returns
    -------
    str
        A sentence with its full stop.

    Raises
    ------
    ValueError
        If no sentence is known for the rule.
    """
    plotted, signed = _PLOTTED.get(chart, (f"point of the chart of {words_of(chart)}", True))
    number = _number_words(value, limit, signed=signed)
    unit = unit.replace(" ", NO_BREAK)
    shown = f"{number(value)}{NO_BREAK}{unit}"
    side = "on one side of"
    if centre is not None:
        side = "above" if value > centre else "below"
    edge, where, end = "an unknown limit", "past", "control"
    if limit is not None:
        edge = f"{number(limit)}{NO_BREAK}{unit}"
        where, end = ("above", "upper control") if value > limit else ("below", "lower control")
    texts = {
        "beyond_limits": f"On {on} the {plotted} was {shown}, {where} the {end} limit of {edge}",
        "two_of_three_outer": (
            f"Two of three visits in a row, the last on {on} at {shown}, put the {plotted} "
            f"{where} {edge}, in the outer third of the control band or past it"
        ),
        "four_of_five_middle": (
            f"Four of five visits in a row, the last on {on} at {shown}, put the {plotted} "
            f"{where} {edge}, past the inner third of the control band"
        ),
        "long_run_one_side": (
            f"At {_NUMBER[LONG_RUN]} visits in a row, the last on {on} at {shown}, the {plotted} "
            f"lay {side} the centre line"
        ),
        "steady_climb": (
            f"Over {_NUMBER[CLIMB]} visits in a row, the last on {on} at {shown}, the {plotted} "
            "moved the same way each time"
        ),
        "wide_swing": (
            f"On {on} the {plotted} was {shown}, {where} {edge}, right after a visit "
            "as far out on the other side"
        ),
    }
    if rule not in texts:
        raise ValueError(f"no sentence is known for the rule {rule!r}")
    return f"{texts[rule]}{_onset(began, shift, unit)}."


def _number_words(
    value: float, limit: float | None, *, signed: bool
) -> Callable[[float | None], str]:
    """Return how to write a value and its limit: with just enough places to tell them apart."""
    usual = bias if signed else spread
    if limit is None or value == limit or usual(value) != usual(limit):
        return usual
    for places in range(BIAS_PLACES + 1, _MOST_PLACES):
        if fixed(value, places=places) != fixed(limit, places=places):
            break
    return partial(fixed, places=places, signed=signed)


def _onset(began: str | None, shift: float | None, unit: str) -> str:
    """Return the clause on the shift that a CUSUM speaks of, empty where there is none."""
    if began is None or shift is None:
        return ""
    size = f"{bias(shift)}{NO_BREAK}{unit}"
    return f"; the level behind it moved by about {size}, from the visit of {began} on"


def signals_of(charts: Charts, ledger: pl.DataFrame, *others: pl.DataFrame) -> pl.DataFrame:
    """Return the signals of all charts and `others`, as `drift.limits.signals.SIGNALS`."""
    of_bias = name_signals(
        charts.findings, ledger=ledger, charted=charts.charted, onsets=charts.onsets
    )
    of_marks = name_mark_signals(charts.mark_findings, marks=charts.marks)
    return pl.concat([of_bias, of_marks, *others]).sort(
        "meter_id", "visit_on", maintain_order=True, nulls_last=True
    )
