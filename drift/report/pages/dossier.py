"""This module gathers the data of one meter's dossier."""

from dataclasses import dataclass

import polars as pl

from drift.report.pages import captions, rows
from drift.report.pages import dossier_tables as tables
from drift.report.pages.dossier_bench import bench_part
from drift.report.pages.dossier_conformity import (
    ConformityPart,
    conformity_part,
    conformity_verdict,
)
from drift.report.pages.dossier_figures import (
    Slice,
    drifts,
    kept_undrawn,
    last_visit,
    meter_figures,
    span_of,
)
from drift.report.pages.dossier_story import story_figure
from drift.report.pages.dossier_tables import (
    ComparedRow,
    EventRow,
    LimitRow,
    ReadingRow,
    VisitRow,
    compared_rows,
)
from drift.report.pages.intervals import ScopePart, meter_scope
from drift.report.pages.parts import MeterRow, Painted, SignalRow, Stamp, TrendRow
from drift.report.pages.reference_rows import BenchPart
from drift.review.results import Review


@dataclass(frozen=True, slots=True)
class DossierPage:
    """The dossier of one meter; earlier and later are its neighbours in the order of the review."""

    stamp: Stamp
    meter: MeterRow
    facts: tuple[tuple[str, str], ...]
    brief: tuple[str, ...]
    bench: BenchPart
    interval: ScopePart | None
    conformity: ConformityPart
    story: Painted
    figures: tuple[Painted, ...]
    not_drawn: str
    points_pct: tuple[float, ...]
    trends: tuple[TrendRow, ...]
    visits: tuple[VisitRow, ...]
    readings: tuple[ReadingRow, ...]
    signals: tuple[SignalRow, ...]
    limits: tuple[LimitRow, ...]
    compared: tuple[ComparedRow, ...]
    events: tuple[EventRow, ...]
    noted: tuple[str, ...]
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
    one = _slice(review, meter_id, worst_point_pct=meter.point_pct)
    trends = tables.trend_rows(
        review.plain_trends(meter_id), one.path_trends, one.forecasts, meter=meter, review=review
    )
    visits = tables.visit_rows(one.ledger, one.signals)
    signals = rows.signal_rows(review, one.signals.sort("visit_on", descending=True))
    span = span_of(review, one)
    return DossierPage(
        stamp=rows.stamp(review),
        meter=meter,
        facts=tables.facts(review, meter),
        brief=_brief(one, conformity=conformity_verdict(review, meter_id), drifts=drifts(trends)),
        bench=bench_part(review, one.ledger, meter_id=meter_id),
        interval=meter_scope(review, meter_id),
        conformity=conformity_part(review, meter_id),
        story=story_figure(review, visits=visits, signals=signals, meter_id=meter_id, span=span),
        figures=meter_figures(review, one, trends, span=span),
        not_drawn=captions.not_drawn(kept_undrawn(one)),
        points_pct=tuple(one.ledger["point_pct"].unique().sort()),
        trends=trends,
        visits=visits,
        readings=tables.reading_rows(review.sources.sessions, meter_id),
        signals=signals,
        limits=tables.limit_rows(one.limits, one.ledger),
        compared=compared_rows(review, meter_id),
        events=tables.event_rows(review, meter_id),
        noted=_noted(review, meter_id),
        earlier=earlier,
        later=later,
    )


def _noted(review: Review, meter_id: str) -> tuple[str, ...]:
    """Return a sentence for each use while barred, row that could not be read and id alike."""
    mine = pl.col("meter_id") == meter_id
    words = pl.concat([review.alike.filter(mine), review.held.filter(mine)])["words"]
    noted = [f"{clause[:1].upper()}{clause[1:]}." for clause in words]
    return (*review.uses.filter(mine)["sentence"], *noted)


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


def _slice(review: Review, meter_id: str, *, worst_point_pct: float | None) -> Slice:
    """Pick the rows of one meter out of a review."""
    ledger = review.judged.filter(pl.col("meter_id") == meter_id)
    series = ledger["series"].unique().to_list()
    mine = pl.col("series").is_in(series)
    within = pl.col("within")
    last = ledger.filter(pl.col("performed_on") == pl.col("performed_on").max())
    points = ledger["point_pct"].unique().sort().to_list()
    return Slice(
        ledger=ledger,
        found=ledger.with_columns(out=~within).drop_nulls("out"),
        charted=review.charted.filter(mine),
        limits=review.limits.filter(mine),
        path_trends=review.path_trends.filter(mine),
        changes=review.changes.filter(mine),
        forecasts=review.forecasts.filter(mine),
        fan=_fan(review, ledger),
        signals=review.signals.filter(pl.col("meter_id") == meter_id),
        worst_point_pct=points[0] if worst_point_pct is None else worst_point_pct,
        out_points=last.filter(~within)["point_pct"].unique().sort().to_list(),
    )


def _fan(review: Review, ledger: pl.DataFrame) -> pl.DataFrame:
    """Return the predicted true bias of one meter from now on: its band at dates to come."""
    points = ledger.select("series", "meter_id", "point_pct").unique()
    now = review.forecasts.join(points.select("series"), on="series").select(
        "series", on_date=pl.lit(review.as_of), level="level", low="level_low", high="level_high"
    )
    later = review.forecast.join(points, on=["meter_id", "point_pct"]).select(
        "series", "on_date", level="level_pct", low="low", high="high"
    )
    ahead = pl.concat([now, later.filter(pl.col("on_date") > review.as_of)])
    return ahead.drop_nulls().unique(["series", "on_date"]).sort("series", "on_date")


def _brief(one: Slice, *, conformity: str, drifts: bool) -> tuple[str, ...]:
    """Return the verdicts of a meter, each a sentence that begins with what it is about."""
    last = last_visit(one)
    seen = last["as_found_bias_pct"].count()
    return (
        captions.tolerance_verdict(
            one.out_points,
            seen=seen,
            on=last["performed_on"][0],
            visits=one.found["visit_id"].n_unique(),
            visits_out=one.found.filter("out")["visit_id"].n_unique(),
        ),
        conformity,
        captions.control_verdict(
            one.signals, limits_known=one.charted["upper"].count() > 0, drifts=drifts
        ),
        captions.adjustment_story(one.ledger, point_pct=one.worst_point_pct),
    )
