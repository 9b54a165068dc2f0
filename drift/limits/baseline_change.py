"""This module tests new visits against a baseline, and says in a sentence what that means.

The spread is compared by an F test and the level by a t test.  Where one finds a difference,
something has changed that wants a cause, not wider limits.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import fdtrc, fdtri, stdtr

from drift.arrays import Flags, Floats
from drift.format import count, fixed, known, p_value, plain
from drift.frames import Schema
from drift.limits import phase_tests as phase
from drift.limits.baseline import Baseline, set_baseline

ALIKE, SPREAD_OFF, LEVEL_OFF, TOO_FEW, CANNOT_TEST = (
    "alike",
    "spread_differs",
    "level_differs",
    "too_few",
    "cannot_say",
)

# One row per series and phase: the visits after the baseline against it.  f is the larger variance
# over the smaller, f_limit what it must not pass; t is level of old less that of new in standard
# errors.  Numbers are null where they cannot be computed.
BASELINE_CHANGES: Schema = {
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
    SPREAD_OFF: "The spread of new visits differs from that of the baseline (F): do not pool them.",
    LEVEL_OFF: "The level of new visits differs from that of the baseline (t): do not pool them.",
    TOO_FEW: "Too few visits since the baseline to test them against it.",
    CANNOT_TEST: "The steps of the dial hide the spread, so that only the levels were compared.",
}

# One row per series and comparison: `data/phases.csv`.  compared is "new phase" (its first visits
# against the baseline in force) or "since the baseline" (all later visits of the same limits
# against it).  f is the larger variance over the smaller, t the level of old less that of new in
# standard errors; null where they cannot be computed.  limits_phase names the phase whose limits
# are in force.
COMPARED: Schema = {
    "meter_id": pl.String,
    "point_pct": pl.Float64,
    "phase": pl.Int64,
    "began_on": pl.Date,
    "why": pl.String,
    "compared": pl.String,
    "old_visits": pl.Int64,
    "new_visits": pl.Int64,
    "f": pl.Float64,
    "f_p": pl.Float64,
    "t": pl.Float64,
    "t_df": pl.Float64,
    "t_p": pl.Float64,
    "verdict": pl.String,
    "limits_phase": pl.Int64,
    "sentence": pl.String,
}
NEW_PHASE, SINCE_BASELINE = "new phase", "since the baseline"

_OF_PHASES: Mapping[str, str] = MappingProxyType(
    {
        phase.GOES_ON: "No change is seen, so the earlier limits stay in force",
        phase.OWN_BASELINE: "It has a baseline of its own; its scatter is pooled with earlier ones",
        phase.LEVEL: (
            "The level has changed, so it has a centre of its own; its scatter is pooled with "
            "earlier ones"
        ),
        phase.SPREAD: (
            "The scatter has changed, so it has limits of its own and is not pooled with earlier "
            "visits"
        ),
        phase.OTHER_GAUGE: (
            "Another gauge: it has limits of its own and is not pooled with the gauge before"
        ),
        phase.CANNOT_COMPARE: "It cannot be compared with what came before: limits of its own",
    }
)
_OF_LATER_VISITS: Mapping[str, str] = MappingProxyType(
    {
        ALIKE: "No change is seen: later visits may be pooled with the baseline",
        CANNOT_TEST: (
            "The level has not changed; the dial's steps hide the scatter, so whether later "
            "visits may be pooled with the baseline cannot be said"
        ),
        SPREAD_OFF: (
            "The scatter has changed: find out why, and do not pool later visits with the baseline"
        ),
        LEVEL_OFF: (
            "The level has changed: find out why, and do not pool later visits with the baseline"
        ),
    }
)
# What keeps visits from being pooled, whatever the tests of a whole baseline say.
_UNSETTLED = "Do not pool later visits with the baseline while {} stands"


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
    """F and t tests of pairs of samples; names as in `BASELINE_CHANGES`."""

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
        [TOO_FEW, SPREAD_OFF, LEVEL_OFF, CANNOT_TEST],
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
        As for `drift.limits.baseline.set_baseline`.
    visits : int
        Length of a baseline, and fewest new visits that are tested.
    level : float
        Level of each test.
    window : tuple of float or None
        Window of the baseline, t_years.

    Returns
    -------
    pl.DataFrame
        Frame of `BASELINE_CHANGES`, sorted by series and phase.

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
        .select(BASELINE_CHANGES.keys())
        .cast(BASELINE_CHANGES)  # type: ignore[arg-type]  # names to types
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


def tell_phases(
    phases: pl.DataFrame,
    since: pl.DataFrame,
    *,
    ledger: pl.DataFrame,
    levels: tuple[float, float],
    unsettled: Mapping[int, str] = MappingProxyType({}),
) -> pl.DataFrame:
    """Return what was compared, each with a sentence.

    Parameters
    ----------
    phases : pl.DataFrame
        Frame of `drift.limits.phase_tests.PHASES`.
    since : pl.DataFrame
        Frame of `drift.limits.baseline_change.BASELINE_CHANGES`.
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    levels : tuple of float
        Level of the t test of new phases, and of visits since a baseline.
    unsettled : mapping of int to str
        Of series in which a jump or a signal stands: which of these.

    Returns
    -------
    pl.DataFrame
        Frame of `COMPARED`, by meter, point, phase and what was compared; baselines with too few
        visits since are left out.
    """
    begun = ledger.select(
        "series", "meter_id", "point_pct", "performed_on", "phase_began", first_visit="visit"
    )
    names = begun.select("series", "meter_id", "point_pct").unique()
    restarts = phases.join(begun, on=["series", "first_visit"], how="left").with_columns(
        compared=pl.lit(NEW_PHASE), began_on="performed_on", why="phase_began"
    )
    later = (
        since.filter(pl.col("verdict") != TOO_FEW)
        .rename({"old_points": "old_visits", "new_points": "new_visits"})
        .join(names, on="series", how="left")
        .with_columns(
            compared=pl.lit(SINCE_BASELINE),
            began_on=pl.lit(None, dtype=pl.Date),
            why=pl.lit(None, dtype=pl.String),
            limits_phase="phase",
        )
    )
    columns = ["series", *(name for name in COMPARED if name != "sentence")]
    rows = pl.concat([restarts.select(columns), later.select(columns)])
    told = pl.Series(
        [
            _sentence(row, levels=levels, stands=unsettled.get(row["series"], ""))
            for row in rows.iter_rows(named=True)
        ],
        dtype=pl.String,
    )
    return (
        rows.with_columns(sentence=told)
        .drop("series")
        .cast(COMPARED)  # type: ignore[arg-type]  # names to types
        .sort("meter_id", "point_pct", "phase", "compared")
    )


def _sentence(row: dict[str, Any], *, levels: tuple[float, float], stands: str) -> str:
    """Say what it means, then what the tests found."""
    visits = f"{count(row['new_visits'], 'visit')} against {row['old_visits']}"
    if row["compared"] == NEW_PHASE:
        means, moved = _OF_PHASES[row["verdict"]], known(row["t"]) and row["t_p"] < levels[0]
    else:
        means, moved = _OF_LATER_VISITS[row["verdict"]], row["verdict"] == LEVEL_OFF
        if stands and row["verdict"] in {ALIKE, CANNOT_TEST}:
            means = _UNSETTLED.format(stands)
    scattered = row["verdict"] in {phase.SPREAD, SPREAD_OFF}
    return (
        f"{means}. {visits}: spread {_spread_words(row, changed=scattered)}; "
        f"level {_level_words(row, changed=moved)}{_threshold(row, levels)}."
    )


def _threshold(row: dict[str, Any], levels: tuple[float, float]) -> str:
    """Say from which probability down the level counts as changed; empty where none was tested."""
    level = levels[0 if row["compared"] == NEW_PHASE else 1]
    return f"; changed means p below {plain(level)}" if known(row["t"]) else ""


def _spread_words(row: dict[str, Any], *, changed: bool) -> str:
    """Say what the F test found."""
    if not known(row["f"]):
        return "not comparable (a single visit, or hidden by the steps of the dial)"
    found = "changed" if changed else "as before"
    return f"{found} (F {fixed(row['f'], places=2)}, p {p_value(row['f_p'])})"


def _level_words(row: dict[str, Any], *, changed: bool) -> str:
    """Say what the t test found."""
    if not known(row["t"]):
        return "not comparable"
    found = "changed" if changed else "as before"
    df = fixed(row["t_df"], places=0)
    return f"{found} (t {fixed(row['t'], places=2)}, {df} df, p {p_value(row['t_p'])})"
