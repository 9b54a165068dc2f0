"""This module holds the forecaster's settings, its hyper-parameters and its grid; no data.

The model of one series, a meter at one verification point: its true bias x and its drift rate v
follow ::

    x(t + Δ) = x(t) + v Δ + wander · √Δ · N(0, 1) + shock,       v constant in a meter's life

with a shock of size N(0, shock_size²) at `shock_rate` a year.  v is 0 with probability
`spike_weight`, else N(0, slab_sd²).  An adjustment puts x at N(0, reset_sd²).  A reading is
x + N(0, (scale · noise_sd)²) rounded to the dial's resolution, where the scale of a series is one
of a few with the fleet's weights.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from drift.stats.blocks import Floats


@dataclass(frozen=True, slots=True)
class Settings:
    """What a caller may choose; defaults are the policy's.

    Attributes
    ----------
    tolerance : float
        Largest bias that passes, % air.
    comparison : {"absolute", "rounding"}
        How the as-found mean is compared with it (ASTM E29's two methods).
    resolution : float
        Step of a dial where the ledger gives none, % air.
    band_level : float
        Coverage of the bands of a level, a drift rate and the next as-found mean.
    crossing_level : float
        Coverage of the interval of the crossing date.
    horizon_years : float
        How long after `now` a crossing is looked for.
    horizons_days : tuple of int
        Days after `now` at which each series is forecast.
    threads : int
        Blocks of series computed at a time; results do not depend on it.
    sample : int
        Most series that the hyper-parameters are fitted to, evenly spread over the fleet.
    """

    tolerance: float = 0.1
    comparison: str = "absolute"
    resolution: float = 0.1
    band_level: float = 0.9
    crossing_level: float = 0.8
    horizon_years: float = 5.0
    horizons_days: tuple[int, ...] = (30, 60, 90, 180, 365)
    threads: int = 2
    sample: int = 200


@dataclass(frozen=True, slots=True)
class HyperParameters:
    """What the fleet's meters have in common; % air, years.

    Attributes
    ----------
    wander : float
        Standard deviation of the level's random walk after one year.
    noise_sd : float
        Standard deviation of a reading before it is rounded, at scale 1.
    scales, scale_weights : tuple of float
        Multiples of `noise_sd` that meters may have, and how many do.
    spike_weight : float
        Share of meters that do not drift.
    slab_sd : float
        Standard deviation of the drift rate of the others.
    shock_rate, shock_size : float
        Shocks per year; standard deviation of one.
    reset_sd : float
        Standard deviation of the level after an adjustment.
    start_sd : float
        Standard deviation of the level at a meter's first visit.
    """

    wander: float
    noise_sd: float
    scales: tuple[float, ...]
    scale_weights: tuple[float, ...]
    spike_weight: float
    slab_sd: float
    shock_rate: float
    shock_size: float
    reset_sd: float
    start_sd: float


@dataclass(frozen=True, slots=True)
class Grid:
    """The cells that the filter works on.

    Attributes
    ----------
    step : float
        Distance of neighbouring levels, % air.
    cells : int
        Levels in the window that moves with a series.
    drifts : array, shape (rates,)
        Drift rates, % air per year; the first is 0 (the spike), the others the slab's.
    rate_step : float
        Distance of neighbouring rates of the slab.
    fineness : int
        Parts of a step to which positions of readings are rounded.
    outlier : float
        Probability that a reading says nothing (a slip of the pen).
    far : float
        Weight of a Cauchy density beside each normal density of shocks and of levels after a
        start or an adjustment: a jump too large for the normal is improbable, not impossible, so
        that one mistaken record cannot make a likelihood of 0.
    """

    step: float
    cells: int
    drifts: Floats
    rate_step: float
    fineness: int = 32
    outlier: float = 5e-4
    far: float = 1e-3


def log_rate_prior(hyper: HyperParameters, grid: Grid) -> Floats:
    """Return the log prior probability of each drift rate of `grid`, shape (rates,)."""
    bell = np.exp(-0.5 * (grid.drifts[1:] / hyper.slab_sd) ** 2)
    slab = (1 - hyper.spike_weight) * bell / bell.sum()
    with np.errstate(divide="ignore"):
        log: Floats = np.log(np.concatenate([[hyper.spike_weight], slab]))
    return log


def bell_mass(offset: Floats, *, variance: Floats | np.float64, step: float) -> Floats:
    """Return the mass of cells at `offset` from the centre of a normal density.

    A variance under half a squared step, which samples of the density would misstate, is spread
    over the nearest three cells so that it is exact.
    """
    spread = variance / step**2
    sampled = np.exp(-0.5 * offset**2 / np.maximum(variance, 1e-300)) * (
        step / np.sqrt(2 * np.pi * np.maximum(variance, 1e-300))
    )
    away = np.abs(np.rint(offset / step))
    narrow = np.where(away == 0, 1 - spread, np.where(away == 1, spread / 2, 0.0))
    mass: Floats = np.where(spread < 0.5, narrow, sampled)
    return mass


def wide_mass(offset: Floats, *, sd: Floats | float, grid: Grid) -> Floats:
    """Return the mass of cells at `offset` for a normal density with its faint far tail."""
    bell = bell_mass(offset, variance=np.square(sd), step=grid.step)
    tail = (grid.step * sd / np.pi) / (offset**2 + np.square(sd))
    mass: Floats = (1 - grid.far) * bell + grid.far * tail
    return mass


def cell_probability(offset: Floats, *, resolution: float, sd: float) -> Floats:
    """Return the probability that a reading shows a step whose middle is `offset` away.

    Φ((u + δ/2)/σ) − Φ((u − δ/2)/σ); where δ is far below σ the difference loses its digits and
    the density times δ is exact enough.
    """
    if resolution < 1e-3 * sd:
        density = np.exp(-0.5 * (offset / sd) ** 2) / np.sqrt(2 * np.pi)
        thin: Floats = density * (resolution / sd)
        return thin
    away = np.abs(offset)  # both arguments in the lower tail, where ndtr keeps its digits
    near = special.ndtr((resolution / 2 - away) / sd)
    far = special.ndtr((-resolution / 2 - away) / sd)
    probability: Floats = near - far
    return probability
