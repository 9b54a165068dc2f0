"""This module tests each phase of a series against what came before it.

The as-found level of a meter may change with an adjustment or a vessel, its scatter hardly.  Each
phase is therefore compared with the baseline in force: spread by an F test, level by a t test.  A
phase with a whole baseline of its own is charted on that.  A shorter one that differs in neither
goes on under the limits before it; one that differs gets a centre of its own.  Spread is pooled
over the phases of a meter for as long as the F test allows and its gauge is the same.
"""

from dataclasses import dataclass
from functools import partial

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import fdtrc, stdtr

from drift.arrays import Flags, Floats, Integers
from drift.frames import Schema
from drift.limits.baseline import Baseline, set_baseline
from drift.limits.rounding.borrowing import Cohort, Lenders, Pool, known_by, set_pool

GOES_ON, OWN_BASELINE, LEVEL, SPREAD, OTHER_GAUGE, CANNOT_COMPARE = (
    "goes_on",
    "own_baseline",
    "level_differs",
    "spread_differs",
    "other_gauge",
    "cannot_say",
)

# Visits from which a baseline shows what scatter is usual.
_FEWEST_SHOWING = 3

# One row per series and phase after its first one.  old_visits set the limits before it,
# new_visits are those of its own that were compared.  f is the larger variance over the smaller, t
# the level of old less that of new in standard errors, f_p and t_p two-sided; null where they
# cannot be computed.  limits_phase is the phase whose limits it is charted by.
PHASES: Schema = {
    "series": pl.Int64,
    "phase": pl.Int64,
    "first_visit": pl.Int64,
    "old_visits": pl.Int64,
    "new_visits": pl.Int64,
    "f": pl.Float64,
    "f_p": pl.Float64,
    "t": pl.Float64,
    "t_df": pl.Float64,
    "t_p": pl.Float64,
    "verdict": pl.String,
    "limits_phase": pl.Int64,
}


@dataclass(frozen=True, slots=True)
class ComparedPhases:
    """Points whose phases have been tested.

    Attributes
    ----------
    points : pl.DataFrame
        The points, ``phase`` being the one whose limits they are charted by and ``own_phase`` their
        own, with ``scatter_run``: phases of a series with the same number are pooled in spread.
        ``may_change`` says that the last phase helps to fill a baseline before it and, still
        growing, may yet turn out to differ.
    tests : pl.DataFrame
        Frame of `PHASES`, sorted by series and phase.
    """

    points: pl.DataFrame
    tests: pl.DataFrame


@dataclass(slots=True)
class _Standing:
    """What is in force of every series while its phases are gone through.

    count and total are of the visits that set the centre; squares and df of all phases that the
    spread is pooled over; phase is the number of the phase whose limits are in force; run of the
    phases pooled in spread.
    """

    count: Floats
    total: Floats
    squares: Floats
    df: Floats
    gauge: Integers
    phase: Integers
    run: Integers


@dataclass(frozen=True, slots=True)
class _Blocks:
    """Moments of the baseline visits of every block."""

    count: Floats
    mean: Floats
    squares: Floats
    rounding: Floats
    whole: Flags
    gauge: Integers
    phase: Integers
    usual: Floats


def compare_phases(
    points: pl.DataFrame,
    *,
    visits: int,
    spread_level: float,
    level: float,
    window: tuple[float, float] | None = None,
    lenders: Lenders | None = None,
) -> ComparedPhases:
    """Test each phase against the baseline in force and let short ones that agree go on under it.

    Parameters
    ----------
    points : pl.DataFrame
        As for `drift.limits.baseline.set_baseline`.  A column ``gauge`` numbers the gauges that a
        meter has had; without it there was one.
    visits : int
        Visits of a whole baseline.
    spread_level, level : float
        Levels of the F test, two-sided, and of the t test.
    window : tuple of float or None
        First and last t_years of a baseline named by its dates.
    lenders : Lenders or None
        Meters that stand for the fleet where these are some of it.

    Raises
    ------
    ValueError
        If a column is missing or holds a number that cannot be.

    Notes
    -----
    Own degrees of freedom below those of a whole baseline are filled up by the usual variance of
    the fleet, so that two single visits can be compared.  Variances are taken as no smaller than
    that of rounding alone, so that visits that agree to the step do not make the next one differ.

    References
    ----------
    Practice of the mass laboratories for control charts (NIST SOP 9, from memory, to be checked
    against the current edition): F test, then t test, pool if both pass.  Variances moderated by
    those of like units: G. K. Smyth (2004), Statist. Appl. Genet. Mol. Biol. 3(1), 3 (from memory).
    """
    baseline = set_baseline(points, visits=visits, window=window)
    blocks = _moments(baseline, lenders, visits=visits, window=window)
    series = baseline.rows["series"].to_numpy()[baseline.starts]
    starts = np.flatnonzero(np.diff(series, prepend=-1))
    number = np.diff(starts, append=len(series))
    standing = _begin(blocks, starts)
    limits_phase, run = blocks.phase.copy(), np.zeros(len(series), np.int64)
    may_change = np.zeros(len(series), bool)
    rows: list[pl.DataFrame] = []
    for place in range(1, int(number.max(initial=0))):
        which = np.flatnonzero(number > place)
        block = starts[which] + place
        tests = _compare(standing, blocks, which, block, visits=visits, spread_level=spread_level)
        verdict = _judge(
            standing, blocks, which, block, tests, spread_level=spread_level, level=level
        )
        filled = (verdict == GOES_ON) & (standing.count[which] < visits)
        _go_on(standing, blocks, which, block, verdict, visits=visits)
        limits_phase[block], run[block] = standing.phase[which], standing.run[which]
        may_change[block] = filled & (number[which] == place + 1)
        rows.append(_as_frame(baseline, block, tests, verdict, limits_phase[block]))
    by_block = pl.DataFrame(
        {
            "series": series,
            "phase": blocks.phase,
            "limits_phase": limits_phase,
            "scatter_run": run,
            "may_change": may_change,
        }
    )
    charted = points.join(by_block, on=["series", "phase"], how="left", maintain_order="left")
    return ComparedPhases(
        # Phases without any reading are in no block and stay what they are.
        points=charted.with_columns(
            pl.col("may_change").fill_null(value=False),
            own_phase=pl.col("phase"),
            phase=pl.coalesce("limits_phase", "phase"),
        ).drop("limits_phase"),
        tests=pl.concat([pl.DataFrame(schema=PHASES), *rows]).sort("series", "phase"),
    )


def _moments(
    baseline: Baseline,
    lenders: Lenders | None,
    *,
    visits: int,
    window: tuple[float, float] | None,
) -> _Blocks:
    """Return the moments of every block's baseline visits."""
    blocks, rows = len(baseline.starts), baseline.rows
    inside, block = baseline.inside, baseline.block
    count = baseline.counts.astype(float)
    values = baseline.values[inside]
    mean = np.bincount(block[inside], values, minlength=blocks) / np.maximum(count, 1)
    residual = values - mean[block[inside]]
    squares = np.asarray(np.bincount(block[inside], residual**2, minlength=blocks), float)
    # Where no series has a second phase nothing will be compared.
    several = len(np.unique(rows["series"].to_numpy()[baseline.starts])) < blocks
    replicates = rows["replicates"].fill_null(1).to_numpy() if "replicates" in rows.columns else 1.0
    rounding = np.zeros(blocks)
    np.maximum.at(rounding, block, baseline.resolutions**2 / 12 / replicates)
    gauge = rows["gauge"].to_numpy() if "gauge" in rows.columns else np.zeros(len(rows), np.int64)
    whole = count >= visits
    if window is not None:
        begins = rows["t_years"].to_numpy()[baseline.starts]
        whole |= (count >= 2) & (begins <= window[1])
    return _Blocks(
        count=count,
        mean=mean,
        squares=squares,
        rounding=rounding,
        whole=whole,
        gauge=gauge[baseline.starts],
        phase=rows["phase"].to_numpy()[baseline.starts],
        usual=_usual_variance(baseline, lenders, visits=visits, window=window)
        if several
        else np.zeros(blocks),
    )


def _usual_variance(
    baseline: Baseline,
    lenders: Lenders | None,
    *,
    visits: int,
    window: tuple[float, float] | None,
) -> Floats:
    """Return the usual variance of similar meters' baselines, as known when each block's was set.

    0 where none was known; the last known visits are those of `drift.limits.rounding.borrowing`.
    """
    usual = np.zeros(len(baseline.starts))
    pool = set_pool(baseline, baseline.rows, visits=visits, window=window, lenders=lenders)
    for cohort in pool.cohorts:
        usual[cohort.blocks] = pool.once("usual", cohort, partial(_usual_of, pool, cohort))
    return usual


def _usual_of(pool: Pool, cohort: Cohort) -> float:
    """Return the usual variance of what a cohort may borrow from."""
    rows = known_by(pool, cohort)
    block, values = pool.baseline.block[rows], pool.baseline.values[rows]
    count = np.bincount(block)
    mean = np.bincount(block, values) / np.maximum(count, 1)
    squares = np.bincount(block, (values - mean[block]) ** 2)
    some = count >= _FEWEST_SHOWING
    # The median of s² is less than σ² by the factor of Wilson and Hilferty for that of χ².
    df = count[some] - 1
    variance = squares[some] / df / (1 - 2 / (9 * df)) ** 3
    return float(np.median(variance)) if some.any() else 0.0


def _begin(blocks: _Blocks, starts: Integers) -> _Standing:
    """Return what is in force after the first phase of every series."""
    return _Standing(
        count=blocks.count[starts],
        total=blocks.count[starts] * blocks.mean[starts],
        squares=blocks.squares[starts],
        df=np.maximum(blocks.count[starts] - 1, 0),
        gauge=blocks.gauge[starts].copy(),
        phase=blocks.phase[starts].copy(),
        run=np.zeros(len(starts), np.int64),
    )


def _compare(
    standing: _Standing,
    blocks: _Blocks,
    which: Integers,
    block: Integers,
    *,
    visits: int,
    spread_level: float,
) -> dict[str, Floats]:
    """Test one phase of some series against what is in force; names as in `PHASES`."""
    n_old, df_old = standing.count[which], standing.df[which]
    n_new = blocks.count[block]
    df_new = np.maximum(n_new - 1, 0)
    floor = blocks.rounding[block]
    squares_old, squares_new = standing.squares[which], blocks.squares[block]
    var_old = np.maximum(squares_old / np.maximum(df_old, 1), floor)
    var_new = np.maximum(squares_new / np.maximum(df_new, 1), floor)
    f, f_p = _f_test(var_old, var_new, df_old, df_new)
    apart = f_p < spread_level
    own_df = np.where(apart, df_new, df_old + df_new)
    squares = np.where(apart, squares_new, squares_old + squares_new)
    usual = blocks.usual[block]
    lent = np.where(usual > 0, np.maximum(visits - 1 - own_df, 0), 0)
    df = own_df + lent
    variance = np.maximum((squares + lent * usual) / np.maximum(df, 1), floor)
    error = np.sqrt(variance * (1 / np.maximum(n_old, 1) + 1 / np.maximum(n_new, 1)))
    usable = (n_old > 0) & (n_new > 0) & (df > 0) & (error > 0)
    old_mean = standing.total[which] / np.maximum(n_old, 1)
    t = np.where(usable, (old_mean - blocks.mean[block]) / np.where(usable, error, 1), np.nan)
    return {
        "old_visits": n_old,
        "new_visits": n_new,
        "f": f,
        "f_p": f_p,
        "t": t,
        "t_df": np.where(usable, df, np.nan),
        "t_p": np.where(usable, 2 * stdtr(np.maximum(df, 1), -np.abs(np.nan_to_num(t))), np.nan),
    }


def _f_test(
    var_old: Floats, var_new: Floats, df_old: Floats, df_new: Floats
) -> tuple[Floats, Floats]:
    """Return the larger variance over the smaller and its two-sided p; NaN where unknown."""
    larger, smaller = np.maximum(var_old, var_new), np.minimum(var_old, var_new)
    tested = (df_old > 0) & (df_new > 0) & (smaller > 0)
    f = np.where(tested, larger / np.where(tested, smaller, 1), np.nan)
    newer = var_new >= var_old
    above, below = np.where(newer, df_new, df_old), np.where(newer, df_old, df_new)
    one_sided = fdtrc(np.maximum(above, 1), np.maximum(below, 1), np.nan_to_num(f))
    return f, np.where(tested, np.minimum(2 * one_sided, 1), np.nan)


def _judge(
    standing: _Standing,
    blocks: _Blocks,
    which: Integers,
    block: Integers,
    tests: dict[str, Floats],
    *,
    spread_level: float,
    level: float,
) -> NDArray[np.str_]:
    """Say of each phase what the tests mean for its limits."""
    return np.select(
        [
            standing.gauge[which] != blocks.gauge[block],
            tests["f_p"] < spread_level,
            blocks.whole[block],
            np.isnan(tests["t_p"]),
            tests["t_p"] < level,
        ],
        [OTHER_GAUGE, SPREAD, OWN_BASELINE, CANNOT_COMPARE, LEVEL],
        default=GOES_ON,
    )


def _go_on(
    standing: _Standing,
    blocks: _Blocks,
    which: Integers,
    block: Integers,
    verdict: NDArray[np.str_],
    *,
    visits: int,
) -> None:
    """Put in force what the phase of each series brings."""
    goes_on = verdict == GOES_ON
    pooled = (verdict != OTHER_GAUGE) & (verdict != SPREAD)
    count, mean = blocks.count[block], blocks.mean[block]
    df = np.maximum(count - 1, 0)
    # Visits join a baseline until it is whole; from then on it is frozen.  All visits compared of
    # the phase that completes it stand for its first ones.
    free = np.where(goes_on, np.clip(visits - standing.count[which], 0, count), count)
    standing.total[which] = np.where(goes_on, standing.total[which], 0) + free * mean
    standing.count[which] = np.where(goes_on, standing.count[which], 0) + free
    standing.squares[which] = np.where(pooled, standing.squares[which], 0) + blocks.squares[block]
    standing.df[which] = np.where(pooled, standing.df[which], 0) + df
    standing.gauge[which] = blocks.gauge[block]
    standing.phase[which] = np.where(goes_on, standing.phase[which], blocks.phase[block])
    standing.run[which] += ~pooled


def _as_frame(
    baseline: Baseline,
    block: Integers,
    tests: dict[str, Floats],
    verdict: NDArray[np.str_],
    limits_phase: Integers,
) -> pl.DataFrame:
    """Return rows of `PHASES`."""
    first = baseline.rows.select("series", "phase", first_visit="visit")[baseline.starts[block]]
    return (
        first.with_columns(
            *(pl.Series(name, values, nan_to_null=True) for name, values in tests.items()),
            verdict=pl.Series(verdict.tolist(), dtype=pl.String),
            limits_phase=pl.Series(limits_phase),
        )
        .select(PHASES.keys())
        .cast(PHASES)  # type: ignore[arg-type]  # names to types
    )
