"""This module gathers each control chart of a meter in full, for the annex of its dossier."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby, pairwise

import polars as pl

from drift import format as text
from drift.frames import Row, finite_or_none
from drift.report.figures.meter_history import MOST_PANELS
from drift.report.figures.rows import listed_rows
from drift.report.pages import captions
from drift.report.pages.dossier_history import PointRows
from drift.report.pages.dossier_limits import HALF_VISIT, is_beyond
from drift.review.results import Review

Rates = list[tuple[float | None, float | None]]

# Charts in reading order: in plain words, and the statistic's name where it has another.
CHART_WORDS = {
    "individuals": ("Single visits", "individuals"),
    "mean": ("Mean of the replicates", "mean against scatter"),
    "moving_range": ("Step between visits", "moving range"),
    "ewma": ("Slow mean", "EWMA"),
    "cusum_high": ("Sum upwards", "CUSUM"),
    "cusum_low": ("Sum downwards", "CUSUM"),
    "spread": ("Scatter of replicates", "standard deviation"),
    "range": ("Scatter of replicates", "range"),
    "repeatability": ("Repeatability", "standard deviation"),
}
# Charts whose limits can be set against the tolerance.
_OF_BIAS = ("individuals", "ewma", "mean")
# Labels of a full chart are this far apart at least, in shares of what it shows.
_APART = 0.13


@dataclass(frozen=True, slots=True)
class ChartSeries:
    """One chart at one point, by date, with the signals that it gave."""

    chart: str
    point: PointRows
    rows: list[Row]
    signals: list[Row]

    @property
    def run(self) -> list[Row]:
        """Return the run beyond limits that the newest point belongs to, oldest first."""
        run: list[Row] = []
        for row in reversed(self.rows):
            if not is_beyond(row):
                break
            run.append(row)
        return run[::-1]


@dataclass(frozen=True, slots=True)
class FullChart:
    """One control chart for the annex: heading, what to conclude, what limits are, and its rows."""

    name: str
    title: str
    conclude: str
    shows: str
    rows: str


def chart_series(
    review: Review, points: Sequence[PointRows], *, signals: pl.DataFrame
) -> list[ChartSeries]:
    """Return every chart at every point that the page shows."""
    by_point = {point.visits[0]["series"]: point for point in points}
    days = {
        (series, row["visit"]): row["performed_on"]
        for series, point in by_point.items()
        for row in point.visits
    }
    shown = review.charted.filter(
        pl.col("series").is_in(list(by_point)), pl.col("value").is_finite()
    )
    charted = [
        {**row, "performed_on": days[row["series"], row["visit"]]}
        for row in shown.iter_rows(named=True)
        if (row["series"], row["visit"]) in days
    ]
    charted.sort(key=lambda row: (row["chart"], row["series"], row["visit"]))
    spoke: dict[tuple[str, float], list[Row]] = {}
    for row in signals.sort("visit_on").iter_rows(named=True):
        spoke.setdefault((row["chart"], row["point_pct"]), []).append(row)
    found = []
    for (chart, series), rows in groupby(charted, key=lambda row: (row["chart"], row["series"])):
        point = by_point[series]
        found.append(ChartSeries(chart, point, list(rows), spoke.get((chart, point.point_pct), [])))
    return sorted(found, key=lambda each: each.point.panel)


def full_chart(
    review: Review, series: list[ChartSeries], *, rates: Rates, drifts: bool, adjusted: bool
) -> FullChart:
    """Return one chart for the annex.

    Parameters
    ----------
    review : Review
    series : list of ChartSeries
        The chart at each point, at least one.
    rates : list of (float or None, float or None)
        False alarms of its limits: aimed at, and allowed by the dial.
    drifts, adjusted : bool
        Whether a drift is confirmed without adjustments, and whether there were any.
    """
    chart = series[0].chart
    name, statistic = CHART_WORDS[chart]
    signals = [row for each in series for row in each.signals]
    conclude = captions.control(
        chart,
        limited=any(
            finite_or_none(row["upper"]) is not None for each in series for row in each.rows
        ),
        signals=len(signals),
        open_signals=sum(row["answered_on"] is None for row in signals),
        drifts=drifts,
        adjusted=adjusted,
    )
    if chart in _OF_BIAS:
        edges = [
            (each.point.point_pct, finite_or_none(each.rows[-1][column]))
            for each in series
            for column in ("lower", "upper")
        ]
        conclude += captions.wide_limits(
            edges, tolerance_pct=review.policy.tolerance_pct, drifts=drifts
        )
    return FullChart(
        name=chart.replace("_", "-"),
        title=f"{name} ({statistic})",
        conclude=conclude,
        shows=captions.false_alarms(rates),
        rows=_full_rows(series, as_of=review.as_of),
    )


def _full_rows(series: list[ChartSeries], *, as_of: date) -> str:
    """Return the rows of one chart in full."""
    dots, limits, runs = [], [], []
    for panel, each in enumerate(series[:MOST_PANELS]):
        dots += [
            {
                "panel": panel,
                "on": row["performed_on"],
                "value": row["value"],
                "beyond": is_beyond(row),
                "phase": row["phase"],
                "point": text.point(each.point.point_pct),
                "lower": row["lower"],
                "centre": row["centre"],
                "upper": row["upper"],
            }
            for row in each.rows
        ]
        limits += limit_labels(each.rows, panel=panel)
        for beyond, group in groupby(each.rows, key=is_beyond):
            run = list(group)
            if beyond:
                newest = run[-1] is each.rows[-1]
                last = as_of if newest else run[-1]["performed_on"] + HALF_VISIT
                first = run[0]["performed_on"] - HALF_VISIT
                runs.append({"panel": panel, "first": first, "last": last})
    names = [text.point(each.point.point_pct) for each in series[:MOST_PANELS]]
    return listed_rows(
        "meter_control",
        {
            "points": [{"panel": panel, "name": name} for panel, name in enumerate(names)],
            "dots": dots,
            "limits": limits,
            "runs": runs,
        },
        params={"panels": len(names)},
    )


def limit_labels(rows: Sequence[Row], *, panel: int = 0) -> list[Row]:
    """Return the names and values of the newest limits of a chart, pushed off each other."""
    newest = rows[-1]
    named = (("lower", "control"), ("centre", "centre"), ("upper", "control"))
    labels = [
        {"panel": panel, "label": f"{name} {text.bias(newest[column])}", "at": newest[column]}
        for column, name in named
        if finite_or_none(newest[column]) is not None
    ]
    values = [value for row in rows if (value := finite_or_none(row["value"])) is not None]
    reach = [*values, *(label["at"] for label in labels)]
    room = _APART * max(1e-6, max(reach) - min(reach))
    for below, label in pairwise(labels):
        label["at"] = max(label["at"], below["at"] + room)
    return labels
