"""This module gathers the data of one meter's dossier; it words and draws through others."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift import format as text
from drift.figures.dossier import draw_as_found, draw_control, draw_path
from drift.figures.drawing import on_date
from drift.pages import captions, rows
from drift.pages import meter_tables as tables
from drift.pages.bench import bench_part
from drift.pages.conformity import conformity_part, conformity_verdict
from drift.pages.data import DossierPage, Figure, MeterRow, TrendRow
from drift.pages.intervals import meter_scope
from drift.pages.marks import mark_figures
from drift.pages.phases import compared_rows
from drift.pages.pictures import pictured
from drift.pages.story import story_figure
from drift.results import Review
from drift.stats.conformity import within_tolerance
from drift.stats.equivalence import DRIFTING
from drift.stats.jump_events import link_jumps

# Charts in reading order, with their headings; those that the policy asks for are drawn.  The
# individuals chart is part of the as-found figure.
_TITLES = {
    "moving_range": "Step from one visit to the next (moving range)",
    "ewma": "Weighted moving average of as-found bias (EWMA)",
    "cusum_high": "Bias summed upwards (CUSUM)",
    "cusum_low": "Bias summed downwards (CUSUM)",
    "mean": "Mean of the replicates against their scatter",
    "spread": "Scatter of the replicates (standard deviation)",
    "range": "Scatter of the replicates (range)",
    "repeatability": "Scatter of the replicates (repeatability)",
}
# Charts whose limits can be set against the tolerance, with figures of their own.
_OF_BIAS = ("ewma", "mean")
# Charts whose signals are ringed on the as-found figure.
_ON_AS_FOUND = ("individuals",)


@dataclass(frozen=True, slots=True)
class Slice:
    """The rows of a review that concern one meter, each frame in its order."""

    ledger: pl.DataFrame
    found: pl.DataFrame
    charted: pl.DataFrame
    limits: pl.DataFrame
    trends: pl.DataFrame
    path_trends: pl.DataFrame
    changes: pl.DataFrame
    forecasts: pl.DataFrame
    fan: pl.DataFrame
    signals: pl.DataFrame
    worst_point_pct: float
    out_points: list[float]


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
        one.trends, one.path_trends, one.forecasts, one.ledger, meter=meter, review=review
    )
    visits = tables.visit_rows(one.ledger, one.signals, policy=review.policy)
    signals = rows.signal_rows(review, one.signals.sort("visit_on", descending=True))
    span = _span(review, one)
    return DossierPage(
        stamp=rows.stamp(review),
        meter=meter,
        facts=tables.facts(review, meter),
        brief=_brief(one, conformity=conformity_verdict(review, meter_id), drifts=_drifts(trends)),
        bench=bench_part(review, one.ledger, meter_id=meter_id),
        interval=meter_scope(review, meter_id),
        conformity=conformity_part(review, meter_id),
        story=story_figure(review, visits=visits, signals=signals, meter_id=meter_id, span=span),
        figures=_figures(review, one, trends, span=span),
        not_drawn=captions.not_drawn(_kept_undrawn(one)),
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
    near = rows.meter_rows(review, review.meters[first : at + 2], sparklines={}, bars={})
    here = at - first
    return (
        near[here - 1] if here > 0 else None,
        near[here],
        near[here + 1] if here + 1 < len(near) else None,
    )


def _slice(review: Review, meter_id: str, *, worst_point_pct: float | None) -> Slice:
    """Pick the rows of one meter out of a review."""
    policy = review.policy
    ledger = review.ledger.filter(pl.col("meter_id") == meter_id)
    series = ledger["series"].unique().to_list()
    mine = pl.col("series").is_in(series)
    within = within_tolerance(
        pl.col("as_found_bias_pct"), tolerance=policy.tolerance_pct, comparison=policy.comparison
    )
    last = ledger.filter(pl.col("performed_on") == pl.col("performed_on").max())
    points = ledger["point_pct"].unique().sort().to_list()
    return Slice(
        ledger=ledger,
        found=ledger.with_columns(out=~within).drop_nulls("out"),
        charted=review.charted.filter(mine),
        limits=review.limits.filter(mine),
        trends=review.trends.filter(mine),
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


def _last_visit(one: Slice) -> pl.DataFrame:
    """Return the ledger rows of the last day."""
    return one.ledger.filter(pl.col("performed_on") == pl.col("performed_on").max())


def _brief(one: Slice, *, conformity: str, drifts: bool) -> tuple[str, ...]:
    """Return the verdicts of a meter, each a sentence that begins with what it is about."""
    last = _last_visit(one)
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


def _span(review: Review, one: Slice) -> tuple[date, date]:
    """Return the first and last date of the time axis that all figures share."""
    due = one.forecasts.select(due=on_date("due_t_years"))["due"].drop_nulls()
    days = [*one.ledger["performed_on"], *due, *one.fan["on_date"], review.as_of]
    return min(days), max(days)


def _figures(
    review: Review, one: Slice, trends: tuple[TrendRow, ...], *, span: tuple[date, date]
) -> tuple[Figure, ...]:
    """Return the figures of a dossier in reading order."""
    return (
        _as_found_figure(review, one, span=span, drifts=_drifts(trends)),
        _path_figure(review, one, trends, span=span),
        *(
            _control_figure(review, one, name=name, title=title, span=span, drifts=_drifts(trends))
            for name, title in _control_charts(one).items()
        ),
        *mark_figures(review, one.ledger["meter_id"][0], span=span),
    )


def _control_charts(one: Slice) -> dict[str, str]:
    """Return the charts that have a figure of their own, with their headings."""
    plotted = _plotted(one.charted)
    return {name: title for name, title in _TITLES.items() if name in plotted}


def _kept_undrawn(one: Slice) -> dict[str, int]:
    """Return the charts that no figure shows, with how often each signalled."""
    drawn = {*_control_charts(one), *_ON_AS_FOUND}
    return {
        name: one.signals.filter(pl.col("chart") == name).height
        for name in sorted(_plotted(one.charted) - drawn)
    }


def _plotted(charted: pl.DataFrame) -> set[str]:
    """Return the charts that have any point to show."""
    return set(charted.filter(pl.col("value").is_finite())["chart"])


def _as_found_figure(
    review: Review, one: Slice, *, span: tuple[date, date], drifts: bool
) -> Figure:
    """Return the figure of as-found bias by date."""
    policy = review.policy
    conclude = captions.as_found(
        _last_visit(one),
        out_points=one.out_points,
        adjusted=captions.adjustments(one.ledger),
        tolerance_pct=policy.tolerance_pct,
    )
    individuals = one.charted.filter(pl.col("chart") == "individuals")
    conclude += captions.wide_limits(
        _latest(one, individuals), tolerance_pct=policy.tolerance_pct, drifts=drifts
    )
    chart = draw_as_found(
        one.ledger,
        charted=individuals,
        signals=one.signals.filter(pl.col("chart").is_in(_ON_AS_FOUND)),
        forecasts=one.forecasts,
        fan=one.fan,
        tolerance_pct=policy.tolerance_pct,
        span=span,
    )
    return pictured(
        chart,
        name="as-found",
        title="As-found bias by date",
        label=f"As-found bias by date at each verification point. {conclude}",
        shows=(
            "Bias before any adjustment, in % air, at each verification point, with the control "
            "limits of the individuals chart and what each adjustment left. The fan is where the "
            f"true bias is expected from now on ({text.share(policy.band_level)} band); the bar is "
            "the band of the mean that the next visit will find, reading noise and all. "
            f"{captions.false_alarms(one.limits.filter(pl.col('chart') == 'individuals'))}"
        ),
        conclude=conclude,
        key=("found", "signal", "limits", "adjusted", "left", "fan", "forecast", "tolerance"),
    )


def _path_figure(
    review: Review, one: Slice, trends: tuple[TrendRow, ...], *, span: tuple[date, date]
) -> Figure:
    """Return the figure of the unadjusted path."""
    policy = review.policy
    jumps = link_jumps(one.changes, ledger=one.ledger, service=review.sources.service)
    jumps = jumps.sort("by", "point_pct")
    told = tuple(captions.jump(jump) for jump in jumps.to_dicts())
    conclude = captions.path(_telling(one, trends), policy=policy, jumps=told)
    chart = draw_path(
        one.ledger,
        fitted=fitted_trend(one.ledger, one.path_trends),
        jumps=jumps,
        tolerance_pct=policy.tolerance_pct,
        span=span,
    )
    return pictured(
        chart,
        name="path",
        title="Unadjusted path",
        label=f"Unadjusted path and fitted trend at each verification point. {conclude}",
        shows=(
            "Where the meter would be had no one touched it, in % air: the running sum of its "
            "drift steps. The line has the estimated drift; its wedge holds the drifts of the "
            f"{text.share(1 - policy.trend_level)} interval, which allows for a path that wanders."
        ),
        conclude=conclude,
        key=("path", "trend", "adjusted", *(() if jumps.is_empty() else ("jump",)), "tolerance"),
    )


def _telling(one: Slice, trends: tuple[TrendRow, ...]) -> TrendRow | None:
    """Return the point to speak of: the surest confirmed drift, else the worst point."""
    confirmed = [row for row in trends if row.verdict == DRIFTING and row.p is not None]
    if confirmed:
        return min(confirmed, key=lambda row: row.p or 0.0)
    return next((row for row in trends if row.point_pct == one.worst_point_pct), None)


def _drifts(trends: tuple[TrendRow, ...]) -> bool:
    """Say whether a drift is confirmed at any point."""
    return any(row.verdict == DRIFTING for row in trends)


def _latest(one: Slice, charted: pl.DataFrame) -> pl.DataFrame:
    """Return the newest point of a chart at each verification point, with what point it is."""
    points = one.ledger.select("series", "visit", "point_pct")
    return charted.join(points, on=["series", "visit"]).sort("visit").unique("series", keep="last")


def _control_figure(
    review: Review, one: Slice, *, name: str, title: str, span: tuple[date, date], drifts: bool
) -> Figure:
    """Return the figure of one control chart."""
    charted = one.charted.filter(pl.col("chart") == name)
    signals = one.signals.filter(pl.col("chart") == name)
    conclude = captions.control(
        charted,
        name=name,
        signals=signals.height,
        open_signals=signals["answered_on"].null_count(),
        drifts=drifts,
        adjusted=captions.adjustments(one.ledger) > 0,
    )
    if name in _OF_BIAS:
        conclude += captions.wide_limits(
            _latest(one, charted),
            tolerance_pct=review.policy.tolerance_pct,
            drifts=drifts,
        )
    chart = draw_control(one.ledger, charted=charted, signals=signals, span=span)
    return pictured(
        chart,
        name=name.replace("_", "-"),
        title=title,
        label=f"{title} at each verification point. {conclude}",
        shows=(
            "In % air; “Where the limits come from” says what centre and limits rest on. "
            f"{captions.false_alarms(one.limits.filter(pl.col('chart') == name))}"
        ),
        conclude=conclude,
        key=("point", "signal", "limits"),
    )


def fitted_trend(ledger: pl.DataFrame, path_trends: pl.DataFrame) -> pl.DataFrame:
    """Return each series' line of estimated drift, and the wedge of its interval, at every visit.

    Parameters
    ----------
    ledger, path_trends : pl.DataFrame
        Frames of those names.

    Returns
    -------
    pl.DataFrame
        Columns ``series visit fit low high``, % air; null where the drift is not known.  All
        lines go through the mean time and mean value of the path: the estimate is of a slope
        only, so the wedge shows how far the slope is known, not where the next point will lie.
    """
    centre = ledger.filter(pl.col("unadjusted_path_pct").is_finite()).group_by("series")
    means = centre.agg(mid=pl.col("t_years").mean(), mean=pl.col("unadjusted_path_pct").mean())
    away = pl.col("t_years") - pl.col("mid")
    edges = [pl.col("mean") + pl.col(edge) * away for edge in ("drift_low", "drift_high")]
    known = pl.col("drift").is_not_null()
    return (
        ledger.select("series", "visit", "t_years")
        .join(means, on="series", how="left", maintain_order="left")
        .join(path_trends, on="series", how="left", maintain_order="left")
        .select(
            "series",
            "visit",
            fit=pl.col("mean") + pl.col("drift") * away,
            low=pl.when(known).then(pl.min_horizontal(edges)),
            high=pl.when(known).then(pl.max_horizontal(edges)),
        )
    )
