"""This module says what a fleet's checks risk under the rule in force, point by point."""

from itertools import starmap

import numpy as np
import polars as pl

from drift.frames import Schema
from drift.stats.conformity import largest_accepted
from drift.stats.risk import fleet_distribution, global_risks

# One row per verification point, from all its as-found checks.  mean_pct and sd_pct: normal
# distribution of the true biases behind them, the measuring taken out; u_pct and limit_pct: middle
# standard uncertainty of a bias and middle acceptance limit; false_accept and false_reject: shares
# of all checks that accept a meter out of tolerance and reject one within it.  Null where the
# biases scatter no more than their measuring explains, or there are too few.
FLEET_RISKS: Schema = {
    "point_pct": pl.Float64,
    "meters": pl.Int64,
    "checks": pl.Int64,
    "mean_pct": pl.Float64,
    "sd_pct": pl.Float64,
    "u_pct": pl.Float64,
    "limit_pct": pl.Float64,
    "false_accept": pl.Float64,
    "false_reject": pl.Float64,
}
# Nothing passes a limit of 0 or less; this stands for it, % air.
_NOTHING = 1e-12


def fleet_risks(checks: pl.DataFrame, *, tolerance: float, comparison: str) -> pl.DataFrame:
    """Return the global risks of checking a fleet.

    Parameters
    ----------
    checks : pl.DataFrame
        As-found biases: ``meter_id point_pct bias_pct u_pct reference_u_pct limit_pct``, % air.
    tolerance : float
        Largest bias that is good, % air.
    comparison : str
        E29 method, as for `drift.stats.conformity.within_tolerance`.

    Returns
    -------
    pl.DataFrame
        Frame of `FLEET_RISKS`, sorted by point.

    Notes
    -----
    The true biases are taken as normal and the measuring as one normal error of the middle size.
    The reference errs alike on all meters and so does not scatter them, but it counts in every
    check.

    References
    ----------
    JCGM 106:2012, clause 9, by `drift.stats.risk`.
    """
    by_point = checks.drop_nulls(["bias_pct", "u_pct", "limit_pct"]).partition_by(
        "point_pct", as_dict=True
    )

    def row(key: tuple[object, ...], mine: pl.DataFrame) -> dict[str, object]:
        return {"point_pct": key[0], **_risk(mine, tolerance=tolerance, comparison=comparison)}

    return pl.DataFrame(list(starmap(row, by_point.items())), schema=FLEET_RISKS).sort("point_pct")


def _risk(mine: pl.DataFrame, *, tolerance: float, comparison: str) -> dict[str, object]:
    """Return the risks at one point."""
    apart = mine.select((pl.col("u_pct") ** 2 - pl.col("reference_u_pct") ** 2).sqrt())
    mean, sd = fleet_distribution(
        mine["bias_pct"].to_numpy(), u=apart.to_series().fill_nan(0.0).to_numpy()
    )
    u, limit = mine.select(pl.col("u_pct", "limit_pct").median()).row(0)
    edge = largest_accepted(limit, tolerance=tolerance, comparison=comparison)
    accept, reject = global_risks(
        mean=mean, sd=sd, u=u, tolerance=tolerance, acceptance=max(edge, _NOTHING)
    )
    return {
        "meters": mine["meter_id"].n_unique(),
        "checks": mine.height,
        "u_pct": u,
        "limit_pct": limit,
        "mean_pct": _known(mean),
        "sd_pct": _known(sd),
        "false_accept": _known(float(accept)),
        "false_reject": _known(float(reject)),
    }


def _known(value: float) -> float | None:
    """Return a number, or null for what is none."""
    return value if np.isfinite(value) else None
