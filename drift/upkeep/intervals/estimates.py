"""This module says how long a meter may go unseen, by single results or by a model.

The methods are those that the interval guideline ILAC-G24 / OIML D 10 names: staircase and control
chart; reliability methods are in `drift.upkeep.reliability.reliability`,
`drift.upkeep.reliability.survival` and `drift.upkeep.reliability.weibull`.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import special

from drift.arrays import Floats
from drift.frames import DAYS_PER_YEAR, Schema
from drift.meter.tolerance import within_tolerance_values

EXTEND, _KEEP, REDUCE = "extend", "keep", "reduce"

# More shocks than this within one interval are not kept apart.
_MOST_SHOCKS = 4
# Looked at this often before an interval is narrowed down, and narrowed down so often.
_TIMES_A_YEAR = 12
_HALVINGS = 30
# A forecast chance of 0 or 1 is a rounded one.
_CERTAIN = 1e-12

# One row per unit and age: the chance that it is out so many days after its last visit.
CURVES: Schema = {"unit": pl.String, "days": pl.Float64, "p_out": pl.Float64}

# One row per unit: the age, in days, at which the chance of being in falls to the target.
# Null where it has not fallen by ``seen_to_days``, the last age looked at; where it had fallen by
# the first age looked at, days is that age and ``at_once`` is true: the answer is at most days.
FALLS: Schema = {
    "unit": pl.String,
    "days": pl.Float64,
    "at_once": pl.Boolean,
    "seen_to_days": pl.Float64,
}


@dataclass(frozen=True, slots=True)
class Processes:
    """How levels move from now on; arrays that broadcast to (meters,), % air and years.

    Attributes
    ----------
    level, level_sd : array
        True bias now, and how well it is known; with the reading noise in it, the bias as found.
    drift, drift_sd : array
        Drift rate, and how well it is known, % air per year.
    wander : array
        Standard deviation of a year's random walk.
    shock_rate, shock_size : array
        Shocks a year, and the standard deviation of one.
    """

    level: npt.ArrayLike
    level_sd: npt.ArrayLike
    drift: npt.ArrayLike
    drift_sd: npt.ArrayLike
    wander: npt.ArrayLike
    shock_rate: npt.ArrayLike = 0.0
    shock_size: npt.ArrayLike = 0.0


def staircase_verdicts(
    errors: npt.ArrayLike, *, tolerance: float, extend_within: float
) -> npt.NDArray[np.str_]:
    """Say for each as-found bias whether the next interval is extended, kept or reduced.

    Parameters
    ----------
    errors : array_like
        Biases as found, % air; of the worst point where a meter has several.
    tolerance : float
        Largest bias that passes, % air.
    extend_within : float
        Share of the tolerance within which the interval is extended, over 0, at most 1.

    Returns
    -------
    array of str
        ``extend`` within that share, ``reduce`` outside the tolerance, ``keep`` between.

    Raises
    ------
    ValueError
        If `extend_within` is out of range or an error is not finite.

    References
    ----------
    ILAC-G24 / OIML D 10, staircase (calendar time) method; "within e.g. 80 % of the permissible
    error" is its example (read as quoted from the 2007 edition); that the interval is kept in
    between is inferred, because the text leaves the gap open.
    """
    if not 0 < extend_within <= 1:
        raise ValueError(f"extend_within is {extend_within}; expected over 0 and at most 1")
    values = np.asarray(errors, dtype=np.float64)
    if not np.isfinite(values).all():
        raise ValueError("expected finite errors")
    near = within_tolerance_values(
        values, tolerance=extend_within * tolerance, comparison="absolute"
    )
    within = within_tolerance_values(values, tolerance=tolerance, comparison="absolute")
    return np.where(near, EXTEND, np.where(within, _KEEP, REDUCE))


def staircase_days(
    days: npt.ArrayLike, verdicts: npt.ArrayLike, *, extension: float, reduction: float
) -> Floats:
    """Return the next intervals after one check each.

    Parameters
    ----------
    days : array_like
        Present intervals.
    verdicts : array_like of str
        Of `staircase_verdicts`.
    extension, reduction : float
        An extended interval is (1 + extension) times, a reduced one (1 − reduction) times as long.
        What such a pair settles at: `drift.upkeep.reliability.reliability.settled_reliability`.

    Raises
    ------
    ValueError
        If a factor is out of range.
    """
    if not extension > 0 or not 0 < reduction < 1:
        raise ValueError("expected extension over 0, and reduction over 0 and under 1")
    said = np.asarray(verdicts)
    factor = np.where(said == EXTEND, 1 + extension, np.where(said == REDUCE, 1 - reduction, 1.0))
    return np.asarray(np.asarray(days, dtype=np.float64) * factor, dtype=np.float64)


def chance_in(processes: Processes, years: npt.ArrayLike, *, tolerance: float) -> Floats:
    """Return P(|bias| ≤ tolerance) `years` from now.

    Parameters
    ----------
    processes : Processes
    years : array_like
        0 or more; broadcasts against the processes' arrays, so that years of shape (times, 1)
        give shape (times, meters).
    tolerance : float
        % air, over 0.

    Notes
    -----
    Normal with mean level + drift · t and variance level_sd² + drift_sd² t² + wander² t, mixed over
    the Poisson number of shocks, each adding shock_size²; the dispersion of the control-chart
    method with the law of its growth written out.
    """
    t = np.asarray(years, dtype=np.float64)
    mean = np.asarray(processes.level) + np.asarray(processes.drift) * t
    variance = (
        np.square(processes.level_sd)
        + np.square(np.asarray(processes.drift_sd) * t)
        + np.square(processes.wander) * t
    )
    expected = np.asarray(processes.shock_rate) * t
    chance: Floats = np.zeros(np.broadcast(mean, variance, expected).shape)
    weight, left = np.exp(-expected), 1.0 - np.zeros_like(chance)
    most = _MOST_SHOCKS if expected.any() else 0
    for shocks in range(most + 1):
        share = left if shocks == most else weight
        sd = np.sqrt(variance + shocks * np.square(processes.shock_size))
        chance = chance + share * _normal_inside(mean, sd, tolerance)
        left = left - weight
        weight = weight * expected / (shocks + 1)
    return chance


def years_in(
    processes: Processes, *, tolerance: float, target: float, longest_years: float
) -> Floats:
    """Return how long the chance of being in tolerance stays above `target`.

    Parameters
    ----------
    processes : Processes
    tolerance : float
        % air, over 0.
    target : float
        Over 0 and under 1.
    longest_years : float
        Not looked for beyond; over 0.

    Returns
    -------
    array, shape (meters,)
        Years until it first falls to `target`; 0 where it is there already, infinite where it
        does not fall within `longest_years`.

    Raises
    ------
    ValueError
        If a setting is out of range.
    """
    if not tolerance > 0 or not 0 < target < 1 or not longest_years > 0:
        raise ValueError("expected tolerance and longest_years over 0, target over 0 and under 1")
    times = np.linspace(0.0, longest_years, int(np.ceil(longest_years * _TIMES_A_YEAR)) + 1)
    fallen = chance_in(processes, times[:, None], tolerance=tolerance) <= target
    first = np.argmax(fallen, axis=0)
    high = times[first]
    low = times[np.maximum(first - 1, 0)]
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        below = chance_in(processes, middle, tolerance=tolerance) <= target
        low, high = np.where(below, low, middle), np.where(below, middle, high)
    return np.where(fallen.any(axis=0), np.where(first == 0, 0.0, high), np.inf)


def meter_curves(
    chances: pl.DataFrame,
    horizons: pl.DataFrame,
    last_seen: pl.DataFrame,
    *,
    now: float,
    further: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Turn the forecasts of meters into chances of being out by the days since they were seen.

    Parameters
    ----------
    chances, horizons : pl.DataFrame
        ``meters`` and ``meter_horizons`` of `drift.forecast.forecasts.Forecasts`.
    last_seen : pl.DataFrame
        ``meter_id`` and ``last_t_years``, from which days are counted.
    now : float
        The time that the forecasts speak for, `t_years`.
    further : pl.DataFrame or None
        Chances at times of their own, ``meter_id t_years p_out``, such as the last visit's.

    Returns
    -------
    pl.DataFrame
        Columns of `CURVES`, by unit (the meter) and age.
    """
    ahead = pl.concat(
        [
            chances.select("meter_id", horizon_days=pl.lit(0, dtype=pl.Int64), p_out="p_out_now"),
            horizons.select("meter_id", "horizon_days", "p_out"),
        ]
    )
    at = ahead.select(
        "meter_id", "p_out", t_years=pl.lit(now) + pl.col("horizon_days") / DAYS_PER_YEAR
    )
    if further is not None:
        at = pl.concat([further.select("meter_id", "p_out", "t_years"), at])
    since = ((pl.col("t_years") - pl.col("last_t_years")) * DAYS_PER_YEAR).round(0)
    return (
        at.join(last_seen, on="meter_id")
        .drop_nulls()
        .select(unit="meter_id", days=since, p_out="p_out")
        .unique(["unit", "days"], keep="first", maintain_order=True)
        .sort("unit", "days")
        .cast(CURVES)  # type: ignore[arg-type]  # names to types
    )


def days_to_target(curves: pl.DataFrame, *, target: float) -> pl.DataFrame:
    """Return when each unit's chance of being in tolerance falls to `target`.

    Parameters
    ----------
    curves : pl.DataFrame
        Columns of `CURVES`; no null.
    target : float
        Over 0 and under 1.

    Returns
    -------
    pl.DataFrame
        Columns of `FALLS`, by unit.  Between two ages the chance is interpolated on the scale
        of normal scores.

    Raises
    ------
    ValueError
        If `target` is out of range or a chance is not from 0 to 1.
    """
    if not 0 < target < 1:
        raise ValueError(f"target is {target}; expected over 0 and under 1")
    rows = curves.select(CURVES.keys()).sort("unit", "days")
    p = rows["p_out"].to_numpy()
    if not ((p >= 0) & (p <= 1)).all():
        raise ValueError("expected chances from 0 to 1")
    goal = float(special.ndtri(1 - target))
    score = pl.Series(special.ndtri(np.clip(p, _CERTAIN, 1 - _CERTAIN)))
    before_days, before = (pl.col(name).shift(1).over("unit") for name in ("days", "score"))
    share = (goal - before) / (pl.col("score") - before)
    reached = pl.col("score") >= goal
    return (
        rows.with_columns(score=score)
        .with_columns(
            at=pl.when(before.is_null())
            .then("days")
            .otherwise(before_days + share * (pl.col("days") - before_days)),
            at_once=before.is_null(),
            reached=reached,
        )
        .group_by("unit", maintain_order=True)
        .agg(
            days=pl.col("at").filter(pl.col("reached")).first(),
            at_once=pl.col("at_once").filter(pl.col("reached")).first().fill_null(value=False),
            seen_to_days=pl.col("days").max(),
        )
        .select(FALLS.keys())
        .cast(FALLS)  # type: ignore[arg-type]  # names to types
    )


def _normal_inside(mean: Floats, sd: Floats, tolerance: float) -> Floats:
    """Return P(|x| ≤ tolerance) for normal x; a spread of 0 puts it where the mean is."""
    safe = np.where(sd > 0, sd, 1.0)
    spread = special.ndtr((tolerance - mean) / safe) - special.ndtr((-tolerance - mean) / safe)
    inside: Floats = np.where(sd > 0, spread, (np.abs(mean) <= tolerance).astype(np.float64))
    return inside
