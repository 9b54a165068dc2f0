"""This module simulates years of checks, adjustments and failures of meters.

The play is a simulation from given parameters with a fixed start, so that the same question has
the same answer; every meter and every plan meets the same luck, so that differences between them
are not luck.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drift.arrays import Floats
from drift.frames import DAYS_PER_YEAR

_SEED = 20_000_102


@dataclass(frozen=True, slots=True)
class Course:
    """How meters move; arrays of shape (meters,), % air and years.

    Attributes
    ----------
    level, level_sd : array
        True bias now and how well it is known.
    drift, drift_sd : array
        Drift rate, kept for the meter's life, and how well it is known.
    wander : array
        Standard deviation of a year's random walk.
    noise_sd : array
        Of the mean that a visit finds.
    reset_sd : array
        Spread of the level after an adjustment.
    shock_rate, shock_size : array
        Shocks a year, and the standard deviation of one.
    """

    level: Floats
    level_sd: Floats
    drift: Floats
    drift_sd: Floats
    wander: Floats
    noise_sd: Floats
    reset_sd: Floats
    shock_rate: Floats
    shock_size: Floats


@dataclass(frozen=True, slots=True)
class UpkeepPlan:
    """What a laboratory may do with each meter.

    Attributes
    ----------
    interval_days : array, shape (meters,)
        Between checks, over 0.
    first_price : float
        Paid at once: a service or a new meter.
    renewed_drift_sd : float or None
        Where the plan makes the meter as good as new: the spread of drift rates of such meters
        about 0; its level then starts as after an adjustment.  None where it stays as it is.
    adjust_share : float
        It is adjusted when found past this share of the tolerance, over 0 and at most 1.
    """

    interval_days: Floats
    first_price: float = 0.0
    renewed_drift_sd: float | None = None
    adjust_share: float = 1.0


@dataclass(frozen=True, slots=True)
class Prices:
    """What one event costs, in the laboratory's currency.

    Attributes
    ----------
    check : float
        A visit, whatever it finds.
    adjustment : float
        Putting a meter right.
    failure : float
        What follows from finding it out: results looked at, customers told, tests repeated.
    """

    check: float
    adjustment: float
    failure: float


@dataclass(frozen=True, slots=True)
class PlayedOut:
    """What a plan comes to within the horizon; arrays of shape (meters,).

    Attributes
    ----------
    expected, low, high : array
        Mean cost and the range that holds `coverage` of the outcomes.
    found_out : array
        Expected number of checks that find the meter out.
    share_out : array
        Expected share of the time that it is truly out.
    """

    expected: Floats
    low: Floats
    high: Floats
    found_out: Floats
    share_out: Floats


def simulate_maintenance(
    course: Course,
    plan: UpkeepPlan,
    prices: Prices,
    *,
    tolerance: float,
    horizon_years: float,
    coverage: float = 0.8,
    paths: int = 2000,
) -> PlayedOut:
    """Play out a plan for each meter.

    Parameters
    ----------
    course : Course
    plan : UpkeepPlan
    prices : Prices
    tolerance : float
        A check that finds more than this has failed, % air.
    horizon_years : float
        Over 0.
    coverage : float
        Of the range of costs, over 0 and under 1.
    paths : int
        Courses played for each meter, at least 100.

    Returns
    -------
    Upkeep

    Raises
    ------
    ValueError
        If a setting is out of range or a parameter is not finite.

    Notes
    -----
    Between two checks the level moves by its drift, its wander and at most one shock.  Time out
    is counted at the ends of each period only, half for each end.
    """
    interval = np.asarray(plan.interval_days, dtype=np.float64)
    _check(course, interval, horizon_years=horizon_years, coverage=coverage, paths=paths)
    if not 0 < plan.adjust_share <= 1:
        raise ValueError(f"adjust_share is {plan.adjust_share}; expected over 0 and at most 1")
    years = interval / DAYS_PER_YEAR
    visits = np.floor(horizon_years / years + 1e-9).astype(np.int64)
    rng = np.random.default_rng(_SEED)
    level, drift = _start(course, plan, rng, paths)
    failures, repairs = np.zeros(level.shape), np.zeros(level.shape)
    out_ends = np.zeros(level.shape)
    for visit in range(int(visits.max())):
        began_out = np.abs(level) > tolerance
        level = _move(level, drift, course, years, rng)
        ended_out = np.abs(level) > tolerance
        reading = np.abs(level + course.noise_sd * _draw(rng, paths))
        adjusted = reading > plan.adjust_share * tolerance
        live = visit < visits
        failures += (reading > tolerance) & live
        repairs += adjusted & live
        out_ends += (began_out.astype(np.float64) + ended_out) / 2 * live
        level = np.where(adjusted, course.reset_sd * _draw(rng, paths), level)
    costs = plan.first_price + visits * prices.check
    costs = costs + repairs * prices.adjustment + failures * prices.failure
    tail = (1 - coverage) / 2
    low, high = np.quantile(costs, [tail, 1 - tail], axis=0)
    return PlayedOut(
        expected=costs.mean(axis=0),
        low=low,
        high=high,
        found_out=failures.mean(axis=0),
        share_out=out_ends.mean(axis=0) / np.maximum(visits, 1),
    )


def _check(
    course: Course, interval: Floats, *, horizon_years: float, coverage: float, paths: int
) -> None:
    """Raise where something cannot be meant."""
    if not ((interval > 0).all() and horizon_years > 0 and 0 < coverage < 1 and paths >= 100):
        raise ValueError(
            "expected intervals and horizon over 0, coverage over 0 and under 1, 100 paths or more"
        )
    known = (
        *(course.level, course.level_sd, course.drift, course.drift_sd, course.wander),
        *(course.noise_sd, course.reset_sd, course.shock_rate, course.shock_size),
    )
    if not all(np.isfinite(values).all() for values in known):
        raise ValueError("expected finite parameters")


def _draw(rng: np.random.Generator, paths: int) -> Floats:
    """Return normal numbers of each path, the same for all meters, shape (paths, 1)."""
    drawn: npt.NDArray[np.float64] = rng.standard_normal((paths, 1))
    return drawn


def _start(
    course: Course, plan: UpkeepPlan, rng: np.random.Generator, paths: int
) -> tuple[Floats, Floats]:
    """Return first levels and drift rates, shape (paths, meters)."""
    of_level, of_drift = _draw(rng, paths), _draw(rng, paths)
    if plan.renewed_drift_sd is None:
        return (
            course.level + course.level_sd * of_level,
            course.drift + course.drift_sd * of_drift,
        )
    ones = np.ones(course.level.shape)
    return course.reset_sd * of_level, plan.renewed_drift_sd * ones * of_drift


def _move(
    level: Floats, drift: Floats, course: Course, years: Floats, rng: np.random.Generator
) -> Floats:
    """Return levels one period later."""
    paths = level.shape[0]
    wander = course.wander * np.sqrt(years) * _draw(rng, paths)
    struck = rng.random((paths, 1)) < -np.expm1(-course.shock_rate * years)
    shock = np.where(struck, course.shock_size * _draw(rng, paths), 0.0)
    moved: Floats = level + drift * years + wander + shock
    return moved
