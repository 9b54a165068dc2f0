"""This module computes the risks of judging: of one meter, and of all that a fleet brings."""

from itertools import starmap

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.special import ndtr, owens_t, stdtrit

from drift.arrays import Floats
from drift.frames import Schema
from drift.meter.tolerance import largest_accepted

# One row per verification point, from all its as-found checks.  mean_pct and sd_pct: normal
# distribution of the true biases behind them, the measuring taken out; u_pct and limit_pct: middle
# standard uncertainty of a bias and middle acceptance limit; false_accept and false_reject: shares
# of all checks that accept a meter out of tolerance and reject one within it, each with its 95 %
# interval.  Null where the biases scatter no more than their measuring explains, or there are too
# few; an interval also where that is so without some one meter.
FLEET_RISKS: Schema = {
    "point_pct": pl.Float64,
    "meters": pl.Int64,
    "checks": pl.Int64,
    "mean_pct": pl.Float64,
    "sd_pct": pl.Float64,
    "u_pct": pl.Float64,
    "limit_pct": pl.Float64,
    "false_accept": pl.Float64,
    "false_accept_low": pl.Float64,
    "false_accept_high": pl.Float64,
    "false_reject": pl.Float64,
    "false_reject_low": pl.Float64,
    "false_reject_high": pl.Float64,
}
_LEVEL = 0.95
# Fewest meters that say how far meters differ, for an interval.
_FEWEST = 3
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
        E29 method, as for `drift.meter.tolerance.within_tolerance`.

    Returns
    -------
    pl.DataFrame
        Frame of `FLEET_RISKS`, sorted by point.

    Notes
    -----
    The true biases are taken as normal and the measuring as one normal error of the middle size.
    The reference errs alike on all meters and so does not scatter them, but it counts in every
    check.  The checks of one meter are alike, so that the intervals come from leaving out one meter
    at a time (jackknife), of the logarithm of each risk.

    References
    ----------
    JCGM 106:2012, clause 9, by `drift.conformity.global_risk`; Efron & Tibshirani (1993), An
    Introduction to the Bootstrap, chapter 11, for the jackknife (from memory).
    """
    by_point = checks.drop_nulls(["bias_pct", "u_pct", "limit_pct"]).partition_by(
        "point_pct", as_dict=True
    )

    def row(key: tuple[object, ...], mine: pl.DataFrame) -> dict[str, object]:
        return {"point_pct": key[0], **_risk(mine, tolerance=tolerance, comparison=comparison)}

    return pl.DataFrame(list(starmap(row, by_point.items())), schema=FLEET_RISKS).sort("point_pct")


def _risk(mine: pl.DataFrame, *, tolerance: float, comparison: str) -> dict[str, object]:
    """Return the risks at one point."""
    apart = (pl.col("u_pct") ** 2 - pl.col("reference_u_pct") ** 2).clip(0.0)
    sums = mine.group_by("meter_id", maintain_order=True).agg(
        checks=pl.len().cast(pl.Float64),
        bias=pl.col("bias_pct").sum(),
        squares=(pl.col("bias_pct") ** 2).sum(),
        measuring=apart.sum(),
    )
    each = sums.select("checks", "bias", "squares", "measuring").to_numpy()
    u, limit = mine.select(pl.col("u_pct", "limit_pct").median()).row(0)
    edge = largest_accepted(limit, tolerance=tolerance, comparison=comparison)
    # The fleet, then the fleet without each of its meters.
    mean, sd = _true_biases(np.vstack([each.sum(axis=0), each.sum(axis=0) - each]))
    accept, reject = global_risks(
        mean=mean, sd=sd, u=u, tolerance=tolerance, acceptance=max(edge, _NOTHING)
    )
    return {
        "meters": sums.height,
        "checks": mine.height,
        "u_pct": u,
        "limit_pct": limit,
        "mean_pct": _known(mean[0]),
        "sd_pct": _known(sd[0]),
        **_with_interval("false_accept", accept),
        **_with_interval("false_reject", reject),
    }


def _true_biases(sums: Floats) -> tuple[Floats, Floats]:
    """Return mean and standard deviation of the true biases behind sums of measured ones.

    `sums` holds a row for each set of checks: their number, Σ bias, Σ bias² and Σ u²; the standard
    deviation is NaN where the measuring explains all scatter.
    """
    number, total, squares, measuring = sums.T
    enough = number > 1
    count = np.where(enough, number, np.nan)
    mean = total / count
    left = (squares - count * mean**2) / (count - 1) - measuring / count
    return mean, np.sqrt(np.where(left > 0, left, np.nan))


def _with_interval(name: str, risks: Floats) -> dict[str, float | None]:
    """Return a risk with its interval, from the fleet's and those without each of its meters."""
    meters = len(risks) - 1
    logs = np.log(np.maximum(risks, _NOTHING))
    error = np.sqrt((meters - 1) / meters * ((logs[1:] - logs[1:].mean()) ** 2).sum())
    half = stdtrit(max(meters - 1, 1), 0.5 + _LEVEL / 2) * (error if meters >= _FEWEST else np.nan)
    return {
        name: _known(risks[0]),
        f"{name}_low": _known(np.exp(logs[0] - half)),
        f"{name}_high": _known(min(np.exp(logs[0] + half), 1.0)),
    }


def _known(value: float) -> float | None:
    """Return a number, or null for what is none."""
    return float(value) if np.isfinite(value) else None


def global_risks(
    *,
    mean: npt.ArrayLike,
    sd: npt.ArrayLike,
    u: npt.ArrayLike,
    tolerance: npt.ArrayLike,
    acceptance: npt.ArrayLike,
) -> tuple[Floats, Floats]:
    """Return the probabilities of accepting a bad meter and of rejecting a good one.

    Parameters
    ----------
    mean, sd : array_like
        Normal distribution of the true biases of the fleet, % air; sd above 0.
    u : array_like
        Standard uncertainty of a measured bias, % air, above 0.
    tolerance, acceptance : array_like
        Half-widths about 0 of what is good and of what is accepted, % air, above 0.

    Returns
    -------
    false_accept, false_reject : array
        Shares of all meters checked; NaN where sd or u is not above 0.

    References
    ----------
    JCGM 106:2012, clause 9 (global consumer's and producer's risk), the integrals of the prior
    times the acceptance probability; here as areas of a bivariate normal distribution.
    """
    m, s, error, good, taken = np.broadcast_arrays(
        *(np.asarray(value, dtype=np.float64) for value in (mean, sd, u, tolerance, acceptance))
    )
    s, error = np.where(s > 0, s, np.nan), np.where(error > 0, error, np.nan)
    total = np.hypot(s, error)
    correlation = s / total
    high_good, low_good = (good - m) / s, (-good - m) / s
    high_taken, low_taken = (taken - m) / total, (-taken - m) / total
    both = (
        bivariate_normal(high_good, high_taken, correlation=correlation)
        - bivariate_normal(low_good, high_taken, correlation=correlation)
        - bivariate_normal(high_good, low_taken, correlation=correlation)
        + bivariate_normal(low_good, low_taken, correlation=correlation)
    )
    accepted = ndtr(high_taken) - ndtr(low_taken)
    conforming = ndtr(high_good) - ndtr(low_good)
    return np.maximum(accepted - both, 0.0), np.maximum(conforming - both, 0.0)


def bivariate_normal(h: npt.ArrayLike, k: npt.ArrayLike, *, correlation: npt.ArrayLike) -> Floats:
    """Return P(X ≤ h, Y ≤ k) for standard normal X, Y with a correlation within ±1.

    References
    ----------
    Owen (1956), Annals of Mathematical Statistics 27, 1075–1090, equation 2.1.
    """
    x, y, r = np.broadcast_arrays(
        *(np.asarray(value, dtype=np.float64) for value in (h, k, correlation))
    )
    root = np.sqrt(1 - r**2)
    # At exactly 0 the arguments of T are limits; a number too small to matter takes their place.
    x, y = np.where(x == 0, 1e-300, x), np.where(y == 0, 1e-300, y)
    t = owens_t(x, (y / x - r) / root) + owens_t(y, (x / y - r) / root)
    return np.asarray((ndtr(x) + ndtr(y)) / 2 - t - np.where(x * y < 0, 0.5, 0.0))
