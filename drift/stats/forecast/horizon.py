"""This module carries posteriors ahead in time: levels, readings and crossings; it fits nothing."""

from dataclasses import dataclass

import numpy as np
from scipy import special

from drift.stats.blocks import Floats, Integers
from drift.stats.forecast.grid import State, state_levels
from drift.stats.forecast.model import Grid, HyperParameters, Settings, cell_probability

# Bins of a predicted density: enough for a year of drift and a shock in thirds of a grid step.
_BINS = 512
# More replicates than this change a predicted mean by less than its last digit.
_MOST_REPLICATES = 10


@dataclass(frozen=True, slots=True)
class Bins:
    """A lattice of levels on which one kind of series is forecast.

    Attributes
    ----------
    step : float
        Distance of bins, % air: the resolution divided by a whole number.
    resolution : float
        Step of the readings, % air; never under `step`.
    replicates : int
        Readings whose mean is found at the next visit.
    """

    step: float
    resolution: float
    replicates: int


def choose_bins(
    *, resolution: float, replicates: int, years: float, hyper: HyperParameters, grid: Grid
) -> Bins:
    """Choose bins fine enough for the grid and wide enough to look `years` ahead."""
    reach = (
        grid.step * grid.cells / 2
        + np.abs(grid.drifts).max() * years
        + 4 * hyper.wander * np.sqrt(years)
        + 3 * hyper.shock_size
    )
    wanted = max(grid.step / 3, 2 * reach / _BINS)
    parts = int(resolution / wanted)
    count = max(1, min(replicates, _MOST_REPLICATES))
    if parts < 1:
        return Bins(step=wanted, resolution=wanted, replicates=count)
    return Bins(step=resolution / parts, resolution=resolution, replicates=count)


def reference_bin(state: State, reading: Floats, bins: Bins, grid: Grid) -> Floats:
    """Return the level of each series' middle bin, a value its dial can show, shape (series,)."""
    middle = (state.origin + grid.cells // 2) * grid.step
    steps = np.rint((middle - reading) / bins.resolution)
    reference: Floats = reading + steps * bins.resolution
    return reference


def level_masses(
    state: State,
    ahead: Floats,
    reference: Floats,
    *,
    bins: Bins,
    hyper: HyperParameters,
    grid: Grid,
) -> Floats:
    """Return the predicted distribution of levels by noise scale, shape (series, scales, bins).

    Parameters
    ----------
    state : State
        What is known after the last visit.
    ahead : array, shape (series,)
        Years from then.
    reference : array, shape (series,)
        Level of the middle bin.
    bins, hyper, grid
        As elsewhere.
    """
    series, _, scales, _ = state.mass.shape
    shift = (grid.drifts * ahead[:, None] - reference[:, None])[:, :, None]
    place = np.rint((state_levels(state, grid) + shift) / bins.step).astype(np.int64)
    place = np.clip(place + _BINS // 2, 0, _BINS - 1)
    row = (np.arange(series)[:, None] * scales + np.arange(scales)) * _BINS
    index = row[:, None, :, None] + place[:, :, None, :]
    flat = np.bincount(index.ravel(), weights=state.mass.ravel(), minlength=series * scales * _BINS)
    masses = flat.astype(np.float64).reshape(series, scales, _BINS)
    return _spread(masses, ahead, bins=bins, hyper=hyper)


def _spread(masses: Floats, ahead: Floats, *, bins: Bins, hyper: HyperParameters) -> Floats:
    """Return `masses` after wander and at most one shock, by their characteristic functions."""
    squared = (2 * np.pi * np.fft.rfftfreq(_BINS, d=bins.step)) ** 2 / 2
    shock = -np.expm1(-hyper.shock_rate * ahead)[:, None]
    wander = np.exp(-squared * (hyper.wander**2 * ahead[:, None]))
    factor = wander * (1 - shock + shock * np.exp(-squared * hyper.shock_size**2))
    spread = np.fft.irfft(np.fft.rfft(masses) * factor[:, None], _BINS)
    spread = np.maximum(spread, 0.0)
    kept: Floats = spread / spread.sum(axis=-1, keepdims=True) * masses.sum(axis=-1, keepdims=True)
    return kept


def chance_below(masses: Floats, reference: Floats, level: float, *, bins: Bins) -> Floats:
    """Return P(level below `level`), bins taken as uniform, shape (series,)."""
    edges = np.concatenate([np.zeros((masses.shape[0], 1)), np.cumsum(masses, axis=1)], axis=1)
    place = np.clip((level - reference) / bins.step + _BINS // 2 + 0.5, 0.0, float(_BINS))
    whole = np.minimum(place.astype(np.int64), _BINS - 1)
    row = np.arange(masses.shape[0])
    low, high = edges[row, whole], edges[row, whole + 1]
    chance: Floats = low + (place - whole) * (high - low)
    return chance


def quantile(masses: Floats, share: float) -> Floats:
    """Return where `share` of the mass lies below, in bins from the first bin's lower edge."""
    upper = np.cumsum(masses, axis=1)
    goal = share * upper[:, -1:]
    at = np.minimum((upper < goal).sum(axis=1), masses.shape[1] - 1)
    row = np.arange(masses.shape[0])
    here = np.maximum(masses[row, at], 1e-300)
    place: Floats = at + np.clip((goal[:, 0] - upper[row, at] + here) / here, 0.0, 1.0)
    return place


def level_quantile(masses: Floats, reference: Floats, share: float, *, bins: Bins) -> Floats:
    """Return a quantile of predicted levels, % air, shape (series,)."""
    place: Floats = reference + (quantile(masses, share) - _BINS // 2 - 0.5) * bins.step
    return place


def reading_table(bins: Bins, hyper: HyperParameters) -> Floats:
    """Return P(as-found mean | level, noise scale), shape (scales, bins, means).

    Means lie on the lattice of the readings divided by the number of replicates; the middle one
    is the middle bin's level.  The mean of independent readings: convolution of their lattices.
    """
    half = int(np.ceil(_BINS // 2 * bins.step / bins.resolution)) + 4
    shown = np.arange(-half, half + 1) * bins.resolution
    levels = (np.arange(_BINS) - _BINS // 2) * bins.step
    width = 2 * half * bins.replicates + 1
    tables = []
    for scale in hyper.scales:
        one = cell_probability(
            shown - levels[:, None], resolution=bins.resolution, sd=scale * hyper.noise_sd
        )
        total = np.fft.irfft(np.fft.rfft(one, width) ** bins.replicates, width)
        tables.append(np.maximum(total, 0.0))
    return np.stack(tables)


def mean_lattice(reference: Floats, number: int, *, bins: Bins) -> Floats:
    """Return the possible as-found means, % air, shape (series, means)."""
    step = bins.resolution / bins.replicates
    lattice: Floats = reference[:, None] + (np.arange(number) - number // 2) * step
    return lattice


def found_out(means: Floats, settings: Settings) -> Floats:
    """Return 1 where a laboratory would judge a mean out of tolerance, else 0.

    The absolute method compares the mean as computed; the rounding method first rounds it to the
    tolerance's last digit, halves to even (ASTM E29).
    """
    if settings.comparison == "rounding":
        digits = len(f"{settings.tolerance:.10f}".rstrip("0").split(".")[1])
        means = np.round(np.round(means, 9), digits)
    return (np.abs(means) > settings.tolerance + 1e-9).astype(np.float64)


def mean_band(
    masses: Floats, lattice: Floats, *, bins: Bins, level: float
) -> tuple[Floats, Floats]:
    """Return the band of the next as-found mean: quantiles, each mean spread over its step."""
    step = bins.resolution / bins.replicates
    low, high = (
        lattice[:, 0] + (quantile(masses, share) - 0.5) * step
        for share in ((1 - level) / 2, (1 + level) / 2)
    )
    return low, high


def rate_quantile(rates: Floats, share: float, *, grid: Grid) -> Floats:
    """Return a quantile of the drift rate, % air per year, shape (series,).

    Parameters
    ----------
    rates : array, shape (series, rates)
        Posterior of the grid's drift rates: an atom at 0, the others spread over their steps.
    share : float
        Between 0 and 1.
    grid : Grid
        Its rates.
    """
    half = (grid.drifts.size - 1) // 2
    below = rates[:, 1 : 1 + half].sum(axis=1)
    atom = rates[:, 0]
    upper_goal = share - atom
    slab = rates[:, 1:]
    total = slab.sum(axis=1)
    goal = np.where(share < below, share, np.maximum(upper_goal, below))
    safe = np.where(total > 0, total, 1.0)
    place = _slab_place(slab, goal / safe)
    value = grid.drifts[1] + (place - 0.5) * grid.rate_step
    at_atom = (share >= below) & (share <= below + atom)
    result: Floats = np.where(at_atom | (total <= 0), 0.0, value)
    return result


def _slab_place(slab: Floats, share: Floats) -> Floats:
    """Return for each row where its own `share` of the mass lies below, in cells."""
    upper = np.cumsum(slab, axis=1)
    goal = share * upper[:, -1]
    at = np.minimum((upper < goal[:, None]).sum(axis=1), slab.shape[1] - 1)
    row = np.arange(slab.shape[0])
    here = np.maximum(slab[row, at], 1e-300)
    place: Floats = at + np.clip((goal - upper[row, at] + here) / here, 0.0, 1.0)
    return place


@dataclass(frozen=True, slots=True)
class Passage:
    """Chance that a level has left the tolerance by some time.

    Attributes
    ----------
    levels : array, shape (levels,)
        Present levels within the tolerance, evenly spaced, % air.
    years : array, shape (times,)
        From the last visit, ascending.
    chance : array, shape (levels, rates, times)
        First-passage probability.
    """

    levels: Floats
    years: Floats
    chance: Floats


def make_passage(
    years: Floats, *, tolerance: float, hyper: HyperParameters, grid: Grid, levels: int = 41
) -> Passage:
    """Compute how soon a level leaves the tolerance, by level and drift rate.

    Notes
    -----
    Without shocks the first passage of a random walk with drift through one bound a distance d
    away has the distribution ::

        Φ((vt − d)/(s√t)) + exp(2vd/s²) Φ((−vt − d)/(s√t))

    (inverse Gaussian, s the wander); the two bounds are added, since touching both within the
    time looked at is rarer still.  A shock takes the level out with the probability that the
    drifted level plus N(0, shock_size²) lies outside; shocks that leave it inside are taken as
    harmless.

    References
    ----------
    Cox and Miller (1965), The Theory of Stochastic Processes, section 5.7.
    """
    middle = np.linspace(-tolerance, tolerance, levels + 2)[1:-1]
    x = middle[:, None, None]
    v = grid.drifts[None, :, None]
    t = np.maximum(years, 1e-9)[None, None, :]
    s = max(hyper.wander, 1e-4 * tolerance)
    calm = _one_bound(tolerance - x, v, t, s) + _one_bound(tolerance + x, -v, t, s)
    path = np.clip(x + v * t, -tolerance, tolerance)
    thrown = 1 - (
        special.ndtr((tolerance - path) / hyper.shock_size)
        - special.ndtr((-tolerance - path) / hyper.shock_size)
    )
    gaps = np.diff(years, prepend=0.0)
    hazard = np.cumsum(hyper.shock_rate * thrown * gaps, axis=2)
    chance = 1 - (1 - np.clip(calm, 0.0, 1.0)) * np.exp(-hazard)
    return Passage(levels=middle, years=years, chance=np.maximum.accumulate(chance, axis=2))


def _one_bound(distance: Floats, v: Floats, t: Floats, s: float) -> Floats:
    """Return the first-passage probability through a bound `distance` above."""
    root = s * np.sqrt(t)
    reached = special.ndtr((v * t - distance) / root)
    mirrored = np.exp(
        np.minimum(2 * v * distance / s**2 + special.log_ndtr((-v * t - distance) / root), 0.0)
    )
    chance: Floats = reached + mirrored
    return chance


def crossing_chances(state: State, passage: Passage, *, tolerance: float, grid: Grid) -> Floats:
    """Return P(the tolerance has been left) by the times of `passage`, shape (series, times)."""
    mass = state.mass.sum(axis=2)
    levels = state_levels(state, grid)
    count, rates = passage.levels.size, grid.drifts.size
    gap = passage.levels[1] - passage.levels[0]
    place = np.rint((levels - passage.levels[0]) / gap).astype(np.int64)
    inside = np.abs(levels) <= tolerance
    weight = np.where(inside, mass, 0.0)
    series = np.arange(mass.shape[0])[:, None, None]
    rate = np.arange(rates)[None, :, None]
    index: Integers = (series * count + np.clip(place, 0, count - 1)) * rates + rate
    flat = np.bincount(
        index.ravel(), weights=weight.ravel(), minlength=mass.shape[0] * count * rates
    )
    within = flat.reshape(mass.shape[0], count * rates) @ passage.chance.reshape(count * rates, -1)
    chances: Floats = within + (1 - weight.sum(axis=(1, 2)))[:, None]
    return chances


def crossing_time(chances: Floats, years: Floats, share: float) -> Floats:
    """Return when the chance reaches `share`, years from the last visit, NaN where it does not."""
    reached = chances >= share
    first = np.argmax(reached, axis=1)
    row = np.arange(chances.shape[0])
    high = chances[row, first]
    low = np.where(first > 0, chances[row, first - 1], high)
    before = np.where(first > 0, years[first - 1], years[first])
    part = np.where(high > low, (share - low) / np.where(high > low, high - low, 1.0), 1.0)
    when: Floats = np.where(
        reached.any(axis=1), before + np.clip(part, 0.0, 1.0) * (years[first] - before), np.nan
    )
    return when
