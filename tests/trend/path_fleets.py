"""This module turns simulated fleets into the drift steps that trends are fitted to."""

from typing import Any

import numpy as np
import polars as pl

from drift.meter.segments import STEPS, drift_steps
from tests.forecast.simulator import Fleet, Plan, simulate

# What the meters of a fleet are like, as settings of a `Plan`.
STEADY: dict[str, Any] = {"drifting": 0.0, "noisy": 0.0, "rough": 0.0, "shock_rate": 0.0}
DRIFTING = STEADY | {"drifting": 1.0}
NOISY = STEADY | {"noisy": 1.0}
SOME_DRIFTING = STEADY | {"drifting": 0.3}
MIXED = STEADY | {"drifting": 0.3, "noisy": 0.1, "rough": 0.15, "rough_rate": 0.25}


def simulated(plan: Plan, *, seed: int) -> tuple[Fleet, pl.DataFrame]:
    """Return a fleet and its drift steps."""
    fleet = simulate(plan, seed=seed)
    return fleet, drift_steps(ledger_columns(fleet))


def ledger_columns(fleet: Fleet) -> pl.DataFrame:
    """Return those columns of a fleet's ledger that drift steps and paths are made of."""
    shape = (fleet.plan.meters, fleet.plan.visits)
    found = fleet.found.mean(axis=2)
    left = fleet.left.mean(axis=2)
    adjusted = ~np.isnan(left)
    gone_with = np.where(adjusted, left, found)
    step = np.full(shape, np.nan)
    step[:, 1:] = found[:, 1:] - gone_with[:, :-1]
    path = found[:, :1] + np.nancumsum(step, axis=1)
    replicates = np.full(shape, fleet.plan.replicates)
    columns = {
        "series": np.repeat(np.arange(shape[0]), shape[1]),
        "visit": np.tile(np.arange(shape[1]) + 1, shape[0]),
        "t_years": fleet.years.ravel(),
        "as_found_bias_pct": found.ravel(),
        "as_left_bias_pct": left.ravel(),
        "left_bias_pct": gone_with.ravel(),
        "as_found_replicates": replicates.ravel(),
        "as_left_replicates": replicates.ravel(),
        "drift_step_pct": step.ravel(),
        "unadjusted_path_pct": path.ravel(),
        "adjusted": adjusted.ravel(),
        "resolution_pct": np.full(found.size, fleet.plan.resolution),
    }
    lists = {
        "as_found_biases_pct": fleet.found.reshape(-1, fleet.plan.replicates).tolist(),
        "as_left_biases_pct": fleet.left.reshape(-1, fleet.plan.replicates).tolist(),
    }
    read = pl.DataFrame(lists).with_columns(
        as_left_biases_pct=pl.when(pl.Series(adjusted.ravel())).then("as_left_biases_pct")
    )
    return pl.DataFrame(columns).fill_nan(None).hstack(read)


def steps_of_paths(paths: pl.DataFrame) -> pl.DataFrame:
    """Return the steps of paths whose every value is a reading of its own.

    Parameters
    ----------
    paths : pl.DataFrame
        ``series``, ``t_years``, ``value``, ``resolution``; rows with a null in the first three
        are left out.

    Returns
    -------
    pl.DataFrame
        Columns of `STEPS`: one row fewer for each series than it has values.
    """

    def since_last(name: str) -> pl.Expr:
        return pl.col(name) - pl.col(name).shift(1).over("series")

    return (
        paths.drop_nulls(["series", "t_years", "value"])
        .sort("series", "t_years")
        .with_columns(
            years=since_last("t_years"),
            step=since_last("value"),
            row=pl.int_range(pl.len()).over("series"),
        )
        .filter(pl.col("row") > 0)
        .with_columns(shares_start=pl.col("row") > 1, below=pl.lit(0.0), above=pl.lit(0.0))
        .select(pl.col(name).cast(kind) for name, kind in STEPS.items())
    )
