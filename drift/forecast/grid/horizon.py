"""This module moves states to dates ahead and says what a visit should find there."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from drift.arrays import Floats, Masses
from drift.forecast.grid.model import Grid, HyperParameters, Settings, cell_probability
from drift.forecast.grid.rates import Posterior, Rates
from drift.format import decimals

# Bins of a predicted density: the fewer where they hold what may come in thirds of a grid step.
_BINS = (256, 512)
# Rows of a product of matrices, and what its columns are a multiple of: the kernels of usual
# libraries then sum alike wherever a row stands (tested), and few rows are quick.
_ROWS, _COLUMNS = 32, 8
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
    number : int
        Bins; the middle one is `number` // 2.
    """

    step: float
    resolution: float
    replicates: int
    number: int = _BINS[-1]


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
    number = next((each for each in _BINS if 2 * reach <= each * grid.step / 3), _BINS[-1])
    wanted = max(grid.step / 3, 2 * reach / number)
    parts = int(resolution / wanted)
    count = max(1, min(replicates, _MOST_REPLICATES))
    if parts < 1:
        return Bins(step=wanted, resolution=wanted, replicates=count, number=number)
    return Bins(step=resolution / parts, resolution=resolution, replicates=count, number=number)


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
    together: bool = False,
) -> Masses:
    """Return the predicted distribution of levels, shape (series, groups, bins).

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
    together : bool
        Return the sum over the groups in their stead, shape (series, 1, bins).
    """
    series, size, rates = ahead.size, bins.number, posterior.rates
    # Half a bin and half the bins more, so that truncation finds the nearest bin.
    shift = rates.mean * ahead[:, None] - reference[:, None] + bins.step * (size // 2 + 0.5)
    scaled = (posterior.levels + shift[:, :, None]) * (1 / bins.step)
    place = np.minimum(np.maximum(scaled, 0.0), size - 1.0).astype(np.int64)
    index = (np.arange(0, series * size, size)[:, None, None] + place).ravel()
    masses = np.empty((series, len(groups), size), dtype=posterior.mass.dtype)
    for number, (kinds, _) in enumerate(groups):
        weights = posterior.mass[:, kinds].sum(axis=1).ravel()
        flat = np.bincount(index, weights=weights, minlength=series * size)
        masses[:, number] = flat.reshape(series, size)
    reach = (ahead[:, None] + rates.lean) ** 2
    blur = (rates.weight * rates.variance * reach).sum(axis=1) + hyper.wander**2 * ahead
    shocks = -np.expm1(-np.array([rate for _, rate in groups]) * ahead[:, None])
    factor = _blurs(blur, bins)[:, None]
    thrown = np.expm1(-_squared(bins) * hyper.shock_size**2)
    factor = factor * (1 + shocks[..., None] * thrown)
    return _transformed(masses, factor, together=together)


def spread_masses(masses: Masses, variance: Floats, *, bins: Bins) -> Masses:
    """Return `masses` after a normal blur, by characteristic functions.

    Parameters
    ----------
    masses : array, shape (series, groups, bins)
        Before.
    variance : array, shape (series,)
        Of the blur.
    bins : Bins
        Of the masses.
    """
    if not variance.any():
        return masses
    return _transformed(masses, _blurs(variance, bins)[:, None])


def _squared(bins: Bins) -> Floats:
    """Return half the squares of the frequencies of `bins`."""
    squared: Floats = (2 * np.pi * np.fft.rfftfreq(bins.number, d=bins.step)) ** 2 / 2
    return squared


def _blurs(variance: Floats, bins: Bins) -> Floats:
    """Return what normal blurs do to each frequency, shape (series, frequencies)."""
    blurs: Floats = np.exp(-_squared(bins) * variance[:, None])
    return blurs


def _transformed(masses: Masses, factor: Floats, *, together: bool = False) -> Masses:
    """Return `masses` with their frequencies multiplied, in their precision."""
    waves = np.fft.rfft(masses) * factor.astype(masses.dtype)
    if together:
        waves = waves.sum(axis=1, keepdims=True)
    # The factor is 1 at frequency 0, so that no mass is lost; the rest is rounding.
    after: Masses = np.maximum(np.fft.irfft(waves, masses.shape[-1]), 0.0)
    return after


def rowwise(rows: Masses, table: Masses) -> Masses:
    """Return the product of `rows` and `table`, each row's the same whatever the others.

    Libraries choose the order of their sums by how many rows there are: always as many, then.
    """
    columns = table.shape[1]
    wide = np.zeros((table.shape[0], columns + -columns % _COLUMNS), dtype=table.dtype)
    wide[:, :columns] = table
    made = np.empty((rows.shape[0], columns), dtype=rows.dtype)
    for start in range(0, rows.shape[0], _ROWS):
        part = rows[start : start + _ROWS]
        full = np.zeros((_ROWS, rows.shape[1]), dtype=rows.dtype)
        full[: part.shape[0]] = part
        made[start : start + _ROWS] = (full @ wide)[: part.shape[0], :columns]
    return made


def cumulated(masses: Masses) -> Floats:
    """Return the share of the mass below each edge of bins, shape (series, bins + 1)."""
    below = np.empty((masses.shape[0], masses.shape[1] + 1))
    below[:, 0] = 0.0
    np.cumsum(masses, axis=1, out=below[:, 1:])
    below /= below[:, -1:].copy()
    return below


def chance_below(below: Floats, reference: Floats, level: float, *, bins: Bins) -> Floats:
    """Return P(level below `level`), bins taken as uniform, shape (series,)."""
    middle = bins.number // 2 + 0.5
    place = np.clip((level - reference) / bins.step + middle, 0.0, float(bins.number))
    whole = np.minimum(place.astype(np.int64), bins.number - 1)
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
    place: Floats = reference + (mass_quantile(below, share) - bins.number // 2 - 0.5) * bins.step
    return place


@lru_cache(maxsize=24)
def reading_table(bins: Bins, hyper: HyperParameters) -> Floats:
    """Return P(as-found mean | level, kind), shape (kinds, bins, means).

    Means lie on the lattice of the readings divided by the number of replicates; the middle one
    is the middle bin's level.  The mean of independent readings: convolution of their lattices.
    """
    half = int(np.ceil(bins.number // 2 * bins.step / bins.resolution)) + 4
    shown = np.arange(-half, half + 1) * bins.resolution
    levels = (np.arange(bins.number) - bins.number // 2) * bins.step
    width = 2 * half * bins.replicates + 1
    tables = []
    for kind in hyper.kinds:
        one = cell_probability(
            shown - levels[:, None], resolution=bins.resolution, sd=kind.noise * hyper.noise_sd
        )
        total = np.fft.irfft(np.fft.rfft(one, width) ** bins.replicates, width)
        tables.append(np.maximum(total, 0.0))
    made = np.stack(tables)
    made.flags.writeable = False
    return made


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
