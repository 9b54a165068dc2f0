"""This module gathers the data of one meter's dossier."""

from dataclasses import dataclass
from typing import Any

import polars as pl

from drift import format as text
from drift.frames import Row, of_meter
from drift.report.figures.rows import listed_rows
from drift.report.pages import captions, rows
from drift.report.pages import dossier_annex as annex
from drift.report.pages import dossier_history as history
from drift.report.pages import dossier_limits as limits_of
from drift.report.pages import dossier_notes as notes
from drift.report.pages import dossier_tables as tables
from drift.report.pages import dossier_zero_span as apart
from drift.report.pages.dossier_bench import bench_part
from drift.report.pages.dossier_cause import CausePart, cause_part
from drift.report.pages.dossier_charts import CHART_WORDS
from drift.report.pages.dossier_checks import ChecksPart, checks_part
from drift.report.pages.dossier_conformity import (
    ConformityPart,
    conformity_part,
    conformity_verdict,
)
from drift.report.pages.dossier_control import ControlPart, control_part
from drift.report.pages.dossier_front import Front, Told, front_part
from drift.report.pages.dossier_lanes import days_of, lanes_of
from drift.report.pages.dossier_mark import MarkPart, mark_part
from drift.report.pages.dossier_readings import ReadingsPart, readings_part
from drift.report.pages.dossier_tables import ComparedRow, EventRow, LimitGroup, VisitRow
from drift.report.pages.intervals import ScopePart, meter_scope
from drift.report.pages.journal import JournalRow, meter_entries
from drift.report.pages.parts import MeterRow, SignalRow, Stamp, TrendRow
from drift.report.pages.reference_rows import BenchPart
from drift.review.results import Review
from drift.trend.equivalence import DRIFTING


@dataclass(frozen=True, slots=True)
class HistoryPart:
    """The large figure: its title in both states, what it says without script, and its rows."""

    title: str
    untouched_title: str
    label: str
    rows: str
    choices: list[tuple[str, str]]
    adjusted: bool
    jumped: bool
    ran: bool
    outside: bool


@dataclass(frozen=True, slots=True)
class DossierPage:
    """The dossier of one meter; earlier and later are its neighbours in the order of the review."""

    stamp: Stamp
    meter: MeterRow
    front: Front
    history: HistoryPart
    cause: CausePart
    cause_history: apart.CauseHistoryPart
    zero_span: apart.ZeroSpanPart
    bench: BenchPart
    control: ControlPart
    mark: MarkPart | None
    brief: tuple[str, ...]
    interval: ScopePart | None
    conformity: ConformityPart
    checks: ChecksPart
    not_drawn: str
    points_pct: tuple[float, ...]
    trends: tuple[TrendRow, ...]
    visits: tuple[VisitRow, ...]
    readings: ReadingsPart
    signals: tuple[SignalRow, ...]
    limits: tuple[LimitGroup, ...]
    compared: tuple[ComparedRow, ...]
    compared_alike: int
    events: tuple[EventRow, ...]
    noted: tuple[str, ...]
    entries: tuple[JournalRow, ...]
    drift_words: str
    record: tuple[tuple[str, str], ...]
    annex: tuple[tuple[str, str, str], ...]
    earlier: MeterRow | None
    later: MeterRow | None


def dossier_page(review: Review, meter_id: str) -> DossierPage:
    """Return everything that the dossier of one meter says.

    Parameters
    ----------
    review : Review
        What was found.
    meter_id : str
        A meter of `review.meters`.

    Raises
    ------
    KeyError
        If the review holds no such meter.
    """
    earlier, meter, later = _neighbours(review, meter_id)
    ledger = of_meter(review.judged, meter_id)
    ours = pl.col("series").is_in(ledger["series"].unique().implode())
    spoken = of_meter(review.signals, meter_id)
    path_trends = review.path_trends.filter(ours)
    trends = tables.trend_rows(
        review.plain_trends(meter_id),
        path_trends,
        review.forecasts.filter(ours),
        meter=meter,
        review=review,
    )
    drifts = any(row.verdict == DRIFTING for row in trends)
    points = history.history_points(review, ledger)
    bench = bench_part(review, ledger, meter_id=meter_id)
    control = control_part(review, points, ledger=ledger, signals=spoken, drifts=drifts)
    told = _told(review, meter, ledger, spoken, trends=trends, points=points)
    return DossierPage(
        stamp=rows.stamp(review),
        meter=meter,
        front=front_part(review, told),
        history=history_part(review, points, ledger, signals=spoken, told=told),
        cause=cause_part(review, meter_id, hint=bench.lead),
        cause_history=apart.cause_history_part(review, meter_id),
        bench=bench,
        control=control,
        mark=mark_part(review, meter_id, signals=spoken),
        brief=_brief(review, ledger, spoken, meter=meter, drifts=drifts),
        not_drawn=_not_drawn(review, ledger, spoken),
        points_pct=tuple(ledger["point_pct"].unique().sort()),
        trends=trends,
        drift_words=_drift_words(review, trends, points, worst_pct=meter.point_pct),
        earlier=earlier,
        later=later,
        **_annexed(review, ledger, spoken, trends=trends, control=control),
    )


def _annexed(
    review: Review,
    ledger: pl.DataFrame,
    spoken: pl.DataFrame,
    *,
    trends: tuple[TrendRow, ...],
    control: ControlPart,
) -> dict[str, Any]:
    """Return the tables below a dossier, by the attributes of its page, and a line on each."""
    meter_id = ledger["meter_id"][0]
    ours = pl.col("series").is_in(ledger["series"].unique().implode())
    compared, alike = tables.compared_rows(review, meter_id)
    found: dict[str, Any] = {
        "visits": tables.visit_rows(ledger, spoken),
        "readings": readings_part(review.sources.sessions, meter_id),
        "signals": rows.signal_rows(review, spoken.sort("visit_on", descending=True)),
        "limits": tables.limit_groups(review.limits_settled.filter(ours), ledger),
        "interval": meter_scope(review, meter_id),
        "conformity": conformity_part(review, meter_id),
        "zero_span": apart.zero_span_part(review, meter_id),
        "checks": checks_part(review, meter_id),
        "events": tables.event_rows(review, meter_id),
        "noted": tables.noted(review, meter_id),
        "entries": meter_entries(review, meter_id),
        "record": tables.facts(review, meter_id),
        "compared": compared,
        "compared_alike": alike,
    }
    lines = (
        annex.limits_line(found["limits"], review.policy),
        annex.conformity_line(found["conformity"].last, review.policy.decision_rule),
        annex.drift_line(trends),
        annex.zero_span_line(found["zero_span"]),
        annex.charts_line(control),
        annex.checks_line(found["checks"]),
        annex.interval_line(found["interval"]),
        annex.signals_line(found["signals"]),
        annex.visits_line(found["visits"], found["readings"]),
        annex.work_line(found["events"], found["noted"]),
        annex.journal_line(found["entries"]),
    )
    return {**found, "annex": lines}


def _told(
    review: Review,
    meter: MeterRow,
    ledger: pl.DataFrame,
    signals: pl.DataFrame,
    *,
    trends: tuple[TrendRow, ...],
    points: list[history.PointRows],
) -> Told:
    """Return what the head of the page is worded from."""
    causes = of_meter(review.reference.causes, meter.meter_id).to_dicts()
    newest = max((row["segment"] for row in causes), default=None)
    latest = [row for row in causes if row["segment"] == newest]
    jumps = [point.jump for point in points if point.jump is not None]
    owed = of_meter(review.obligations, meter.meter_id).to_dicts()
    return Told(
        meter=meter,
        row=of_meter(review.meters, meter.meter_id).row(0, named=True),
        ledger=ledger,
        owed={row["obligation"]: row for row in owed},
        signals=signals,
        trends=trends,
        jump=max(jumps, key=lambda jump: jump["by"], default=None),
        cause=latest[0] if latest and latest[0]["can_tell"] else None,
    )


def history_part(
    review: Review,
    points: list[history.PointRows],
    ledger: pl.DataFrame,
    *,
    signals: pl.DataFrame,
    told: Told,
) -> HistoryPart:
    """Return the large figure of a meter."""
    data, params = history_data(review, points, ledger, signals=signals)
    title = _found_title(points, told)
    return HistoryPart(
        title=title,
        untouched_title=_path_title(points),
        label=f"{title}. {_found_words(review, ledger)}",
        rows=listed_rows("meter_history", data, params=params),
        choices=[(str(point.panel), text.point(point.point_pct)) for point in points],
        adjusted=bool(ledger["adjusted"].any()),
        jumped=told.jump is not None,
        ran=bool(data["runs"]),
        outside=told.ever_outside > 0,
    )


def history_data(
    review: Review,
    points: list[history.PointRows],
    ledger: pl.DataFrame,
    *,
    signals: pl.DataFrame,
) -> tuple[dict[str, list[Row]], dict[str, float]]:
    """Return the data sets of a meter's large figure, and the parameters of its chart."""
    tolerance, as_of = review.policy.tolerance_pct, review.as_of
    frame = history.history_frame(review, points)
    due = of_meter(review.meters, ledger["meter_id"][0])["next_due_on"][0]
    found = {
        "points": [_point(point, tolerance) for point in points],
        "visits": history.visit_dots(points, frame),
        "limits": limits_of.limit_lines(points, frame, tolerance=tolerance, as_of=as_of),
        "bands": history.bands_of(points),
        "runs": limits_of.runs_beyond(points, as_of=as_of),
        "levels": notes.levels_of(points, as_of=as_of),
        "slots": notes.slots_of(points),
        "crossings": notes.crossings_of(points, frame, tolerance=tolerance),
        "notes": notes.notes_of(points, frame, tolerance=tolerance),
        "lanes": lanes_of(review, ledger, frame, signals=signals),
        "days": days_of(review, due),
    }
    return found, history.history_params(frame)


def _point(point: history.PointRows, tolerance: float) -> Row:
    """Return the panel of one point."""
    return {
        "panel": point.panel,
        "name": text.point(point.point_pct),
        "about": "bowl of water" if point.point_pct == 0 else None,
        "tolerance_low": -tolerance,
        "tolerance_high": tolerance,
    }


def _found_title(points: list[history.PointRows], told: Told) -> str:
    """Return the finding of the large figure as found."""
    jumped = [text.point(point.point_pct) for point in points if point.jump is not None]
    visits, outside = told.row["visits"], told.ever_outside
    inside = f"inside {visits - outside} times of {visits}"
    if jumped:
        return f"A jump, not a drift: two levels at {text.listed(jumped)}"
    if told.drifting is not None and abs(told.one_way) > 1:
        way = "climbs" if (told.drifting.drift or 0.0) > 0 else "falls"
        return f"Every segment {way}, every adjustment takes it back: {inside}"
    if told.drifting is not None:
        at = text.point(told.drifting.point_pct)
        return f"It drifts at {at}, with nothing to hide it: {inside}"
    return f"No drift shown, no jump: {inside}"


def _path_title(points: list[history.PointRows]) -> str:
    """Return the finding of the large figure without adjustments."""
    ends = [
        (point.point_pct, row["unadjusted_path_pct"])
        for point in points
        for row in point.visits[-1:]
        if text.known(row["unadjusted_path_pct"])
    ]
    if not ends:
        return "Without adjustments: where it would stand cannot be said"
    at, far = max(ends, key=lambda end: abs(end[1]))
    return f"Without adjustments it would stand {text.bias_with_unit(far)} off at {text.point(at)}"


def _found_words(review: Review, ledger: pl.DataFrame) -> str:
    """Say what the last visit found, and what adjustments hide."""
    last = ledger.filter(pl.col("performed_on") == pl.col("performed_on").max())
    return captions.as_found(
        last,
        out_points=_outside(last),
        adjusted=captions.adjustments(ledger),
        tolerance_pct=review.policy.tolerance_pct,
    )


def _drift_words(
    review: Review,
    trends: tuple[TrendRow, ...],
    points: list[history.PointRows],
    *,
    worst_pct: float | None,
) -> str:
    """Say what the drift at the telling point is: the surest confirmed one, else the worst."""
    confirmed = [row for row in trends if row.verdict == DRIFTING and row.p is not None]
    worst = next((row for row in trends if row.point_pct == worst_pct), None)
    telling = min(confirmed, key=lambda row: row.p or 0.0, default=worst)
    jumps = tuple(captions.jump(point.jump) for point in points if point.jump is not None)
    return captions.path_words(telling, policy=review.policy, jumps=jumps)


def _neighbours(review: Review, meter_id: str) -> tuple[MeterRow | None, MeterRow, MeterRow | None]:
    """Return the meter before, the meter and the meter after in the order of the review."""
    ids = review.meters["meter_id"].to_list()
    if meter_id not in ids:
        raise KeyError(meter_id)
    at = ids.index(meter_id)
    first = max(0, at - 1)
    near = rows.meter_rows(review, review.meters[first : at + 2])
    here = at - first
    return (
        near[here - 1] if here > 0 else None,
        near[here],
        near[here + 1] if here + 1 < len(near) else None,
    )


def _not_drawn(review: Review, ledger: pl.DataFrame, signals: pl.DataFrame) -> str:
    """Say which charts are kept without a figure."""
    charted = review.charted
    ours = charted["series"].is_in(ledger["series"].unique().to_list())
    plotted = set(charted["chart"].filter(ours & charted["value"].is_finite()).unique())
    kept = {
        name: int((signals["chart"] == name).sum()) for name in sorted(plotted - set(CHART_WORDS))
    }
    return captions.not_drawn(kept)


def _outside(visit: pl.DataFrame) -> list[float]:
    """Return the points of one visit that were found outside."""
    return visit["point_pct"].filter(~visit["within"]).unique().sort().to_list()


def _brief(
    review: Review, ledger: pl.DataFrame, signals: pl.DataFrame, *, meter: MeterRow, drifts: bool
) -> tuple[str, ...]:
    """Return the verdicts of a meter, each a sentence that begins with what it is about."""
    last = ledger.filter(pl.col("performed_on") == pl.col("performed_on").max())
    judged = ledger["visit_id"].filter(ledger["within"].is_not_null())
    charted = review.charted
    ours = charted["series"].is_in(ledger["series"].unique().to_list())
    point = meter.point_pct if meter.point_pct is not None else ledger["point_pct"].min()
    return (
        captions.tolerance_verdict(
            _outside(last),
            seen=last["as_found_bias_pct"].count(),
            on=last["performed_on"][0],
            visits=judged.n_unique(),
            visits_out=ledger["visit_id"].filter(~ledger["within"]).n_unique(),
        ),
        conformity_verdict(review, meter.meter_id),
        captions.control_verdict(
            signals,
            limits_known=charted["upper"].filter(ours).count() > 0,
            drifts=drifts,
        ),
        captions.adjustment_story(ledger, point_pct=float(point)),  # type: ignore[arg-type]
    )
