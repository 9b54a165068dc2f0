"""This module picks the levels that changed and stayed so, which no single step shows.

A jump stands out from the steps about it; a step of the size of the scatter does not, but visits
enough on either side tell it.  Whether limits change with it is for the comparison of phases.
"""

from collections.abc import Mapping
from typing import Any

import polars as pl

from drift.arrays import Floats
from drift.format import count, point, rare
from drift.limits import baseline_change as change
from drift.limits.baseline_change import SINCE_BASELINE
from drift.trend.false_discovery import discovery_q


def level_changes(
    phases: pl.DataFrame, *, told: pl.DataFrame, rate: float, among: Floats | None = None
) -> dict[str, dict[str, Any]]:
    """Return by meter the surest of its levels that are not those of their baselines.

    Parameters
    ----------
    phases : pl.DataFrame
        Frame of `drift.limits.baseline_change.COMPARED`.
    told : pl.DataFrame
        ``meter_id point_pct`` of what a drift or a jump tells already.
    rate : float
        Share of false findings accepted among all comparisons of visits with their baselines.
    among : array or None
        P values of such comparisons that stand for a fleet where these are of some of its meters.
    """
    since = phases.filter((pl.col("compared") == SINCE_BASELINE) & pl.col("t_p").is_not_null())
    q = pl.Series(discovery_q(since["t_p"].to_numpy(), among=among), dtype=pl.Float64)
    # Only the limits in force: what an earlier phase did has been answered by a new one.
    found = since.with_columns(q=q).filter(
        (pl.col("verdict") == change.LEVEL_OFF)
        & (pl.col("q") <= rate)
        & (pl.col("phase") == pl.col("phase").max().over("meter_id", "point_pct"))
    )
    surest = (
        found.join(told, on=["meter_id", "point_pct"], how="anti")
        .sort("meter_id", "t_p", "point_pct")
        .unique("meter_id", keep="first", maintain_order=True)
    )
    return {row["meter_id"]: row for row in surest.iter_rows(named=True)}


def level_words(row: Mapping[str, Any]) -> str:
    """Say that a level changed, from a row of `level_changes`."""
    way = "higher" if row["t"] < 0 else "lower"
    visits = count(row["new_visits"], "visit")
    return (
        f"it now reads {way} at {point(row['point_pct'])} than when its limits were set ({visits} "
        f"since, {row['old_visits']} then; by chance alone: {rare(row['t_p'])})"
    )
