"""This module weighs the drift of every series: drift under wander, jumps."""

import polars as pl

from drift.meter.segments import drift_steps
from drift.trend.change_points import find_change_points
from drift.trend.choices import TrendChoices
from drift.trend.path_trend import fit_path_trends


def weigh_drift(ledger: pl.DataFrame, policy: TrendChoices) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the drift separated from wander, and the jumps, of every series."""
    steps = drift_steps(ledger)
    path_trends = fit_path_trends(
        steps,
        negligible=policy.negligible_drift_pct_per_year,
        level=policy.trend_level,
        false_discovery_rate=policy.false_discovery_rate,
        fewest=policy.trend_visits,
    )
    changes = find_change_points(
        steps, level=policy.trend_level, false_discovery_rate=policy.false_discovery_rate
    )
    return path_trends, changes
