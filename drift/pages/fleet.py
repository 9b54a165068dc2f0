"""This module gathers the data of the fleet review; it words and draws through others."""

import polars as pl

from drift import format as text
from drift.figures.fleet import LABELLED_METERS, draw_fleet
from drift.pages import captions, rows
from drift.pages.data import Figure, FleetPage
from drift.pages.fleet_conformity import fleet_conformity
from drift.pages.intervals import interval_part, survival_figure
from drift.pages.pictures import pictured
from drift.pages.reference import reference_part
from drift.pages.since import since_part
from drift.results import Review

# Rows of long lists that a page shows; the data files hold all.
LONGEST_LIST = 50
_LONGEST_LABEL = 24


def fleet_page(review: Review) -> FleetPage:
    """Return everything that the fleet review says.

    Parameters
    ----------
    review : Review
        What was found; `review.meters` gives the order.
    """
    policy = review.policy
    paths = rows.sparklines(review.ledger, review.meters, tolerance_pct=policy.tolerance_pct)
    meters = rows.meter_rows(review, review.meters, sparklines=paths)
    urgent = tuple(row for row in meters if rows.is_urgent(row))
    watched = tuple(row for row in meters if row.standing == "watch" and row not in urgent)
    overdue = tuple(row for row in meters if row.overdue and not row.retired)
    unanswered = review.signals.filter(pl.col("answered_on").is_null()).sort(
        "visit_on", "meter_id", "point_pct", maintain_order=True
    )
    stray = review.responses.filter(pl.col("problem") != "")
    return FleetPage(
        stamp=rows.stamp(review),
        lead=captions.fleet_lead(
            review,
            urgent=urgent,
            watched=watched,
            overdue=overdue,
            open_signals=unanswered.height,
        ),
        since=since_part(review),
        reference=reference_part(review),
        conformity=fleet_conformity(review),
        urgent=urgent,
        watched=watched,
        overdue=overdue,
        meters=meters,
        fleet=fleet_figure(review, in_use=[row.meter_id for row in meters if not row.retired]),
        intervals=interval_part(review),
        survival=survival_figure(review),
        open_signals=rows.signal_rows(review, unanswered.head(LONGEST_LIST)),
        open_signals_total=unanswered.height,
        stray_responses=rows.stray_responses(stray.head(LONGEST_LIST)),
        stray_responses_total=stray.height,
        held_back=rows.held_back_rows(review.sources.held_back.head(LONGEST_LIST)),
        held_back_total=review.sources.held_back.height,
        policy=rows.policy_rows(policy),
        files=rows.file_rows(review.sources.files),
    )


def fleet_figure(review: Review, *, in_use: list[str]) -> Figure:
    """Return the figure of all meters that are in use, with its words."""
    policy = review.policy
    drawn = _drawn(review).filter(pl.col("meter_id").is_in(in_use))
    conclude = captions.fleet_figure(drawn, tolerance_pct=policy.tolerance_pct)
    one = "row" if drawn.height <= LABELLED_METERS else "column"
    return pictured(
        draw_fleet(drawn, tolerance_pct=policy.tolerance_pct),
        name="fleet-figure",
        title="Where every meter is, and where it is going",
        label=f"Bias now and forecast of {text.count(drawn.height, 'meter')}. {conclude}",
        shows=(
            f"One {one} for each meter at its worst point, in the order of this review: its bias "
            "now, and the band in which the mean found at its next visit is expected "
            f"({text.share(policy.band_level)} of such bands hold; reading noise is part of it), "
            "with a tick at the true bias expected then. The strip is the tolerance, "
            f"±{text.plain(policy.tolerance_pct)}{text.NO_BREAK}%{text.NO_BREAK}air. "
            "Retired meters are left out."
        ),
        conclude=conclude,
        key=("level", "forecast", "tolerance"),
    )


def _drawn(review: Review) -> pl.DataFrame:
    """Return the rows that the figure draws: each meter's worst point with its forecast."""
    series = review.ledger.select("meter_id", "series", worst_point_pct="point_pct").unique()
    joined = (
        review.meters.select("meter_id", "standing", "overdue", "worst_point_pct")
        .join(series, on=["meter_id", "worst_point_pct"], how="left", maintain_order="left")
        .join(review.forecasts, on="series", how="left", maintain_order="left")
    )
    overdue = pl.when("overdue").then(pl.lit(", overdue")).otherwise(pl.lit(""))
    return joined.select(
        "meter_id",
        pl.Series("label", _labels(joined["meter_id"].to_list())),
        pl.format("{}{}", "standing", overdue).alias("standing"),
        "level",
        "at_due",
        "next_mean_low",
        "next_mean_high",
    )


def _labels(meter_ids: list[str]) -> list[str]:
    """Return ids short enough for a figure; where two would be alike they are numbered."""
    labels: dict[str, None] = {}
    for place, meter_id in enumerate(meter_ids, start=1):
        printable = "".join(mark if mark.isprintable() else "?" for mark in meter_id)
        label = text.shortened(printable, longest=_LONGEST_LABEL)
        while label in labels:
            label = f"{label} ({place})"
        labels[label] = None
    return list(labels)
