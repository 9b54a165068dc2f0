"""This module gathers the data of the fleet review; it words and draws through others."""

from collections import Counter

import polars as pl

from drift.decisions.obligations import STANDINGS
from drift.pages import captions, fleet_figures, rows
from drift.pages.data import FleetPage, MeterRow
from drift.pages.fleet_conformity import fleet_conformity
from drift.pages.intervals import interval_part, survival_figure
from drift.pages.reference import reference_part
from drift.pages.since import since_part
from drift.results import Review
from drift.row_counts import row_counts, unread_meters

# Rows of long lists that a page shows; the data files hold all.
LONGEST_LIST = 50
# Meters that the first tables name; the table of all has the rest.
LONGEST_ATTENTION = 40


def fleet_page(review: Review) -> FleetPage:
    """Return everything that the fleet review says.

    Parameters
    ----------
    review : Review
        What was found; `review.meters` gives the order.
    """
    policy = review.policy
    paths = rows.sparklines(review.ledger, review.meters, tolerance_pct=policy.tolerance_pct)
    meters = rows.meter_rows(
        review, review.meters, sparklines=paths, bars=fleet_figures.bars(review)
    )
    in_use = [row.meter_id for row in meters if not row.retired]
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
            watched=watched,
            overdue=overdue,
            open_signals=unanswered.height,
        ),
        since=since_part(review),
        reference=reference_part(review),
        conformity=fleet_conformity(review),
        urgent=urgent[:LONGEST_ATTENTION],
        urgent_total=len(urgent),
        watched=watched[:LONGEST_ATTENTION],
        watched_total=len(watched),
        overdue=overdue,
        meters=meters,
        fleet=fleet_figures.fleet_figure(review, in_use=in_use),
        paths=fleet_figures.paths_figure(review, in_use=in_use),
        standings=_standings(meters),
        ranks={name: place for place, name in enumerate(STANDINGS)},
        intervals=interval_part(review),
        survival=survival_figure(review),
        open_signals=rows.signal_rows(review, unanswered.head(LONGEST_LIST)),
        open_signals_total=unanswered.height,
        stray_responses=rows.stray_responses(stray.head(LONGEST_LIST)),
        stray_responses_total=stray.height,
        held_back=rows.held_back_rows(review.sources.held_back.head(LONGEST_LIST)),
        never_read=tuple(unread_meters(review.sources, as_of=review.as_of)),
        held_back_rows=row_counts(review.sources).held_back,
        held_back_total=review.sources.held_back.height,
        policy=rows.policy_rows(policy),
        files=rows.file_rows(review.sources.files),
    )


def _standings(meters: tuple[MeterRow, ...]) -> tuple[tuple[str, int], ...]:
    """Return how many meters in use have each standing, the most pressing first."""
    counts = Counter(row.standing for row in meters if not row.retired)
    return tuple((name, counts[name]) for name in STANDINGS if counts[name])
