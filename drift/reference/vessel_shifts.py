"""This module looks for a shift of a vessel within one of its calibration periods and dates it.

A vessel that is dented, or that lime has grown in, moves every meter read with it from some day on
and leaves no record.  Where no vessel was recorded, all such readings are one period: what they
were compared with may have moved, whatever it was.  Every day on which it could have happened is
tried; the p value is that of the largest of all the trials.
"""

import numpy as np
import polars as pl
from scipy.special import ndtri, stdtr, stdtrit

from drift.arrays import Floats, Integers
from drift.reference.crossed_design import NOT_RECORDED
from drift.reference.crossed_effects import (
    ALL_METERS,
    EffectValues,
    Levels,
    contrast_row,
    solve_levels,
)
from drift.reference.crossed_fit import CrossedFit
from drift.trend.false_discovery import discovery_q

_DRAWS = 20_000
_SEED = 20_010_101
_FEWEST_METERS = 2
_DATE_LEVEL = 0.95
_MOST_STEPS = 3


def find_steps(
    fit: CrossedFit, *, level: float, rate: float
) -> tuple[list[EffectValues], list[EffectValues], Levels]:
    """Look for shifts within the calibration periods of every vessel until none is left.

    Parameters
    ----------
    fit : CommonFit
    level : float
        Coverage of an effect's interval, which takes the date as known.
    rate : float
        False discovery rate over the periods up to which a shift counts as found.

    Returns
    -------
    found : list of rows of `drift.reference.crossed_effects.REFERENCE`
        Shifts found, at most three in a period.  from_on and to_on are the 95 % interval of the
        date; the further keys at_on, bins and of are the likeliest first day after it, the bins of
        the fit from that day on and the name of the period's level.
    others : list of rows
        The likeliest shift of every further period; none of them counts as found.  A period in
        which no shift could be seen (fewer than two bins, or fewer than two meters on a side) has
        no row.
    levels : Levels
        Solution with the shifts found as levels at the end.

    Notes
    -----
    The scores of all trial dates are jointly normal under the null with a known covariance, from
    which the largest is simulated (20,000 draws, fixed seed); where no draw is as large, p is
    Bonferroni's bound.  The date has a flat prior over the trials, each weighted by its marginal
    likelihood; the interval holds at least 95 % of it.

    References
    ----------
    Score test of a change at an unknown time: Andrews (1993), Econometrica 61, 821–856 (supremum
    statistic; the covariance is used as it stands here instead of its limit process).
    """
    found: list[EffectValues] = []
    for _ in range(_MOST_STEPS):
        levels = solve_levels(fit, steps=found)
        trials = _best_trials(fit, levels, level=level)
        q = discovery_q(np.array([row["p"] for row in trials], dtype=np.float64))
        new = [row for row, share in zip(trials, q, strict=True) if share <= rate]
        if not new:
            break
        found += new
    levels = solve_levels(fit, steps=found)
    taken = {row["of"] for row in found}
    others = [row for row in trials if row["of"] not in taken]
    first = len(levels.estimates) - len(found)
    for index, row in enumerate(found):
        contrast = np.eye(len(levels.estimates))[first + index]
        together = contrast_row(levels, contrast, level=level)
        row |= {key: together[key] for key in ("effect_pct", "low", "high")}
    return found, others, levels


def _best_trials(fit: CrossedFit, levels: Levels, *, level: float) -> list[EffectValues]:
    """Return the likeliest shift of each period that could show one."""
    scale = fit.noise_sd**2
    projected = fit.gram @ levels.into
    inverse = levels.covariance / scale
    gram = fit.gram - projected @ inverse @ projected.T
    right = fit.right - projected @ levels.estimates
    period = ["vessel_id", "calibrated_on"]
    rows: list[EffectValues] = []
    for part in fit.design.bins.sort("bin").partition_by(period, maintain_order=True):
        if part.height < 2:
            continue
        found = _scan(fit, part, gram=gram, right=right, level=level)
        if found is not None:
            rows.append({**_named(levels, part), **found})
    return rows


def _named(levels: Levels, part: pl.DataFrame) -> EffectValues:
    """Return what the shift of a period is called, and the name of the period's level."""
    vessels = levels.frame.filter(pl.col("kind") == "vessel")
    name = vessels.filter(
        (pl.col("vessel_id") == part["vessel_id"][0])
        & pl.col("calibrated_on").eq_missing(pl.lit(part["calibrated_on"][0], dtype=pl.Date))
    )["name"][0]
    if part["vessel_id"][0] != NOT_RECORDED:
        return {"kind": "vessel_step", "name": name, "of": name}
    called = ALL_METERS if vessels.height == 1 else NOT_RECORDED
    return {"kind": "shared_step", "name": called, "of": name}


def _scan(
    fit: CrossedFit, part: pl.DataFrame, *, gram: Floats, right: Floats, level: float
) -> EffectValues | None:
    """Return the likeliest shift in one period, or None where none could be seen."""
    bins = part["bin"].to_numpy()
    # From trial j on: the sum of the bins j and later.
    later = np.zeros((len(right), len(bins) - 1))
    for j in range(1, len(bins)):
        later[bins[j:], j - 1] = 1
    usable = _usable(fit, bins)
    information = later.T @ gram @ later
    size = np.diag(information)
    usable &= size > 1e-8 * max(float(np.diag(later.T @ fit.gram @ later).max()), 1e-12)
    if not usable.any():
        return None
    trials = np.flatnonzero(usable)
    information, size = information[np.ix_(trials, trials)], size[trials]
    shift = (later.T @ right)[trials] / size
    error = fit.noise_sd / np.sqrt(size)
    t = np.abs(shift / error)
    best = int(np.argmax(t))
    single = float(2 * stdtr(fit.freedom, -t[best]))
    correlation = information / np.sqrt(np.outer(size, size))
    low, high = _date_interval(t, size)
    half = float(stdtrit(fit.freedom, 0.5 + level / 2)) * error[best]
    return {
        "from_on": part["last_on"][int(trials[low])],
        "to_on": part["first_on"][int(trials[high]) + 1],
        "at_on": part["first_on"][int(trials[best]) + 1],
        "bins": bins[int(trials[best]) + 1 :].tolist(),
        "effect_pct": float(shift[best]),
        "low": float(shift[best] - half),
        "high": float(shift[best] + half),
        "p": _largest_p(single, correlation),
        "meters": fit.design.rows.filter(pl.col("bin").is_in(part["bin"].implode()))[
            "meter_id"
        ].n_unique(),
        "visits": int(part["visits"].sum()),
    }


def _usable(fit: CrossedFit, bins: Integers) -> np.ndarray:
    """Say for each trial whether enough meters were read both before and after it."""
    in_bin = fit.design.rows.filter(pl.col("bin").is_in(bins.tolist()))
    spans = in_bin.group_by("block").agg(
        meter=pl.col("meter").first(), first=pl.col("bin").min(), last=pl.col("bin").max()
    )
    first, last, meter = (spans[name].to_numpy() for name in ("first", "last", "meter"))
    return np.array(
        [
            len(np.unique(meter[(first < start) & (last >= start)])) >= _FEWEST_METERS
            for start in bins[1:]
        ]
    )


def _largest_p(single: float, correlation: Floats) -> float:
    """Return the p value of the largest of correlated scores, given that of the largest alone."""
    count = len(correlation)
    if count == 1:
        return single
    bound = min(single * count, 1.0)
    if bound < 1 / _DRAWS:
        return bound
    values, vectors = np.linalg.eigh(correlation)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    draws = np.random.default_rng(_SEED).standard_normal((_DRAWS, count)) @ root.T
    threshold = -float(ndtri(single / 2))
    as_large = int((np.abs(draws).max(axis=1) >= threshold).sum())
    return min((as_large + 1) / (_DRAWS + 1), bound) if as_large else bound


def _date_interval(t: Floats, size: Floats) -> tuple[int, int]:
    """Return the first and last trial of the smallest run of trials that holds the level."""
    log_weight = t**2 / 2 - np.log(size) / 2
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    low = high = int(np.argmax(weight))
    held = weight[low]
    while held < _DATE_LEVEL:
        before = weight[low - 1] if low > 0 else -1.0
        after = weight[high + 1] if high + 1 < len(weight) else -1.0
        if before >= after:
            low -= 1
            held += weight[low]
        else:
            high += 1
            held += weight[high]
    return low, high
