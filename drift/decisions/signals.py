"""This module gives each finding its meter, its date, a lasting id and one sentence."""

import hashlib
from typing import Any

import polars as pl

from drift.decisions.sentences import sentence
from drift.format import day
from drift.frames import SIGNALS

_WITH_MEMORY = ("ewma", "cusum_high", "cusum_low", "mark")
_IN_AIR = "% air"


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
        Frame of `drift.frames.FINDINGS`.
    ledger : pl.DataFrame
        Frame of `drift.frames.LEDGER`, whose series and visits the findings speak of; a column
        ``unit`` names the unit of their values where it is not % air.
    charted : pl.DataFrame
        Frame of `drift.frames.CHARTED` that the rules judged.
    onsets : pl.DataFrame or None
        Frame of `drift.stats.charts.ONSETS`: when the shift behind a signal of a CUSUM began.

    Returns
    -------
    pl.DataFrame
        Frame of `drift.frames.SIGNALS`, by meter, date, point, chart and rule.

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
        Frame of `drift.frames.FINDINGS`.
    marks : pl.DataFrame
        Frame of `drift.analysis.charting.MARK_CHARTS`.
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
        "" if row["point_pct"] is None else f"{row['point_pct']:g}",
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
