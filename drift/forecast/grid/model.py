"""This module holds the forecaster's settings, its hyper-parameters and its grid.

The model of one series, a meter at one verification point: its true bias x and its drift rate v
follow ::

    x(t + Δ) = x(t) + v Δ + wander · √Δ · N(0, 1) + shock,       v constant in a meter's life

with a shock of size N(0, shock_size²) at `shock_rate` a year.  v is 0 with probability
`spike_weight`, else N(slab_mean, slab_sd²), tilted by how common the fleet's meters make rates of
each size.  An adjustment puts x at N(0, reset_sd²).  A reading is x + N(0, visit_sd²) +
N(0, noise_sd²) rounded to the dial's resolution, the first of them shared by the readings of a
visit.  A series is of one of a few *kinds*, which multiply its noise or its shock rate: noisy
meters, and meters that are often hit.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import DTypeLike, NDArray
from scipy import special

from drift.arrays import Floats, Masses

# Probabilities of a grid, in single precision unless digits are being compared.


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
        Most visits that the hyper-parameters are fitted to, in series evenly spread over the fleet.
    """

    tolerance: float = 0.1
    comparison: str = "absolute"
    resolution: float = 0.1
    band_level: float = 0.9
    crossing_level: float = 0.8
    horizon_years: float = 5.0
    horizons_days: tuple[int, ...] = (30, 60, 90, 180, 365)
    threads: int = 2
    sample: int = 4000


@dataclass(frozen=True, slots=True)
class Kind:
    """What a series is like for life.

    Attributes
    ----------
    noise : float
        Multiple of the fleet's `noise_sd`.
    shocks : float
        Multiple of the fleet's `shock_rate`.
    weight : float
        Share of the fleet's series that are so.
    """

    noise: float
    shocks: float
    weight: float


@dataclass(frozen=True, slots=True)
class Habit:
    """At how many of its visits without a record a laboratory adjusts, by what it found.

    Attributes
    ----------
    edges : tuple of float
        Largest as-found mean of a visit's points, without sign, up to which each share but the
        last holds, % air.
    shares : tuple of float
        Of visits read as found and as left; one more than `edges`.
    """

    edges: tuple[float, ...] = ()
    shares: tuple[float, ...] = (0.5,)

    def place(self, off: Floats) -> NDArray[np.int64]:
        """Return which share holds for visits that found meters `off` by so much, % air."""
        return np.searchsorted(np.array(self.edges) + 1e-9, off, side="left")

    def share(self, off: Floats) -> Floats:
        """Return the share for visits that found meters `off` by so much, % air."""
        share: Floats = np.array(self.shares)[self.place(off)]
        return share


@dataclass(frozen=True, slots=True)
class HyperParameters:
    """What the fleet's meters have in common; % air, years.

    Attributes
    ----------
    wander : float
        Standard deviation of the level's random walk after one year.
    noise_sd : float
        Standard deviation of a reading before it is rounded, of the plainest kind.
    visit_sd : float
        Standard deviation of what the readings of a stage of a visit share.
    kinds : tuple of Kind
        The kinds of series there are, those of one shock factor side by side.
    spike_weight : float
        Share of meters that do not drift.
    slab_mean, slab_sd : float
        Mean and standard deviation of the drift rates of the others, were they normal.
    slab_tilt : tuple of float
        How many times as common as normal ones rates are at each of `TILT_KNOTS`, straight lines
        between; empty for normal ones.
    shock_rate, shock_size : float
        Shocks per year of the plainest kind; standard deviation of one.
    reset_sd : float
        Standard deviation of the level after an adjustment.
    start_sd : float
        Standard deviation of the level at a meter's first visit.
    habit : Habit
        When the laboratory adjusts without a record.
    """

    wander: float
    noise_sd: float
    visit_sd: float
    kinds: tuple[Kind, ...]
    spike_weight: float
    slab_mean: float
    slab_sd: float
    shock_rate: float
    shock_size: float
    reset_sd: float
    start_sd: float
    habit: Habit = Habit()
    slab_tilt: tuple[float, ...] = ()


# Sizes of drift rates at which their distribution may part from the normal, in `slab_sd`.  Slower
# ones go with the first: readings hardly tell them from no drift.
TILT_KNOTS = np.linspace(0.5, 2.5, 5)
# Pseudo-meters that say that the rates of those that drift are normal.
TILT_WORTH = 4.0
# Drifting meters below which no shape is learnt: the sizes of a few are no distribution.
_FEWEST_TILTED = 30.0


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
    precision : dtype
        Of the probabilities: single is enough for six digits and twice as fast.
    """

    step: float
    cells: int
    drifts: Floats
    rate_step: float
    fineness: int = 32
    outlier: float = 5e-4
    far: float = 1e-3
    precision: DTypeLike = np.float32


def make_grid(
    hyper: HyperParameters,
    *,
    resolutions: Floats,
    share: float = 0.4,
    rates: int = 20,
    fineness: int = 32,
) -> Grid:
    """Choose a grid for `hyper`: steps of a share of the noise, a window that holds its readings.

    Parameters
    ----------
    hyper : HyperParameters
        Of the fleet.
    resolutions : array
        Steps to which its dials are read, % air.
    share : float
        Step of the levels as a share of the noise; errors set in beyond 0.7, or where meters wander
        so little that a level is known better than that.
    rates : int
        Drift rates on either side of 0; between them is read (`drift.forecast.grid.rates`).
    fineness : int
        Parts of a step to which positions of readings are rounded.
    """
    step = fineness * _part_of_dial(share * hyper.noise_sd / fineness, resolutions)
    noisiest = max(kind.noise for kind in hyper.kinds) * hyper.noise_sd
    half = resolutions.max() / 2 + 2 * (noisiest + hyper.visit_sd + hyper.noise_sd)
    rate_step = (2.6 * hyper.slab_sd + abs(hyper.slab_mean)) / rates
    drifts = (np.arange(2 * rates) - rates + 0.5) * rate_step
    return Grid(
        step=step,
        cells=int(2 * np.ceil(half / step)),
        drifts=np.concatenate([[0.0], drifts]),
        rate_step=rate_step,
        fineness=fineness,
    )


def _part_of_dial(part: float, resolutions: Floats) -> float:
    """Return a length near `part` of which half a step of the dials is a multiple.

    Readings and middles of groups of them then lie on the lattice of positions, so that rounding
    to it, which would hit all readings of a fleet alike, does nothing to a meter that stands still.
    """
    halves = resolutions[resolutions > 2 * part] / 2
    return part if halves.size == 0 else float(halves.min() / np.rint(halves.min() / part))


def windows(values: Masses, width: int) -> Masses:
    """Return every run of `width` neighbours along the last axis, without copying.

    What `numpy.lib.stride_tricks.sliding_window_view` does, without its checks, which would take
    longer than the arithmetic; `values` must be contiguous, and the result must not be written to.
    """
    *outer, length = values.shape
    return np.ndarray(
        (*outer, length - width + 1, width),
        dtype=values.dtype,
        buffer=values,
        strides=(*values.strides, values.strides[-1]),
    )


def shock_groups(hyper: HyperParameters) -> list[tuple[slice, float]]:
    """Return where the kinds of each shock factor stand, and their shocks per year."""
    factors = [kind.shocks for kind in hyper.kinds]
    starts = [0, *(k for k in range(1, len(factors)) if factors[k] != factors[k - 1])]
    ends = [*starts[1:], len(factors)]
    return [
        (slice(start, end), factors[start] * hyper.shock_rate)
        for start, end in zip(starts, ends, strict=True)
    ]


def slab_parts(hyper: HyperParameters, grid: Grid) -> Floats:
    """Return the masses of normal rates in parts, one about each of `TILT_KNOTS`.

    The parts, shape (knots, rates of the slab), sum over knots to the normal masses.  Rates up
    and down share a knot: what makes gauges drift has a size, and few fleets could tell two.
    """
    bell = np.exp(-0.5 * ((grid.drifts[1:] - hyper.slab_mean) / hyper.slab_sd) ** 2)
    size = np.abs(grid.drifts[1:]) / hyper.slab_sd
    size = np.minimum(np.maximum(size, TILT_KNOTS[0]), TILT_KNOTS[-1])
    gap = TILT_KNOTS[1] - TILT_KNOTS[0]
    near = np.maximum(1 - np.abs(size - TILT_KNOTS[:, None]) / gap, 0.0)
    parts: Floats = near * (bell / bell.sum())
    return parts


def slab_tilts(hyper: HyperParameters) -> Floats:
    """Return how many times as common as normal ones rates are at each of `TILT_KNOTS`."""
    return np.array(hyper.slab_tilt or np.ones(TILT_KNOTS.size))


def log_tilt_prior(hyper: HyperParameters, grid: Grid) -> float:
    """Return the log prior density of the tilt, up to a constant."""
    return TILT_WORTH * float(slab_parts(hyper, grid).sum(axis=1) @ np.log(slab_tilts(hyper)))


def learnt_tilt(hyper: HyperParameters, grid: Grid, meters: Floats) -> tuple[float, ...]:
    """Return the tilt where so many `meters` drift at each rate, and some at normal ones.

    Empty, which means none, where too few drift.
    """
    if meters.sum() < _FEWEST_TILTED:
        return ()
    parts = slab_parts(hyper, grid)
    normal = parts.sum(axis=1)
    tilted = slab_tilts(hyper)[:, None] * parts
    drifting = (tilted / np.maximum(tilted.sum(axis=0), 1e-300)) @ meters
    share = (drifting + TILT_WORTH * normal) / (meters.sum() + TILT_WORTH)
    tilt = np.where(normal > 0, share / np.maximum(normal, 1e-300), 1.0)
    return tuple(float(each) for each in tilt)


def log_rate_prior(hyper: HyperParameters, grid: Grid) -> Floats:
    """Return the log prior probability of each drift rate of `grid`, shape (rates,)."""
    slab = slab_tilts(hyper) @ slab_parts(hyper, grid)
    slab *= (1 - hyper.spike_weight) / slab.sum()
    with np.errstate(divide="ignore"):
        log: Floats = np.log(np.concatenate([[hyper.spike_weight], slab]))
    return log


# A mass below this is none: a processor works slowly with numbers near the smallest it can hold.
_NONE = 1e-24


def bell_mass(offset: Masses, *, variance: Masses | np.float64, step: float) -> Masses:
    """Return the mass of cells at `offset` from the centre of a normal density.

    A variance under half a squared step, which samples of the density would misstate, is spread
    over the nearest three cells so that it is exact.
    """
    narrow = variance < step**2 / 2
    if narrow.all():
        return _three_cells(offset, variance=variance, step=step)
    safe = np.maximum(variance, 1e-30)
    mass: Masses = np.exp(np.square(offset) * (-0.5 / safe)) * (step / np.sqrt(2 * np.pi * safe))
    np.putmask(mass, mass < _NONE, 0.0)
    if narrow.any():
        three = _three_cells(offset, variance=variance, step=step)
        mass = np.where(narrow, three, mass).astype(mass.dtype)  # type: ignore[assignment]  # its own type
    return mass


def _three_cells(offset: Masses, *, variance: Masses | np.float64, step: float) -> Masses:
    """Return the masses of `bell_mass` on the nearest three cells."""
    spread = variance / step**2
    away = np.abs(np.rint(offset / step))
    three: Masses = np.where(away == 0, 1 - spread, np.where(away == 1, spread / 2, 0.0))
    return three.astype(offset.dtype)  # type: ignore[return-value]  # its own type


def wide_mass(offset: Masses, *, sd: Masses | float, grid: Grid) -> Masses:
    """Return the mass of cells at `offset` for a normal density with its faint far tail."""
    bell = bell_mass(offset, variance=np.square(sd), step=grid.step)
    tail = (grid.step * sd / np.pi) / (np.square(offset) + np.square(sd))
    mass: Masses = (1 - grid.far) * bell + grid.far * tail
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
