"""This module weighs the drift of every series: drift under wander, jumps."""

import dataclasses

import numpy as np
import polars as pl

from drift.arrays import Floats
from drift.meter.segments import drift_steps
from drift.trend.change_points import find_change_points, first_jump_p
from drift.trend.choices import TrendChoices
from drift.trend.fleet_drifts import FleetDrifts
from drift.trend.jump_blocks import jump_weights
from drift.trend.path_trend import fit_path_trends, path_weights
from drift.trend.plain_trends import plain_trends


def weigh_drift(
    ledger: pl.DataFrame, policy: TrendChoices, *, fleet: FleetDrifts | None = None
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the drift separated from wander, and the jumps, of every series.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    policy : TrendChoices
    fleet : FleetDrifts or None
        What is known of the fleet, p values included, where the ledger is of some of its meters.
    """
    steps = drift_steps(ledger)
    fleet = fleet and _at_hand(fleet, ledger)
    path_trends = fit_path_trends(
        steps,
        negligible=policy.negligible_drift_pct_per_year,
        level=policy.trend_level,
        false_discovery_rate=policy.false_discovery_rate,
        fewest=policy.trend_visits,
        fleet=fleet,
    )
    changes = find_change_points(
        steps,
        level=policy.trend_level,
        false_discovery_rate=policy.false_discovery_rate,
        fleet=fleet,
    )
    return path_trends, changes


def fit_lines(
    ledger: pl.DataFrame, path_trends: pl.DataFrame, policy: TrendChoices
) -> pl.DataFrame:
    """Fit the plain trends of the series of a ledger, see `drift.trend.plain_trends`."""
    level, fewest = policy.trend_level, policy.trend_visits
    return plain_trends(ledger, path_trends, level=level, fewest=fewest)


def learn_drifts(ledger: pl.DataFrame, policy: TrendChoices) -> FleetDrifts:
    """Learn what a fleet shares from meters that stand for it; p values are not known yet."""
    steps = drift_steps(ledger)
    of_jumps, shares, number = jump_weights(steps)
    return FleetDrifts(
        of_paths=path_weights(steps, fewest=policy.trend_visits),
        of_jumps=of_jumps,
        shares=shares,
        learnt_from=number,
        meters=frozenset(ledger["meter_id"]),
    )


def drift_p_values(
    ledger: pl.DataFrame, policy: TrendChoices, *, fleet: FleetDrifts
) -> tuple[Floats, Floats]:
    """Return the p values of drift and of the likeliest jump of each series of some meters."""
    steps = drift_steps(ledger)
    fleet = dataclasses.replace(fleet, drift_p=np.empty(0), jump_p=np.empty(0))
    trends = fit_path_trends(
        steps,
        negligible=policy.negligible_drift_pct_per_year,
        level=policy.trend_level,
        fewest=policy.trend_visits,
        fleet=fleet,
    )
    known = trends["drift_p"].fill_null(np.nan).to_numpy()
    return known, first_jump_p(steps, fleet=_at_hand(fleet, ledger))


def _at_hand(fleet: FleetDrifts, ledger: pl.DataFrame) -> FleetDrifts:
    """Return a fleet with the numbers that its series have in a ledger."""
    theirs = ledger.filter(pl.col("meter_id").is_in(list(fleet.meters)))["series"].unique()
    return dataclasses.replace(fleet, series=theirs.to_numpy())
