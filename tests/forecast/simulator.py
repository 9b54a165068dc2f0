"""This module invents fleets of which everything is known, and asks an oracle that knows it.

The mix of meters is that of the forecaster's targets: steady, drifting, shocked and noisy ones,
visited about every 91 days, adjusted whenever a visit finds them out of tolerance.  A shock is an
event that may strike any meter; a share of the meters may be made rough ones, struck often.
"""

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special

from drift.frames import DAYS_PER_YEAR, EPOCH
from drift.meter.ledger import LEDGER

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Plan:
    """What a simulated fleet is like; % air, years, days."""

    meters: int = 300
    visits: int = 24
    interval_days: float = 91.0
    jitter_days: float = 14.0
    replicates: int = 2
    resolution: float = 0.05
    noise_sd: float = 0.03
    visit_sd: float = 0.0
    wander: float = 0.02
    tolerance: float = 0.1
    reset_sd: float = 0.02
    start_sd: float = 0.03
    drifting: float = 0.35
    noisy: float = 0.1
    rough: float = 0.0
    drift_range: tuple[float, float] = (0.03, 0.14)
    shock_rate: float = 0.04
    rough_rate: float = 0.3
    shock_size: float = 0.12
    noisy_scale: float = 2.2


@dataclass(frozen=True, slots=True)
class Fleet:
    """A fleet and its truth; arrays have the shape (meters,) or (meters, visits).

    ``drift``, ``noise`` and ``shock_rate`` are what each meter is like.
    ``found`` and ``left`` hold the readings' biases (meters, visits, replicates), ``left`` NaN
    where nothing was adjusted; ``level`` the true bias just before each visit.
    """

    plan: Plan
    years: Floats
    found: Floats
    left: Floats
    level: Floats
    drift: Floats
    noise: Floats
    shock_rate: Floats


def simulate(plan: Plan, *, seed: int) -> Fleet:
    """Simulate a fleet."""
    rng = np.random.default_rng(seed)
    others = 1 - plan.drifting - plan.noisy - plan.rough
    kind = rng.choice(4, size=plan.meters, p=(others, plan.drifting, plan.rough, plan.noisy))
    size = rng.uniform(*plan.drift_range, plan.meters) * rng.choice([-1.0, 1.0], plan.meters)
    drift = np.where(kind == 1, size, 0.0)
    shock_rate = np.where(kind == 2, plan.rough_rate, plan.shock_rate)
    noise = np.where(kind == 3, plan.noisy_scale, 1.0) * plan.noise_sd
    shape = (plan.meters, plan.visits)
    gaps = rng.normal(plan.interval_days, plan.jitter_days, shape)
    days = np.cumsum(np.maximum(np.rint(gaps), 7.0), axis=1)
    years = 15.0 + days / DAYS_PER_YEAR
    found = np.empty((*shape, plan.replicates))
    left = np.full((*shape, plan.replicates), np.nan)
    level = np.empty(shape)
    x = rng.normal(0.0, plan.start_sd, plan.meters)
    for j in range(plan.visits):
        if j > 0:
            gap = years[:, j] - years[:, j - 1]
            shocks = rng.poisson(shock_rate * gap)
            x = x + drift * gap + rng.normal(0.0, 1.0, x.size) * plan.wander * np.sqrt(gap)
            x = x + rng.normal(0.0, 1.0, x.size) * plan.shock_size * np.sqrt(shocks)
        level[:, j] = x
        found[:, j] = _read(x, noise, plan, rng)
        out = np.abs(found[:, j].mean(axis=1)) > plan.tolerance + 1e-9
        x = np.where(out, rng.normal(0.0, plan.reset_sd, x.size), x)
        left[out, j] = _read(x, noise, plan, rng)[out]
    return Fleet(plan, years, found, left, level, drift, noise, shock_rate)


def _read(x: Floats, noise: Floats, plan: Plan, rng: np.random.Generator) -> Floats:
    """Return replicate readings of the levels `x`, rounded to the dial's resolution."""
    shared = plan.visit_sd * rng.normal(size=(x.size, 1))
    exact = x[:, None] + shared + noise[:, None] * rng.normal(size=(x.size, plan.replicates))
    rounded: Floats = np.rint(exact / plan.resolution) * plan.resolution
    return rounded


def to_ledger(fleet: Fleet, *, visits: int | None = None) -> pl.DataFrame:
    """Return the ledger of the first `visits` visits of a fleet (all by default)."""
    plan = fleet.plan
    number = visits or plan.visits
    rows = []
    path = paths(fleet)
    for meter in range(plan.meters):
        for j in range(number):
            found = fleet.found[meter, j]
            left = fleet.left[meter, j]
            adjusted = not np.isnan(left[0])
            row = dict.fromkeys(LEDGER)
            rows.append(
                row
                | {
                    "series": meter,
                    "meter_id": f"M{meter:05d}",
                    "point_pct": 5.0,
                    "visit": j + 1,
                    "performed_on": EPOCH
                    + timedelta(days=round(fleet.years[meter, j] * DAYS_PER_YEAR)),
                    "t_years": fleet.years[meter, j],
                    "as_found_bias_pct": found.mean(),
                    "as_found_replicates": plan.replicates,
                    "as_found_biases_pct": found.tolist(),
                    "as_left_bias_pct": left.mean() if adjusted else None,
                    "as_left_biases_pct": left.tolist() if adjusted else None,
                    "left_bias_pct": left.mean() if adjusted else found.mean(),
                    "unadjusted_path_pct": path[meter, j],
                    "resolution_pct": plan.resolution,
                    "adjusted": adjusted,
                    "evidence_lost": False,
                    "calibration": "both",
                    "phase": 1,
                    "gauge": 1,
                }
            )
    return pl.DataFrame(rows, schema=LEDGER)


def paths(fleet: Fleet) -> Floats:
    """Return the unadjusted paths, shape (meters, visits)."""
    found = fleet.found.mean(axis=2)
    left = np.where(np.isnan(fleet.left[:, :, 0]), found, np.nan_to_num(fleet.left).mean(axis=2))
    steps = np.concatenate([found[:, :1], found[:, 1:] - left[:, :-1]], axis=1)
    path: Floats = np.cumsum(steps, axis=1)
    return path


_ORACLE_STEP = 0.004
_ORACLE_CELLS = 768


@dataclass(frozen=True, slots=True)
class Foresight:
    """What the oracle says before each visit but the first, shape (meters, visits)."""

    p_out: Floats
    p_found_out: Floats


def ask_oracle(fleet: Fleet) -> Foresight:
    """Forecast each visit from those before with every true parameter known.

    Only the level is hidden from the oracle; it reckons with no error shared by a visit's
    readings.  Its filter shares nothing with the tool's: one wide periodic grid of levels, moved
    in the frequency domain.
    """
    plan = fleet.plan
    grid = _ORACLE_STEP * np.arange(-_ORACLE_CELLS // 2, _ORACLE_CELLS // 2, dtype=np.float64)
    frequency = 2 * np.pi * np.fft.rfftfreq(_ORACLE_CELLS, d=_ORACLE_STEP)
    mass = np.tile(_bell(grid, plan.start_sd), (plan.meters, 1))
    fresh = _bell(grid, plan.reset_sd)
    seen_out = _chance_found_out(grid, fleet)
    result = Foresight(np.full(fleet.level.shape, np.nan), np.full(fleet.level.shape, np.nan))
    outside = np.abs(grid) > plan.tolerance
    for j in range(plan.visits):
        if j > 0:
            gap = (fleet.years[:, j] - fleet.years[:, j - 1])[:, None]
            shocks = fleet.shock_rate[:, None] * gap
            squared = frequency**2 / 2
            moved = -1j * frequency * fleet.drift[:, None] * gap - squared * plan.wander**2 * gap
            moved = moved + shocks * np.expm1(-squared * plan.shock_size**2)
            mass = np.fft.irfft(np.fft.rfft(mass) * np.exp(moved), _ORACLE_CELLS)
            mass = np.maximum(mass, 0.0)
            mass /= mass.sum(axis=1, keepdims=True)
            result.p_out[:, j] = mass[:, outside].sum(axis=1)
            result.p_found_out[:, j] = (mass * seen_out).sum(axis=1)
        mass = _learn(mass, grid, fleet.found[:, j], fleet)
        left = ~np.isnan(fleet.left[:, j, 0])
        mass[left] = fresh
        mass[left] = _learn(mass, grid, fleet.left[:, j], fleet)[left]
    return result


def _bell(grid: Floats, sd: float) -> Floats:
    bell = np.exp(-0.5 * (grid / sd) ** 2)
    share: Floats = bell / bell.sum()
    return share


def _learn(mass: Floats, grid: Floats, readings: Floats, fleet: Fleet) -> Floats:
    """Return `mass` after readings, shape (meters, replicates)."""
    half = fleet.plan.resolution / 2
    for replicate in range(readings.shape[1]):
        offset = readings[:, replicate, None] - grid
        noise = fleet.noise[:, None]
        mass = mass * (
            special.ndtr((offset + half) / noise) - special.ndtr((offset - half) / noise) + 1e-12
        )
    learnt: Floats = mass / mass.sum(axis=1, keepdims=True)
    return learnt


def _chance_found_out(grid: Floats, fleet: Fleet) -> Floats:
    """Return by meter and level the chance that the mean of the replicates is out of tolerance."""
    plan = fleet.plan
    shown = np.arange(-60, 61)
    chances = {}
    for noise in np.unique(fleet.noise):
        edge = (shown[:, None] * plan.resolution - grid) / noise
        half = plan.resolution / 2 / noise
        one = special.ndtr(edge + half) - special.ndtr(edge - half)
        total = one
        for _ in range(plan.replicates - 1):
            total = np.stack(
                [np.convolve(total[:, k], one[:, k]) for k in range(grid.size)], axis=1
            )
        means = (np.arange(total.shape[0]) - total.shape[0] // 2) * (
            plan.resolution / plan.replicates
        )
        chances[noise] = total[np.abs(means) > plan.tolerance + 1e-9].sum(axis=0)
    return np.stack([chances[noise] for noise in fleet.noise])
