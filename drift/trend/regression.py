"""This module fits straight lines to unadjusted paths, one row of trend evidence a series.

The least-squares line treats the scatter about it as independent from visit to visit; the robust
one is not pulled away by a few strange visits.
"""

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special

from drift.arrays import Flat, Floats, Integers, equal_length_blocks, flatten, take_block
from drift.frames import Schema
from drift.trend.false_discovery import discovery_q
from drift.trend.rank_tests import mann_kendall, theil_sen

# Numbers in one block of pairs: 1.6 MB stays in the cache (measured: larger blocks are slower).
_PAIRS = 200_000
# A path that moves less than this does not move, % air.
_STILL_PCT = 1e-9
# Slack when a range is compared with the dial's step, as a share of the step.
_SLACK = 1e-6
# What a dial's resolution keeps from being said.
_SLOPES = (
    "slope",
    "slope_low",
    "slope_high",
    "intercept",
    "residual_sd",
    "sen_slope",
    "sen_low",
    "sen_high",
)

# Huber's bend: 95 % as efficient as least squares where errors are normal (Huber 1981, table 1).
_BEND = 1.345
_NORMAL_MAD = float(special.ndtri(0.75))
_MOST_ROUNDS = 100
# Settled when no line moves by more than this share of its scale.
_NEAR = 1e-12

# One row per series: trend of the unadjusted path.  Slopes are % air per year; null where there
# are too few visits or the estimate is not identifiable.
TRENDS: Schema = {
    "series": pl.Int64,
    "points": pl.Int64,
    "slope": pl.Float64,
    "slope_low": pl.Float64,
    "slope_high": pl.Float64,
    "intercept": pl.Float64,
    "residual_sd": pl.Float64,
    "mean_t_years": pl.Float64,
    "sum_squares_t": pl.Float64,
    "kendall_s": pl.Float64,
    "kendall_p": pl.Float64,
    "sen_slope": pl.Float64,
    "sen_low": pl.Float64,
    "sen_high": pl.Float64,
    "q": pl.Float64,
    "resolution_limited": pl.Boolean,
}


def fit_trends(paths: pl.DataFrame, *, level: float = 0.05, fewest: int = 6) -> pl.DataFrame:
    """Fit a trend to each series' unadjusted path.

    Parameters
    ----------
    paths : pl.DataFrame
        One row per series and visit: ``series``, ``t_years``, ``value`` (unadjusted path,
        % air), ``resolution`` (step the dial is read to, % air; null where not known).  Rows
        with a null in the first three are left out.  ``lowest`` and ``highest``, where given,
        are the extreme readings behind the value, on the path's scale.
    level : float
        Two-sided error probability of the intervals, over 0 and under 1.
    fewest : int
        Visits below which only ``points`` is given, at least 3.

    Returns
    -------
    pl.DataFrame
        Columns of `drift.trend.regression.TRENDS`, one row per series in `paths`, ascending.
        Slopes are % air per year; ``intercept`` is the line's value at ``t_years`` 0.  Where the
        readings span fewer than three of the dial's cells, or the path does not move at all,
        ``resolution_limited`` is true and slopes, intercept and residual are null: the slope that
        fits best then depends on the scatter, which such data cannot tell (only the test that there
        is a trend stays valid).  With fewer than `fewest` visits it is false.

    Raises
    ------
    ValueError
        If `level` or `fewest` is out of range, or a time or value is NaN or infinite.

    Notes
    -----
    ``kendall_p``, ``q`` and the interval of the slope hold where visits scatter independently
    about a line.  Real paths also wander; on simulated ones half of what q ≤ 0.05 finds is then
    false (tests).  Decide by ``drift_q`` of `drift.trend.path_trend.fit_path_trends`.

    References
    ----------
    Least squares and its t interval: any text on regression; tested against
    ``statsmodels.api.OLS``.  The others: `drift.trend.rank_tests`, `drift.trend.false_discovery`.
    """
    if not 0 < level < 1:
        raise ValueError(f"level is {level}; expected over 0 and under 1")
    if fewest < 3:
        raise ValueError(f"fewest is {fewest}; expected at least 3")
    missing = {"lowest", "highest"} - set(paths.columns)
    given = paths.with_columns(pl.col("value").alias(name) for name in missing)
    flat = flatten(given, "value", "resolution", "lowest", "highest")
    trends = {name: np.full(flat.series.size, np.nan) for name in TRENDS}
    limited = np.zeros(flat.series.size, dtype=bool)
    blocks = equal_length_blocks(flat.lengths, fewest=fewest, cells=_PAIRS, power=2)
    for length, at in blocks:
        times = take_block(flat.columns["t_years"], flat.starts[at], length)
        values = take_block(flat.columns["value"], flat.starts[at], length)
        limited[at] = _within_two_cells(flat, at, values)
        for name, numbers in _evidence(times, values, level=level).items():
            trends[name][at] = numbers
    for name in _SLOPES:
        trends[name][limited] = np.nan
    trends["q"] = discovery_q(trends["kendall_p"])
    frame = pl.DataFrame(trends).fill_nan(None)
    frame = frame.with_columns(
        series=pl.Series(flat.series),
        points=pl.Series(flat.lengths),
        resolution_limited=pl.Series(limited),
    )
    everyone = paths.select(pl.col("series").cast(pl.Int64)).drop_nulls().unique()
    return (
        everyone.join(frame, on="series", how="left")
        .with_columns(
            pl.col("points").fill_null(0), pl.col("resolution_limited").fill_null(value=False)
        )
        .select(pl.col(name).cast(kind) for name, kind in TRENDS.items())
        .sort("series")
    )


def _within_two_cells(flat: Flat, at: Integers, values: Floats) -> NDArray[np.bool_]:
    """Return whether all readings lie in two neighbouring cells of the coarsest resolution.

    The range decides, not the values: a correct air content of 5.01 % shifts them off the grid.
    """
    length = values.shape[1]

    def column(name: str) -> Floats:
        return take_block(flat.columns[name], flat.starts[at], length)

    coarsest = np.nan_to_num(column("resolution")).max(axis=1)
    seen = column("highest").max(axis=1) - column("lowest").min(axis=1)
    still = np.ptp(values, axis=1) <= _STILL_PCT
    within: NDArray[np.bool_] = still | (seen <= coarsest * (1 + _SLACK))
    return within


def _evidence(times: Floats, values: Floats, *, level: float) -> dict[str, Floats]:
    """Return the columns of numbers of `TRENDS` for one block."""
    line = least_squares(times, values)
    freedom = times.shape[1] - 2
    reach = special.stdtrit(freedom, 1 - level / 2) * line["residual_sd"]
    squares = line["sum_squares_t"]
    reach = reach / np.sqrt(np.where(squares > 0, squares, np.nan))
    kendall = mann_kendall(times, values)
    sen = theil_sen(times, values, level=level)
    return line | {
        "slope_low": line["slope"] - reach,
        "slope_high": line["slope"] + reach,
        "kendall_s": kendall.s,
        "kendall_p": kendall.p,
        "sen_slope": sen.slope,
        "sen_low": sen.low,
        "sen_high": sen.high,
    }


def least_squares(times: Floats, values: Floats) -> dict[str, Floats]:
    """Fit a straight line to each series of a block by least squares.

    Parameters
    ----------
    times, values : array, shape (series, visits)
        At least three visits.

    Returns
    -------
    dict of str to array, shape (series,)
        ``slope`` (NaN where all times are the same), ``intercept`` (at time 0), ``residual_sd``
        (visits − 2 degrees of freedom), ``mean_t_years``, ``sum_squares_t`` (about the mean).
    """
    mean_t = times.mean(axis=1)
    mean_y = values.mean(axis=1)
    t = np.where(np.ptp(times, axis=1, keepdims=True) > 0, times - mean_t[:, None], 0.0)
    y = values - mean_y[:, None]
    squares = (t * t).sum(axis=1)
    slope = (t * y).sum(axis=1) / np.where(squares > 0, squares, np.nan)
    residual = y - slope[:, None] * t
    return {
        "slope": slope,
        "intercept": mean_y - slope * mean_t,
        "residual_sd": np.sqrt((residual * residual).sum(axis=1) / (times.shape[1] - 2)),
        "mean_t_years": mean_t,
        "sum_squares_t": squares,
    }


def huber_slopes(times: Floats, values: Floats) -> Floats:
    """Return the slope of Huber's robust line for each series of a block.

    Parameters
    ----------
    times, values : array, shape (series, visits)
        At least three visits.

    Returns
    -------
    array, shape (series,)
        Value per unit of time; NaN where all times are the same, and where more than half of the
        residuals vanish, so that there is no scale to judge the others by.

    Notes
    -----
    Iterated weighted least squares, the scale being the median absolute residual from zero over
    0.6745 in each round; tested against ``statsmodels`` ``RLM`` with ``HuberT``.

    References
    ----------
    Huber (1981), Robust Statistics, chapter 7; Venables and Ripley, Modern Applied Statistics
    with S, 4th edition, section 6.5.
    """
    apart = np.ptp(times, axis=1) > 0
    t = times - times.mean(axis=1, keepdims=True)
    level, slope = _weighted_line(t, values, np.ones_like(values))
    scale = np.zeros_like(slope)
    moving = np.flatnonzero(apart)
    for _ in range(_MOST_ROUNDS):
        run, rest = t[moving], values[moving]
        residual = np.abs(rest - level[moving, None] - slope[moving, None] * run)
        scale[moving] = np.median(residual, axis=1) / _NORMAL_MAD
        bend = _BEND * scale[moving, None]
        weight = np.where(residual > bend, bend / np.where(residual > 0, residual, 1.0), 1.0)
        next_level, next_slope = _weighted_line(run, rest, weight)
        moved = np.abs(next_slope - slope[moving]) * np.abs(run).max(axis=1)
        moved += np.abs(next_level - level[moving])
        level[moving], slope[moving] = next_level, next_slope
        moving = moving[moved > _NEAR * scale[moving]]
        if not moving.size:
            break
    size = np.abs(values).max(axis=1)
    return np.where(apart & (scale > _NEAR * size), slope, np.nan)


def _weighted_line(t: Floats, values: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Return the level at t = 0 and the slope of the weighted least-squares line."""
    total = weight.sum(axis=1)
    total = np.where(total > 0, total, 1.0)
    mean_t = (weight * t).sum(axis=1) / total
    mean_y = (weight * values).sum(axis=1) / total
    run = t - mean_t[:, None]
    squares = (weight * run * run).sum(axis=1)
    slope = (weight * run * (values - mean_y[:, None])).sum(axis=1)
    slope = slope / np.where(squares > 0, squares, 1.0)
    return mean_y - slope * mean_t, slope
