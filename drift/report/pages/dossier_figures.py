"""This module gathers the figures of one meter's dossier, each with what to conclude from it."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift import format as text
from drift.report.figures.dossier import draw_as_found, draw_control, draw_path
from drift.report.figures.drawing import on_date
from drift.report.pages import captions
from drift.report.pages.dossier_story import mark_figures
from drift.report.pages.parts import Painted, TrendRow, pictured
from drift.review.results import Review
from drift.trend.equivalence import DRIFTING

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
    path_trends: pl.DataFrame
    changes: pl.DataFrame
    forecasts: pl.DataFrame
    fan: pl.DataFrame
    signals: pl.DataFrame
    worst_point_pct: float
    out_points: list[float]


def last_visit(one: Slice) -> pl.DataFrame:
    """Return the ledger rows of the last day."""
    return one.ledger.filter(pl.col("performed_on") == pl.col("performed_on").max())


def span_of(review: Review, one: Slice) -> tuple[date, date]:
    """Return the first and last date of the time axis that all figures share."""
    due = one.forecasts.select(due=on_date("due_t_years"))["due"].drop_nulls()
    days = [*one.ledger["performed_on"], *due, *one.fan["on_date"], review.as_of]
    return min(days), max(days)


def meter_figures(
    review: Review, one: Slice, trends: tuple[TrendRow, ...], *, span: tuple[date, date]
) -> tuple[Painted, ...]:
    """Return the figures of a dossier in reading order."""
    return (
        _as_found_figure(review, one, span=span, drifts=drifts(trends)),
        _path_figure(review, one, trends, span=span),
        *(
            _control_figure(review, one, name=name, title=title, span=span, drifts=drifts(trends))
            for name, title in control_charts(one).items()
        ),
        *mark_figures(review, one.ledger["meter_id"][0], span=span),
    )


def control_charts(one: Slice) -> dict[str, str]:
    """Return the charts that have a figure of their own, with their headings."""
    plotted = _plotted(one.charted)
    return {name: title for name, title in _TITLES.items() if name in plotted}


def kept_undrawn(one: Slice) -> dict[str, int]:
    """Return the charts that no figure shows, with how often each signalled."""
    drawn = {*control_charts(one), *_ON_AS_FOUND}
    return {
        name: one.signals.filter(pl.col("chart") == name).height
        for name in sorted(_plotted(one.charted) - drawn)
    }


def _plotted(charted: pl.DataFrame) -> set[str]:
    """Return the charts that have any point to show."""
    return set(charted.filter(pl.col("value").is_finite())["chart"])


def _as_found_figure(
    review: Review, one: Slice, *, span: tuple[date, date], drifts: bool
) -> Painted:
    """Return the figure of as-found bias by date."""
    policy = review.policy
    conclude = captions.as_found(
        last_visit(one),
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
) -> Painted:
    """Return the figure of the unadjusted path."""
    policy = review.policy
    jumps = review.jumps.filter(pl.col("series").is_in(one.ledger["series"].unique().implode()))
    jumps = jumps.sort("by", "point_pct")
    told = tuple(captions.jump(jump) for jump in jumps.to_dicts())
    conclude = captions.path_words(telling_trend(one, trends), policy=policy, jumps=told)
    chart = draw_path(
        one.ledger,
        fitted=review.fitted,
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
            "Where the meter would be without its adjustments, in % air: the running sum of its "
            "drift steps. The line has the estimated drift; its wedge holds the drifts of the "
            f"{text.share(1 - policy.trend_level)} interval, which allows for a path that wanders."
        ),
        conclude=conclude,
        key=("path", "trend", "adjusted", *(() if jumps.is_empty() else ("jump",)), "tolerance"),
    )


def telling_trend(one: Slice, trends: tuple[TrendRow, ...]) -> TrendRow | None:
    """Return the point to speak of: the surest confirmed drift, else the worst point."""
    confirmed = [row for row in trends if row.verdict == DRIFTING and row.p is not None]
    if confirmed:
        return min(confirmed, key=lambda row: row.p or 0.0)
    return next((row for row in trends if row.point_pct == one.worst_point_pct), None)


def drifts(trends: tuple[TrendRow, ...]) -> bool:
    """Say whether a drift is confirmed at any point."""
    return any(row.verdict == DRIFTING for row in trends)


def _latest(one: Slice, charted: pl.DataFrame) -> pl.DataFrame:
    """Return the newest point of a chart at each verification point, with what point it is."""
    points = one.ledger.select("series", "visit", "point_pct")
    return charted.join(points, on=["series", "visit"]).sort("visit").unique("series", keep="last")


def _control_figure(
    review: Review, one: Slice, *, name: str, title: str, span: tuple[date, date], drifts: bool
) -> Painted:
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
