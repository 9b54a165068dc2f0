"""This module says of each control chart whether it is stable and since when, and gathers its rows."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby, pairwise

import polars as pl

from drift import format as text
from drift.frames import Row
from drift.report.charts.meter_history import MOST_PANELS
from drift.report.charts.rows import figure_rows
from drift.report.figures.drawing import finite_or_none
from drift.report.pages import captions
from drift.report.pages.dossier_history import PointRows, is_beyond, limit_stretches
from drift.review.results import Review
from drift.trend.equivalence import DRIFTING, SHOWN_STEADY

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
# How far a line of all charts reaches, in distances from centre to limit.
_REACH = 2.4
_HALF_VISIT = timedelta(days=24)
# Labels of a full chart are this far apart at least, in shares of what it shows.
_APART = 0.13


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
class FullChart:
    """One control chart for the annex: heading, what to conclude, what limits are, and its rows."""

    name: str
    title: str
    conclude: str
    shows: str
    rows: str


@dataclass(frozen=True, slots=True)
class ControlPart:
    """What a dossier says of control: a finding, a line a chart with their figure, and charts."""

    title: str
    lines: tuple[ControlLine, ...]
    rows: str
    charts: tuple[FullChart, ...]


@dataclass(frozen=True, slots=True)
class _Series:
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
    series = _series(review, points, ledger, signals)
    hidden = drifts and bool(ledger["adjusted"].any())
    lines: list[tuple[ControlLine, list[Row]]] = _path_lines(points) if hidden else []
    for chart in CHART_WORDS:
        lines += _chart_lines([each for each in series if each.chart == chart], review.as_of)
    return ControlPart(
        title=_title(series, drifts=drifts),
        lines=tuple(line for line, _ in lines),
        rows=_line_rows([rows for _, rows in lines], as_of=review.as_of),
        charts=tuple(
            _full_chart(review, mine, chart=chart, ledger=ledger, drifts=drifts)
            for chart in CHART_WORDS
            if (mine := [each for each in series if each.chart == chart])
        ),
    )


def _series(
    review: Review, points: Sequence[PointRows], ledger: pl.DataFrame, signals: pl.DataFrame
) -> list[_Series]:
    """Return every chart at every point that the page shows."""
    by_point = {point.visits[0]["series"]: point for point in points}
    days = ledger.select("series", "visit", "performed_on", "operator")
    charted = (
        review.charted.filter(pl.col("value").is_finite())
        .join(days, on=["series", "visit"])
        .sort("chart", "series", "visit")
    )
    spoke: dict[tuple[str, float], list[Row]] = {}
    for row in signals.sort("visit_on").iter_rows(named=True):
        spoke.setdefault((row["chart"], row["point_pct"]), []).append(row)
    found = []
    for (chart, series), rows in groupby(
        charted.iter_rows(named=True), key=lambda row: (row["chart"], row["series"])
    ):
        if series in by_point:
            point = by_point[series]
            found.append(_Series(chart, point, list(rows), spoke.get((chart, point.point_pct), [])))
    return sorted(found, key=lambda each: each.point.panel)


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
            number=f"{text.bias(trend['drift'])} a year ({text.interval(trend['drift_low'], trend['drift_high'])})",
        )
        most = max(0.1, *(abs(row["unadjusted_path_pct"]) for row in known))
        rows = [
            {
                "on": row["performed_on"],
                "height": _REACH * row["unadjusted_path_pct"] / most,
                "beyond": False,
                "told": f"{text.day(row['performed_on'])}: {text.bias(row['unadjusted_path_pct'])}",
            }
            for row in known
        ]
        lines.append((line, rows))
    return lines


def _chart_lines(series: list[_Series], as_of: date) -> list[tuple[ControlLine, list[Row]]]:
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


def _line(series: _Series) -> ControlLine:
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
        return line("spoke", f"last {text.day(last)}", "look", f"{many}, inside again")
    return line("stable", "", "calm", f"none of {len(rows)} beyond")


def _heights(series: _Series) -> list[Row]:
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
                "height": height,
                "beyond": is_beyond(row),
                "limited": lower is not None,
                "told": f"{text.day(row['performed_on'])}: {text.bias(row['value'])}",
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
                last = as_of if run[-1] is rows[-1] else run[-1]["on"] + _HALF_VISIT
                runs.append({"row": place, "first": run[0]["on"] - _HALF_VISIT, "last": last})
    return figure_rows(
        "meter_lines",
        {
            "lines": _frame(dots, ("row", "on", "height", "beyond", "told")),
            "limits": _frame(limits, ("row", "first", "last", "height")),
            "runs": _frame(runs, ("row", "first", "last")),
        },
        params={"lines": len(lines)},
    )


def _frame(rows: list[Row], columns: Sequence[str]) -> pl.DataFrame:
    """Return rows as a frame of these columns, whatever they hold."""
    return pl.DataFrame({name: [row.get(name) for row in rows] for name in columns})


def _title(series: list[_Series], *, drifts: bool) -> str:
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
        start = "Every chart is quiet, and" if quiet else "No chart speaks now, yet"
        return f"{start} the meter drifts: judge it by the path"
    spoke = [row["visit_on"] for each in limited for row in each.signals]
    if spoke:
        return f"In control again; a chart last spoke on {text.day(max(spoke))}"
    return "In control on every chart"


def _full_chart(
    review: Review, series: list[_Series], *, chart: str, ledger: pl.DataFrame, drifts: bool
) -> FullChart:
    """Return one chart for the annex."""
    name, statistic = CHART_WORDS[chart]
    signals = [row for each in series for row in each.signals]
    charted = pl.DataFrame(
        {"upper": [finite_or_none(row["upper"]) for each in series for row in each.rows]},
        schema={"upper": pl.Float64},
    )
    conclude = captions.control(
        charted,
        name=chart,
        signals=len(signals),
        open_signals=sum(row["answered_on"] is None for row in signals),
        drifts=drifts,
        adjusted=captions.adjustments(ledger) > 0,
    )
    if chart in _OF_BIAS:
        latest = pl.DataFrame(
            [
                {
                    "point_pct": each.point.point_pct,
                    **{k: each.rows[-1][k] for k in ("lower", "upper")},
                }
                for each in series
            ],
            schema={"point_pct": pl.Float64, "lower": pl.Float64, "upper": pl.Float64},
        )
        conclude += captions.wide_limits(
            latest, tolerance_pct=review.policy.tolerance_pct, drifts=drifts
        )
    return FullChart(
        name=chart.replace("_", "-"),
        title=f"{name} ({statistic})",
        conclude=conclude,
        shows=captions.false_alarms(review.limits.filter(pl.col("chart") == chart)),
        rows=_full_rows(series, as_of=review.as_of),
    )


def _full_rows(series: list[_Series], *, as_of: date) -> str:
    """Return the rows of one chart in full."""
    dots, limits, runs = [], [], []
    for panel, each in enumerate(series[:MOST_PANELS]):
        for row in each.rows:
            dots.append(
                {
                    "panel": panel,
                    "on": row["performed_on"],
                    "value": row["value"],
                    "beyond": is_beyond(row),
                    "phase": row["phase"],
                    "point": text.point(each.point.point_pct),
                    "lower": row["lower"],
                    "upper": row["upper"],
                    "operator": row["operator"] or None,
                }
            )
        lines = [{"panel": panel, **line} for line in limit_stretches(each.rows, as_of=as_of)]
        _set_apart([line for line in lines if line["label"]], each.rows)
        limits += lines
        for beyond, group in groupby(each.rows, key=is_beyond):
            run = list(group)
            if beyond:
                newest = run[-1] is each.rows[-1]
                last = as_of if newest else run[-1]["performed_on"] + _HALF_VISIT
                first = run[0]["performed_on"] - _HALF_VISIT
                runs.append({"panel": panel, "first": first, "last": last})
    names = [text.point(each.point.point_pct) for each in series[:MOST_PANELS]]
    return figure_rows(
        "meter_control",
        {
            "points": pl.DataFrame({"panel": list(range(len(names))), "name": names}),
            "dots": _frame(
                dots,
                ("panel", "on", "value", "beyond", "phase", "point", "lower", "upper", "operator"),
            ),
            "limits": _frame(
                limits, ("panel", "kind", "first", "last", "value", "label", "label_at")
            ),
            "runs": _frame(runs, ("panel", "first", "last")),
        },
        params={"panels": len(names)},
    )


def _set_apart(labelled: list[Row], rows: list[Row]) -> None:
    """Push labels of limits off each other."""
    values = [row["value"] for row in rows] + [line["value"] for line in labelled]
    room = _APART * max(1e-6, max(values) - min(values))
    for below, line in pairwise(sorted(labelled, key=lambda line: line["value"])):
        line["label_at"] = max(line["value"], below["label_at"] + room)
