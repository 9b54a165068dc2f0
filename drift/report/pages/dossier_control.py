"""This module says of each control chart whether it is stable and since when; it gathers rows."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby

import polars as pl

from drift import format as text
from drift.frames import Row, finite_or_none
from drift.report.figures.rows import listed_rows
from drift.report.pages.dossier_charts import (
    CHART_WORDS,
    ChartSeries,
    FullChart,
    Rates,
    chart_series,
    full_chart,
)
from drift.report.pages.dossier_history import PointRows
from drift.report.pages.dossier_limits import HALF_VISIT, is_beyond
from drift.review.results import Review
from drift.trend.equivalence import DRIFTING, SHOWN_STEADY

# How far a line of all charts reaches, in distances from centre to limit.
_REACH = 2.4


@dataclass(frozen=True, slots=True)
class ControlLine:
    """One chart at one point, or at all: what it says in a few words.

    Attributes
    ----------
    name, statistic : str
        In plain words; the statistic's name in small print.
    point : str
    verdict : str
        Such as "stable" or "not stable".
    since : str
        Since when, empty where always.
    tone : str
        ``stop``, ``look`` or ``calm``; empty where it cannot say.
    number : str
        The deciding number.
    """

    name: str
    statistic: str
    point: str
    verdict: str
    since: str
    tone: str
    number: str


@dataclass(frozen=True, slots=True)
class ControlPart:
    """What a dossier says of control: a finding, a line a chart with their figure, and charts."""

    title: str
    lines: tuple[ControlLine, ...]
    rows: str
    charts: tuple[FullChart, ...]


def control_part(
    review: Review,
    points: Sequence[PointRows],
    *,
    ledger: pl.DataFrame,
    signals: pl.DataFrame,
    drifts: bool,
) -> ControlPart:
    """Return what the dossier says of control.

    Parameters
    ----------
    review : Review
    points : sequence of PointRows
        What the large figure shows of the meter.
    ledger, signals : pl.DataFrame
        Rows of the meter.
    drifts : bool
        Whether the path without adjustments confirms a drift at any point.
    """
    series = chart_series(review, points, signals=signals)
    adjusted = bool(ledger["adjusted"].any())
    hidden = drifts and adjusted
    rates = _rates(review, ledger)
    lines: list[tuple[ControlLine, list[Row]]] = _path_lines(points) if hidden else []
    for chart in CHART_WORDS:
        lines += _chart_lines([each for each in series if each.chart == chart])
    return ControlPart(
        title=_title(series, drifts=drifts),
        lines=tuple(line for line, _ in lines),
        rows=_line_rows([rows for _, rows in lines], as_of=review.as_of),
        charts=tuple(
            full_chart(review, mine, rates=rates.get(chart, []), drifts=drifts, adjusted=adjusted)
            for chart in CHART_WORDS
            if (mine := [each for each in series if each.chart == chart])
        ),
    )


def _rates(review: Review, ledger: pl.DataFrame) -> dict[str, Rates]:
    """Return the false alarms of the limits of each chart: aimed at, and allowed by the dial."""
    ours = review.limits.filter(pl.col("series").is_in(ledger["series"].unique().to_list()))
    found: dict[str, Rates] = {}
    columns = ("chart", "sigma", "nominal_rate", "attained_rate")
    for chart, sigma, aimed, allowed in ours.select(columns).iter_rows():
        if sigma is not None:
            found.setdefault(chart, []).append((aimed, allowed))
    return found


def _path_lines(points: Sequence[PointRows]) -> list[tuple[ControlLine, list[Row]]]:
    """Return the path without adjustments at each point as lines, in tolerances."""
    lines = []
    for point in points:
        trend = point.trend
        known = [row for row in point.visits if text.known(row["unadjusted_path_pct"])]
        if trend is None or len(known) < 2:
            continue
        drifting = trend["verdict"] == DRIFTING
        steady = trend["verdict"] == SHOWN_STEADY
        verdict = "drifting" if drifting else "shown steady" if steady else "no drift shown"
        line = ControlLine(
            name="Without adjustments",
            statistic="",
            point=text.point(point.point_pct),
            verdict=verdict,
            since="since the first visit" if drifting else "",
            tone="look" if drifting else "calm",
            number=f"{text.bias(trend['drift'])} a year ({_between(trend)})",
        )
        most = max(0.1, *(abs(row["unadjusted_path_pct"]) for row in known))
        rows = [
            {
                "on": row["performed_on"],
                "height": round(_REACH * row["unadjusted_path_pct"] / most, 2),
                "beyond": False,
                "value": round(row["unadjusted_path_pct"], 4),
            }
            for row in known
        ]
        lines.append((line, rows))
    return lines


def _between(trend: Row) -> str:
    """Return the interval of a drift."""
    return text.interval(trend["drift_low"], trend["drift_high"])


def _chart_lines(series: list[ChartSeries]) -> list[tuple[ControlLine, list[Row]]]:
    """Return a line for each point of one chart; points of which it is stable stand together."""
    told = [(each, _line(each)) for each in series]
    quiet = [(each, line) for each, line in told if line.tone == "calm"]
    if len(quiet) < 2 or series[0].chart == "individuals":
        return [(line, _heights(each)) for each, line in told]
    rest = [(line, _heights(each)) for each, line in told if line.tone != "calm"]
    each, line = quiet[-1]
    at = text.listed([text.point(one.point.point_pct) for one, _ in quiet])
    visits = sum(len(one.rows) for one, _ in quiet)
    merged = ControlLine(
        line.name, line.statistic, at, line.verdict, "", line.tone, f"none of {visits} beyond"
    )
    return [*rest, (merged, _heights(each))]


def _line(series: ChartSeries) -> ControlLine:
    """Say of one chart at one point whether it is stable, since when, and by which number."""
    name, statistic = CHART_WORDS[series.chart]
    run, rows = series.run, series.rows
    point = text.point(series.point.point_pct)

    def line(verdict: str, since: str, tone: str, number: str) -> ControlLine:
        return ControlLine(name, statistic, point, verdict, since, tone, number)

    if all(finite_or_none(row["upper"]) is None for row in rows):
        return line("cannot say yet", "", "", "too few visits for limits")
    if run:
        upper = finite_or_none(run[-1]["upper"])
        above = upper is not None and run[-1]["value"] > upper
        edge = text.bias(upper if above else run[-1]["lower"])
        many = f"{len(run)} in a row" if len(run) > 1 else "the last one"
        return line(
            "not stable",
            f"since {text.day(run[0]['performed_on'])}",
            "stop",
            f"{many} {'above' if above else 'below'} {edge}",
        )
    beyond = [row for row in rows if is_beyond(row)]
    if beyond or series.signals:
        last = max(
            [row["performed_on"] for row in beyond] + [row["visit_on"] for row in series.signals]
        )
        many = f"{len(beyond)} of {len(rows)} beyond" if beyond else "a run on one side"
        return line("gave a signal", f"last {text.day(last)}", "look", f"{many}, inside again")
    return line("stable", "", "calm", f"none of {len(rows)} beyond")


def _heights(series: ChartSeries) -> list[Row]:
    """Return one chart as a line, each value in distances from its centre to its limit."""
    rows = []
    for row in series.rows:
        centre, upper = finite_or_none(row["centre"]), finite_or_none(row["upper"])
        if centre is None or upper is None or upper <= centre:
            continue
        lower = finite_or_none(row["lower"])
        away = row["value"] - centre
        half = upper - centre if away >= 0 or lower is None else centre - lower
        height = max(-_REACH, min(_REACH, away / half)) if half > 0 else 0.0
        rows.append(
            {
                "on": row["performed_on"],
                "height": round(height, 2),
                "beyond": is_beyond(row),
                "limited": lower is not None,
                "value": round(row["value"], 4),
            }
        )
    return rows


def _line_rows(lines: list[list[Row]], *, as_of: date) -> str:
    """Return the rows of the figure of all lines."""
    dots, limits, runs = [], [], []
    for place, rows in enumerate(lines):
        dots += [{"row": place, **row} for row in rows]
        limited = [row for row in rows if "limited" in row]
        if len(limited) > 1:
            span = {"row": place, "first": limited[0]["on"], "last": as_of}
            sides = (1.0, -1.0) if limited[-1]["limited"] else (1.0,)
            limits += [{**span, "height": side} for side in sides]
        for beyond, group in groupby(rows, key=lambda row: row["beyond"]):
            run = list(group)
            if beyond:
                last = as_of if run[-1] is rows[-1] else run[-1]["on"] + HALF_VISIT
                runs.append({"row": place, "first": run[0]["on"] - HALF_VISIT, "last": last})
    return listed_rows(
        "meter_lines",
        {"lines": dots, "limits": limits, "runs": runs},
    )


def _title(series: list[ChartSeries], *, drifts: bool) -> str:
    """Return the finding on control."""
    limited = [
        each
        for each in series
        if any(finite_or_none(row["upper"]) is not None for row in each.rows)
    ]
    if not limited:
        return "Too few visits for control limits"
    since = [each.run[0]["performed_on"] for each in limited if each.run]
    if since:
        return f"Not in control since {text.day(min(since))}"
    if drifts:
        quiet = not any(each.signals for each in limited)
        start = "Every chart is quiet, and" if quiet else "No chart gives a signal now, yet"
        return f"{start} the meter drifts: judge it by the path"
    spoke = [row["visit_on"] for each in limited for row in each.signals]
    if spoke:
        return f"In control again; the last signal was on {text.day(max(spoke))}"
    return "In control on every chart"
