"""This module turns what checks between calibrations show into signals like those of visits."""

from typing import Any

import polars as pl

from drift.format import NO_BREAK, day, plain
from drift.limits.checks.check_words import series_words
from drift.limits.checks.judging import BY_ANSWER, BY_POLICY, BY_RECORD, OUTSIDE
from drift.limits.checks.placing import LEAK
from drift.limits.signals import SIGNALS, id_of_signal, name_signals

# Stands in the names of charts of checks, after the kind of check.
CHECK_MARK = "_check"
# A check outside its limit, or answered with no.
CHECK_FAILED = "check_failed"
_OF_LIMIT = {BY_POLICY: "of the policy", BY_RECORD: "on its record"}


def chart_name(check: pl.Expr, chart: pl.Expr) -> pl.Expr:
    """Return what the chart of a kind of check is called among signals."""
    return pl.format("{}_check_{}", check, chart)


def check_signals(
    judged: pl.DataFrame, charted: pl.DataFrame, findings: pl.DataFrame
) -> pl.DataFrame:
    """Return the signals of checks.

    Parameters
    ----------
    judged : pl.DataFrame
        Frame of `drift.limits.checks.judging.JUDGED`.
    charted : pl.DataFrame
        Frame of `drift.limits.charts.shape.CHARTED`, its charts named by `chart_name`.
    findings : pl.DataFrame
        Frame of `drift.limits.rules.FINDINGS` on charts without these names.

    Returns
    -------
    pl.DataFrame
        Frame of `drift.limits.signals.SIGNALS`, by meter and date; they belong to no point, and
        their values are in the unit of the check.
    """
    kinds = judged.select("series", "visit", "check")
    named = findings.join(kinds, on=["series", "visit"]).with_columns(
        chart=chart_name(pl.col("check"), pl.col("chart"))
    )
    places = judged.with_columns(
        point_pct=pl.lit(None, dtype=pl.Float64), visit_id=_visit_ids(judged)
    )
    of_charts = name_signals(named.drop("check"), ledger=places, charted=charted.drop("check"))
    failed = places.filter(pl.col("judged") == OUTSIDE)
    rows = [_failed(row) for row in failed.iter_rows(named=True)]
    return pl.concat([of_charts, pl.DataFrame(rows, schema=SIGNALS)]).sort(
        "meter_id", "visit_on", "chart", maintain_order=True
    )


def _visit_ids(judged: pl.DataFrame) -> pl.Series:
    """Return what tells the checks of one day apart, in the ids of their signals."""
    return pl.Series(
        [
            f"{on.isoformat()} {unit} {'' if aim is None else plain(aim)}"
            for on, unit, aim in judged.select("performed_on", "unit", "aim").iter_rows()
        ],
        dtype=pl.String,
    )


def _failed(row: dict[str, Any]) -> dict[str, Any]:
    """Return the signal of a check that failed."""
    named = {
        "meter_id": row["meter_id"],
        "visit_on": row["performed_on"],
        "point_pct": None,
        "chart": f"{row['check']}{CHECK_MARK}",
        "rule": CHECK_FAILED,
    }
    found = max(row["departures"], key=abs, default=None)
    return named | {
        "signal_id": id_of_signal(named | {"visit_id": row["visit_id"]}),
        "value": found,
        "limit": None if found is None else row["limit"],
        "sentence": _sentence(row, found),
    }


def _sentence(row: dict[str, Any], found: float | None) -> str:
    """Say how a check failed."""
    on = f"On {day(row['performed_on'])} the {series_words(row['check'], row['unit'], row['aim'])}"
    if found is None or row["basis"] == BY_ANSWER:
        return f"{on} was answered no."
    unit = row["unit"].replace(" ", NO_BREAK)
    limit = f"{plain(row['limit'])}{NO_BREAK}{unit}"
    where = _OF_LIMIT.get(row["basis"], "that is the tolerance")
    if row["check"] == LEAK:
        return f"{on} lost {plain(found)}{NO_BREAK}{unit}, more than the limit {where}, {limit}."
    sign = "+" if found > 0 else ""
    return (
        f"{on} was {sign}{plain(found)}{NO_BREAK}{unit} off, outside ±{limit}, the limit {where}."
    )
