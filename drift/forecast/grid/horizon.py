"""This module moves states to dates ahead and says when they first leave the tolerance."""

from dataclasses import dataclass

import numpy as np

from drift.arrays import Floats
from drift.forecast.grid.model import (
    Grid,
    HyperParameters,
    Settings,
    cell_probability,
    shock_groups,
)
from drift.forecast.grid.rates import Posterior, Rates
from drift.format import decimals

# Bins of a predicted density: enough for a year of drift and a shock in thirds of a grid step.
_BINS = 512
# More replicates than this change a predicted mean by less than its last digit.
_MOST_REPLICATES = 10

# Steps of time between which a level is not looked at, years.
_SHORTEST, _LONGEST = 0.01, 0.1
# Levels across the tolerance, and the least wander, as shares of the tolerance.
_FINEST, _CALMEST = 1 / 40, 0.02
# A level seen only every so often leaves a bound as one always seen leaves a bound this many
# standard deviations of a step nearer: −ζ(1/2)/√(2π).
# Source: Broadie, Glasserman and Kou (1997), A continuity correction for discrete barrier options,
# Mathematical Finance 7, 325–349.
_UNSEEN = 0.5826
# Chances are kept at times about this far apart, years, for two years; then at every fourth.
_APART, _SOON = 0.06, 2.0


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


def reference_bin(middle: Floats, reading: Floats, bins: Bins) -> Floats:
    """Return the level of each series' middle bin, a value its dial can show, shape (series,)."""
    steps = np.rint((middle - reading) / bins.resolution)
    reference: Floats = reading + steps * bins.resolution
    return reference


def level_masses(
    posterior: Posterior,
    ahead: Floats,
    reference: Floats,
    *,
    groups: list[tuple[slice, float]],
    bins: Bins,
    hyper: HyperParameters,
) -> Floats:
    """Return the predicted distribution of levels by groups of kinds, shape (series, groups, bins).

    Parameters
    ----------
    posterior : Posterior
        What is known after the last visit.
    ahead : array, shape (series,)
        Years from then.
    reference : array, shape (series,)
        Level of the middle bin.
    groups : list of slice and float
        Kinds to be kept apart, and the shocks per year of each group.
    bins, hyper
        As elsewhere.
    """
    series, size, rates = ahead.size, _BINS, posterior.rates
    # Half a bin and half the bins more, so that truncation finds the nearest bin.
    shift = rates.mean * ahead[:, None] - reference[:, None] + bins.step * (size // 2 + 0.5)
    scaled = (posterior.levels + shift[:, :, None]) * (1 / bins.step)
    place = np.clip(scaled, 0.0, size - 1.0).astype(np.int64)
    index = (np.arange(series)[:, None, None] * size + place).ravel()
    masses = np.empty((series, len(groups), size))
    for number, (kinds, _) in enumerate(groups):
        weights = posterior.mass[:, kinds].sum(axis=1).ravel()
        flat = np.bincount(index, weights=weights, minlength=series * size)
        masses[:, number] = flat.reshape(series, size)
    reach = (ahead[:, None] + rates.lean) ** 2
    blur = (rates.weight * rates.variance * reach).sum(axis=1) + hyper.wander**2 * ahead
    shocks = -np.expm1(-np.array([rate for _, rate in groups]) * ahead[:, None])
    return spread_masses(masses, blur, bins=bins, shocks=shocks, shock_size=hyper.shock_size)


def spread_masses(
    masses: Floats,
    variance: Floats,
    *,
    bins: Bins,
    shocks: Floats | None = None,
    shock_size: float = 0.0,
) -> Floats:
    """Return `masses` after a normal blur and perhaps a shock, by characteristic functions.

    Parameters
    ----------
    masses : array, shape (series, groups, bins)
        Before.
    variance : array, shape (series,)
        Of the blur.
    bins : Bins
        Of the masses.
    shocks : array, shape (series, groups), optional
        Probability of a shock; none by default.
    shock_size : float
        Standard deviation of a shock, % air.
    """
    if shocks is None and not variance.any():
        return masses
    squared = (2 * np.pi * np.fft.rfftfreq(_BINS, d=bins.step)) ** 2 / 2
    factor = np.exp(-squared * variance[:, None])[:, None]
    if shocks is not None:
        factor = factor * (1 + shocks[..., None] * np.expm1(-squared * shock_size**2))
    # The factor is 1 at frequency 0, so that no mass is lost; the rest is rounding.
    after: Floats = np.maximum(np.fft.irfft(np.fft.rfft(masses) * factor, _BINS), 0.0)
    return after


def cumulated(masses: Floats) -> Floats:
    """Return the mass below each edge of bins, shape (series, bins + 1)."""
    below = np.empty((masses.shape[0], masses.shape[1] + 1))
    below[:, 0] = 0.0
    np.cumsum(masses, axis=1, out=below[:, 1:])
    return below


def chance_below(below: Floats, reference: Floats, level: float, *, bins: Bins) -> Floats:
    """Return P(level below `level`), bins taken as uniform, shape (series,)."""
    place = np.clip((level - reference) / bins.step + _BINS // 2 + 0.5, 0.0, float(_BINS))
    whole = np.minimum(place.astype(np.int64), _BINS - 1)
    row = np.arange(below.shape[0])
    low, high = below[row, whole], below[row, whole + 1]
    chance: Floats = low + (place - whole) * (high - low)
    return chance


def mass_quantile(below: Floats, share: float) -> Floats:
    """Return where `share` of the mass lies below, in bins from the first bin's lower edge."""
    goal = share * below[:, -1]
    at = np.clip((below < goal[:, None]).sum(axis=1) - 1, 0, below.shape[1] - 2)
    row = np.arange(below.shape[0])
    low, high = below[row, at], below[row, at + 1]
    place: Floats = at + np.clip((goal - low) / np.maximum(high - low, 1e-300), 0.0, 1.0)
    return place


def level_quantile(below: Floats, reference: Floats, share: float, *, bins: Bins) -> Floats:
    """Return a quantile of predicted levels, % air, shape (series,)."""
    place: Floats = reference + (mass_quantile(below, share) - _BINS // 2 - 0.5) * bins.step
    return place


def reading_table(bins: Bins, hyper: HyperParameters) -> Floats:
    """Return P(as-found mean | level, kind), shape (kinds, bins, means).

    Means lie on the lattice of the readings divided by the number of replicates; the middle one
    is the middle bin's level.  The mean of independent readings: convolution of their lattices.
    """
    half = int(np.ceil(_BINS // 2 * bins.step / bins.resolution)) + 4
    shown = np.arange(-half, half + 1) * bins.resolution
    levels = (np.arange(_BINS) - _BINS // 2) * bins.step
    width = 2 * half * bins.replicates + 1
    tables = []
    for kind in hyper.kinds:
        one = cell_probability(
            shown - levels[:, None], resolution=bins.resolution, sd=kind.noise * hyper.noise_sd
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
        digits = decimals(settings.tolerance, most=10)
        means = np.round(np.round(means, 9), digits)
    return (np.abs(means) > settings.tolerance + 1e-9).astype(np.float64)


# Quantiles of a distribution on a lattice, each value spread over its step, hold too much: a value
# at the edge counts wholly when half of it is inside.  Taking in this share of a step at either end
# brings the average coverage nearest to the nominal one (89 to 93 % for 90 %, for standard
# deviations of half a step to three steps; computed for a normal density in every phase).
_TAKEN_IN = 0.15


def mean_band(
    masses: Floats, lattice: Floats, *, bins: Bins, level: float
) -> tuple[Floats, Floats]:
    """Return the band of the next as-found mean, % air; arrays of shape (series,)."""
    step = bins.resolution / bins.replicates
    below = cumulated(masses)
    low = lattice[:, 0] + (mass_quantile(below, (1 - level) / 2) - 0.5 + _TAKEN_IN) * step
    high = lattice[:, 0] + (mass_quantile(below, (1 + level) / 2) - 0.5 - _TAKEN_IN) * step
    return low, high


def rate_quantile(rates: Rates, share: float, *, grid: Grid) -> Floats:
    """Return a quantile of the drift rate, % air per year, shape (series,).

    0 is an atom; the mass of every other rate's cell is spread evenly about its mean, as wide as
    its variance says.
    """
    half = np.sqrt(3 * rates.variance)
    edges = np.concatenate([rates.mean - half, rates.mean + half], axis=1)
    order = np.argsort(edges, axis=1, kind="stable")
    points = np.take_along_axis(edges, order, axis=1)
    below = np.zeros_like(points)
    for rate in range(grid.drifts.size):
        width = np.maximum(2 * half[:, rate], 1e-12)[:, None]
        into = np.clip((points - (rates.mean - half)[:, rate, None]) / width, 0.0, 1.0)
        below += rates.weight[:, rate, None] * into
    return _interpolate_rows(np.full(points.shape[0], share), below, points)


def _interpolate_rows(wanted: Floats, x: Floats, y: Floats) -> Floats:
    """Return y where the rising x of each row reaches `wanted`."""
    at = np.clip((x < wanted[:, None]).sum(axis=1), 1, x.shape[1] - 1)
    row = np.arange(x.shape[0])
    low, high = x[row, at - 1], x[row, at]
    part = np.clip((wanted - low) / np.maximum(high - low, 1e-300), 0.0, 1.0)
    value: Floats = y[row, at - 1] + part * (y[row, at] - y[row, at - 1])
    return value


@dataclass(frozen=True, slots=True)
class Passage:
    """Chance that a level has left the tolerance by some time.

    Attributes
    ----------
    levels : array, shape (levels,)
        Present levels within the tolerance, evenly spaced, % air.
    years : array, shape (times,)
        From the last visit, ascending from 0; sparser later on.
    groups : list of slice and float
        Kinds of one shock factor, and their shocks per year.
    chance : array, shape (groups, levels, rates, times)
        First-passage probability.
    """

    levels: Floats
    years: Floats
    groups: list[tuple[slice, float]]
    chance: Floats


def make_passage(span: float, *, tolerance: float, hyper: HyperParameters, grid: Grid) -> Passage:
    """Compute how soon a level leaves the tolerance, by level and drift rate.

    Parameters
    ----------
    span : float
        Years looked ahead.
    tolerance : float
        Largest bias that passes, % air.
    hyper, grid
        Of the fleet.

    Notes
    -----
    Backward equation of a random walk with drift and shocks between absorbing bounds, in short
    steps on a fine grid: the chance to stay in is 1 now, and a step earlier the mean of what it
    is after the step.
    """
    wander = max(hyper.wander, _CALMEST * tolerance)
    step = float(np.clip((0.8 * _FINEST * tolerance / wander) ** 2, _SHORTEST, _LONGEST))
    blur = wander * np.sqrt(step)
    bound = tolerance - _UNSEEN * blur
    number = int(np.ceil(2 * bound / (blur / 0.8)))
    gap = 2 * bound / number
    levels = -bound + gap * (np.arange(number) + 0.5)
    moved = levels - levels[:, None] - step * grid.drifts[:, None, None]
    calm = _density(moved, blur) * gap
    thrown = _density(moved, float(np.hypot(blur, hyper.shock_size))) * gap
    keep = max(1, int(_APART / step))
    times = int(np.ceil(span / (step * keep))) + 1
    groups = shock_groups(hyper)
    chance = np.empty((len(groups), number, grid.drifts.size, times))
    for place, (_, rate) in enumerate(groups):
        shock = -np.expm1(-rate * step)
        matrix = (1 - shock) * calm + shock * thrown
        power = np.linalg.matrix_power(matrix, keep)
        stay = np.ones((grid.drifts.size, number, 1))
        for time in range(times):
            chance[place, :, :, time] = 1 - stay[..., 0].T
            stay = power @ stay
    years = step * keep * np.arange(times, dtype=np.float64)
    kept = (years <= _SOON) | (np.arange(times) % 4 == 0) | (np.arange(times) == times - 1)
    return Passage(levels, years[kept], groups, np.clip(chance[..., kept], 0.0, 1.0))


def _density(offset: Floats, sd: float) -> Floats:
    """Return the normal density at `offset`."""
    density: Floats = np.exp(-0.5 * (offset / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
    return density


def crossing_chances(posterior: Posterior, passage: Passage, *, tolerance: float) -> Floats:
    """Return P(the tolerance has been left) by the times of `passage`, shape (series, times)."""
    levels = posterior.levels
    series, cells = levels.shape[:2]
    count, times = passage.levels.size, passage.years.size
    gap = passage.levels[1] - passage.levels[0]
    place = np.rint((levels - passage.levels[0]) / gap).astype(np.int64)
    inside = np.abs(levels) <= tolerance
    row = np.arange(series)[:, None, None] * count + np.clip(place, 0, count - 1)
    index = (row * cells + np.arange(cells)[:, None]).ravel()
    within, still_in = np.zeros((series, times)), np.zeros(series)
    for (kinds, _), chance in zip(passage.groups, passage.chance, strict=True):
        mass = posterior.mass[:, kinds].sum(axis=1, dtype=np.float64)
        weight = np.where(inside, mass, 0.0)
        flat = np.bincount(index, weights=weight.ravel(), minlength=series * count * cells)
        within += flat.reshape(series, count * cells) @ chance.reshape(count * cells, times)
        still_in += weight.sum(axis=(1, 2))
    chances: Floats = within + (1 - still_in)[:, None]
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
