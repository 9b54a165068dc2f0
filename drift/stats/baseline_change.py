"""This module tests new visits against a baseline before anybody pools them.

The spread is compared by an F test and the level by a t test.  Where one finds a difference,
something has changed that wants a cause, not wider limits.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import fdtrc, fdtri, stdtr

from drift.frames import Schema
from drift.stats.baseline import Baseline, set_baseline

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

ALIKE, SPREAD, LEVEL, TOO_FEW, CANNOT_SAY = (
    "alike",
    "spread_differs",
    "level_differs",
    "too_few",
    "cannot_say",
)

# One row per series and phase: the visits after the baseline against it.  f is the larger variance
# over the smaller, f_limit what it must not pass; t is level of old less that of new in standard
# errors.  Numbers are null where they cannot be computed.
CHANGES: Schema = {
    "series": pl.Int64,
    "phase": pl.Int64,
    "old_points": pl.Int64,
    "new_points": pl.Int64,
    "f": pl.Float64,
    "f_limit": pl.Float64,
    "f_p": pl.Float64,
    "pooled_sd": pl.Float64,
    "t": pl.Float64,
    "t_df": pl.Float64,
    "t_p": pl.Float64,
    "verdict": pl.String,
    "sentence": pl.String,
}

_SENTENCES = {
    ALIKE: "New visits agree with the baseline in spread (F) and level (t) and may be pooled.",
    SPREAD: "The spread of new visits differs from that of the baseline (F): do not pool them.",
    LEVEL: "The level of new visits differs from that of the baseline (t): do not pool them.",
    TOO_FEW: "Too few visits since the baseline to test them against it.",
    CANNOT_SAY: "The steps of the dial hide the spread, so that only the levels were compared.",
}


@dataclass(frozen=True, slots=True)
class Sample:
    """Moments of samples, one per entry.

    Attributes
    ----------
    count, mean, squares : array, shape (samples,)
        Points, their mean, and the sum of squares about it.
    step : array, shape (samples,)
        Coarsest step they were read to.
    shown : array of bool, shape (samples,)
        They lie in at least three cells of the dial, or in two that do not touch.
    """

    count: Floats
    mean: Floats
    squares: Floats
    step: Floats
    shown: Flags


@dataclass(frozen=True, slots=True)
class Comparison:
    """F and t tests of pairs of samples; names as in `CHANGES`."""

    f: Floats
    f_limit: Floats
    f_p: Floats
    pooled_sd: Floats
    t: Floats
    t_df: Floats
    t_p: Floats
    verdict: NDArray[np.str_]


def compare_samples(old: Sample, new: Sample, *, level: float) -> Comparison:
    """Test pairs of samples for equal spread and equal level.

    Parameters
    ----------
    old, new : Sample
        Samples, pair by pair.
    level : float
        Level of each test; F is the larger variance over the smaller against the upper quantile.

    References
    ----------
    Practice of the mass laboratories for control charts (NIST SOP 9, from memory, to be checked
    against the current edition): F test, then t test, pool if both pass.
    """
    df_old, df_new = np.maximum(old.count - 1, 1), np.maximum(new.count - 1, 1)
    enough = (old.count >= 2) & (new.count >= 2)
    var_old, var_new = old.squares / df_old, new.squares / df_new
    compared = enough & old.shown & new.shown
    larger, smaller = np.maximum(var_old, var_new), np.minimum(var_old, var_new)
    df_larger = np.where(var_new >= var_old, df_new, df_old)
    df_smaller = np.where(var_new >= var_old, df_old, df_new)
    f = np.where(compared, larger / np.where(smaller > 0, smaller, 1), np.nan)
    limit = np.where(compared, fdtri(df_larger, df_smaller, 1 - level), np.nan)
    df = old.count + new.count - 2
    floor = np.maximum(old.step, new.step) ** 2 / 12
    variance = (old.squares + new.squares) / np.maximum(df, 1)
    # Where the dial hides a spread, the level is judged by what rounding alone would leave.
    pooled = np.sqrt(np.where(compared, variance, np.maximum(variance, floor)))
    error = pooled * np.sqrt(1 / np.maximum(old.count, 1) + 1 / np.maximum(new.count, 1))
    usable = enough & (error > 0)
    t = np.where(usable, (old.mean - new.mean) / np.where(usable, error, 1), np.nan)
    p = np.where(usable, 2 * stdtr(np.maximum(df, 1), -np.abs(np.nan_to_num(t))), np.nan)
    verdict = np.select(
        [~enough, compared & (f > limit), usable & (p < level), ~compared],
        [TOO_FEW, SPREAD, LEVEL, CANNOT_SAY],
        default=ALIKE,
    )
    return Comparison(
        f=f,
        f_limit=limit,
        f_p=np.where(compared, fdtrc(df_larger, df_smaller, np.nan_to_num(f)), np.nan),
        pooled_sd=np.where(enough, pooled, np.nan),
        t=t,
        t_df=np.where(usable, df, np.nan),
        t_p=p,
        verdict=verdict,
    )


def find_changes(
    points: pl.DataFrame,
    *,
    visits: int,
    level: float,
    window: tuple[float, float] | None = None,
) -> pl.DataFrame:
    """Test the visits after each baseline against it.

    Parameters
    ----------
    points : pl.DataFrame
        As for `drift.stats.baseline.set_baseline`.
    visits : int
        Length of a baseline, and fewest new visits that are tested.
    level : float
        Level of each test.
    window : tuple of float or None
        Window of the baseline, t_years.

    Returns
    -------
    pl.DataFrame
        Frame of `CHANGES`, sorted by series and phase.

    Raises
    ------
    ValueError
        If a column is missing or holds a number that cannot be.
    """
    baseline = set_baseline(points, visits=visits, window=window)
    usable = baseline.rows["excluded"].is_null().to_numpy()
    started = np.maximum.accumulate(np.where(baseline.inside, np.arange(len(baseline.values)), -1))
    after = usable & ~baseline.inside & (started >= baseline.starts[baseline.block])
    old, new = _sample(baseline, baseline.inside), _sample(baseline, after)
    result = compare_samples(old, new, level=level)
    few = (new.count < visits) | (old.count < min(visits, 2))
    verdict = np.where(few, TOO_FEW, result.verdict)
    numbers = {
        "f": result.f,
        "f_limit": result.f_limit,
        "f_p": result.f_p,
        "pooled_sd": result.pooled_sd,
        "t": result.t,
        "t_df": result.t_df,
        "t_p": result.t_p,
    }
    return (
        baseline.blocks.with_columns(
            pl.Series(name, np.where(few, np.nan, values), nan_to_null=True)
            for name, values in numbers.items()
        )
        .with_columns(
            old_points=pl.Series(old.count, dtype=pl.Int64),
            new_points=pl.Series(new.count, dtype=pl.Int64),
            verdict=pl.Series(verdict.tolist(), dtype=pl.String),
        )
        .with_columns(sentence=pl.col("verdict").replace_strict(_SENTENCES, return_dtype=pl.String))
        .select(CHANGES.keys())
        .cast(CHANGES)  # type: ignore[arg-type]  # names to types
        .sort("series", "phase")
    )


def _sample(baseline: Baseline, rows: Flags) -> Sample:
    """Return the moments of the chosen rows of every block."""
    blocks = len(baseline.starts)
    block, values = baseline.block[rows], baseline.values[rows]
    count = np.bincount(block, minlength=blocks).astype(float)
    mean = np.bincount(block, values, minlength=blocks) / np.maximum(count, 1)
    squares = np.asarray(np.bincount(block, (values - mean[block]) ** 2, minlength=blocks), float)
    step, high, low = np.zeros(blocks), np.full(blocks, -np.inf), np.full(blocks, np.inf)
    np.maximum.at(step, block, baseline.resolutions[rows])
    np.maximum.at(high, block, values)
    np.minimum.at(low, block, values)
    return Sample(count=count, mean=mean, squares=squares, step=step, shown=high - low > 1.5 * step)
