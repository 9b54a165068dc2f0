"""This module says how likely a visit's readings are under each centre and spread of a process.

Model: a visit deviates from the centre of the process by N(0, between²), its readings scatter about
that by N(0, within²), and each is rounded to its step.  Where a spread reaches a step, rounding is
no more than noise of variance δ²/12 and the normal formulas hold (relative error of a cell's
probability below 4·10⁻⁴·He₄(z) at σ = δ, from the fourth cumulant of the uniform law); below that
everything is tabulated on a grid of centres.  All lengths are in units of that grid.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.special import ndtr

from drift.arrays import Floats
from drift.limits.rounding.cells import log_cell_probability
from drift.limits.rounding.observations import Patterns

# Grid points per step of the dial, and how finely they are divided for folding.
PER_STEP = 20
_FOLD = 4
# A step is a whole number of grid units if it is one but for such a part of it.
_WHOLE = 1e-9
# Steps on either side of a visit over which its likelihood is tabulated.
REACH_STEPS = 10
# Grid units from a centre beyond which no mean of rounded readings falls.
_BEYOND = REACH_STEPS * PER_STEP * 1.5
_FLOOR = 1e-300
# Chances below this are none: products of them would come near the smallest numbers there are,
# which a processor works with a hundred times slower.
_NO_CHANCE, _NO_DENSITY = 1e-100, 1e-150


@dataclass(frozen=True, slots=True)
class Visit:
    """A kind of visit.

    Attributes
    ----------
    replicates : int
        Readings of the visit.
    step : float
        Step they are read to, grid units.
    phase : int
        Where a reading lies within a step, grid units from the anchor.
    """

    replicates: int
    step: float
    phase: int = 0


@dataclass(frozen=True, slots=True)
class Shapes:
    """Normal approximation of each pattern's likelihood as a function of the visit's own mean.

    Attributes
    ----------
    offset, variance, log_mass : array, shape (patterns,)
        Centre above the lowest reading, variance, and logarithm of the integral.
    """

    offset: Floats
    variance: Floats
    log_mass: Floats


def shapes_of(patterns: Patterns, *, within: float) -> Shapes:
    """Return the normal approximations of patterns for a known within-visit spread."""
    n, step = patterns.replicates, patterns.steps
    mean = np.nansum(patterns.offsets, axis=1) / n
    smooth = (n == 1) | (within >= step)
    variance = (within**2 + step**2 / 12) / n
    log_mass = np.where(n == 1, np.log(step), 0.0)
    offset = mean.copy()
    for index in np.flatnonzero(~smooth):
        grid, density, scale = _profile(patterns, index, within)
        mass = density.sum()
        offset[index] = density @ grid / mass
        variance[index] = density @ (grid - offset[index]) ** 2 / mass
        log_mass[index] = np.log(mass * (grid[1] - grid[0])) + scale
    return Shapes(offset=offset, variance=variance, log_mass=log_mass)


def tabulate(
    patterns: Patterns, shapes: Shapes, *, within: float, betweens: Floats, reach: int
) -> NDArray[np.float32]:
    """Tabulate log-likelihoods of patterns against the centre of the process.

    Parameters
    ----------
    patterns, shapes
        In grid units.
    within : float
        Spread of replicates.
    betweens : array, shape (nodes,)
        Spreads of visits, below one step.
    reach : int
        Grid points on either side of the lowest reading.

    Returns
    -------
    array, shape (patterns, nodes, 2·reach + 1)
        Log-likelihood with the centre at −reach … reach from the lowest reading.
    """
    away = np.arange(-reach, reach + 1, dtype=float)
    table = np.empty((len(patterns.steps), len(betweens), len(away)), np.float32)
    for index, (n, step) in enumerate(zip(patterns.replicates, patterns.steps, strict=True)):
        if n == 1:
            total = np.hypot(betweens, within)[:, None]
            table[index] = log_cell_probability(
                (-step / 2 - away) / total, (step / 2 - away) / total
            )
        elif within >= step:
            variance = betweens[:, None] ** 2 + shapes.variance[index]
            table[index] = (
                shapes.log_mass[index]
                - ((away - shapes.offset[index]) ** 2 / variance + np.log(2 * np.pi * variance)) / 2
            )
        else:
            grid, density, scale = _profile(patterns, index, within)
            width = grid[1] - grid[0]
            for node, between in enumerate(betweens):
                blurred = _blurred(grid, density, centres=away, sd=between) * width
                table[index, node] = np.log(np.maximum(blurred, _FLOOR)) + scale
    return table


def chance_at_least(
    centres: Floats, visit: Visit, *, spreads: Floats, within: float | None
) -> tuple[Floats, Floats, float]:
    """Tabulate the chance that the mean of a new visit is at or above each value it can take.

    Parameters
    ----------
    centres : array, shape (m,)
        Centres of the process on the grid, whole numbers around 0.
    visit : Visit
        Its kind.
    spreads : array, shape (nodes,)
        Spread of visits; where `within` is None, of readings that have no visit in common.
    within : float or None
        Spread of replicates about their visit.

    Returns
    -------
    chance : array, shape (nodes, m, values)
    values : array, shape (values,)
        Attainable means, ascending.
    spacing : float
        Distance between them; never below one grid unit, where means may as well be continuous.
    """
    n, step = visit.replicates, visit.step
    spacing = max(step / n, 1.0)
    reach = float(np.abs(centres).max() + _BEYOND)
    values = np.arange(-np.ceil(reach / spacing), np.ceil(reach / spacing) + 1) * spacing
    values += visit.phase
    exact = n > 1 and spacing == step / n and (within is None or within < step)
    if not exact:
        single = spreads**2 if within is None else within**2
        shared = 0.0 if within is None else spreads**2
        variance = shared + (single + step**2 / 12) / n - spacing**2 / 12
        scale = np.sqrt(np.maximum(variance, 1e-12) + np.zeros_like(spreads))[:, None, None]
        return ndtr((centres[:, None] - values + spacing / 2) / scale), values, spacing
    whole = round(step)
    # A centre a step further sees the same values a step further.
    turns = np.zeros(len(centres), np.int64)
    if abs(step - whole) < _WHOLE * step:
        turns = np.floor((centres - visit.phase) / whole).astype(np.int64)
    lowest = centres - visit.phase - turns * whole
    unlike, place = np.unique(lowest, return_inverse=True)
    half, many = len(values) // 2, int(np.ceil((np.abs(unlike).max() + _BEYOND) / spacing))
    near = _rounded_chances(
        tuple(unlike.tolist()), n, step, spreads=tuple(spreads.tolist()), within=within, many=many
    )
    beyond = max(half + n * int(np.abs(turns).max()) - many, 0)
    padded = np.pad(near, ((0, 0), (0, 0), (beyond, 0)), constant_values=1.0)
    padded = np.pad(padded, ((0, 0), (0, 0), (0, beyond)))
    windows = sliding_window_view(padded, len(values), axis=2)
    return windows[:, place, many + beyond - half - n * turns], values, spacing


@lru_cache(maxsize=64)
def _rounded_chances(
    centres: tuple[float, ...],
    replicates: int,
    step: float,
    *,
    spreads: tuple[float, ...],
    within: float | None,
    many: int,
) -> Floats:
    """Return the chance that the mean of a visit is at least each value, −many … many parts of 0.

    A part is a step over the number of replicates, which the dial shows a multiple of.
    """
    values = np.asarray(np.arange(-many, many + 1) * (step / replicates), float)
    at, visit = np.array(centres), Visit(replicates, step)
    chance = np.empty((len(spreads), len(at), len(values)))
    if within is None:
        for node, spread in enumerate(spreads):
            chance[node] = _sum_survival(at, visit, spread, values)
        return chance
    # No node may be left to a group all of whose spreads are fine ones.
    wide = np.ceil(np.abs(at).max() + 7 * max(spreads, default=0.0))
    means = np.arange(-wide, wide + 0.25, 0.5)
    inside = _likely(_sum_survival(means, visit, within, values))
    for node, spread in enumerate(spreads):
        kernel = _likely(_bells(means, at, sd=spread))
        chance[node] = kernel / kernel.sum(axis=1, keepdims=True) @ inside
    return chance


def _likely(chances: Floats) -> Floats:
    """Return chances, those that cannot matter as 0."""
    return np.where(chances > _NO_CHANCE, chances, 0.0)


def _sum_survival(means: Floats, visit: Visit, spread: float, values: Floats) -> Floats:
    """Return the chance that the mean of independent rounded readings reaches each value."""
    replicates, step, phase = visit.replicates, visit.step, visit.phase
    # The n-fold sum of cells is folded about the cell nearest each mean, then set in its place.
    nearest = np.rint((means - phase) / step)
    reach = int(np.ceil(8 * spread / step)) + 1
    cells = np.arange(-reach, reach + 1)
    low = (phase + (nearest[:, None] + cells - 0.5) * step - means[:, None]) / max(spread, 1e-9)
    single = np.exp(log_cell_probability(low, low + step / max(spread, 1e-9)))
    total = single
    for _ in range(replicates - 1):
        wider = np.zeros((len(total), total.shape[1] + 2 * reach))
        for place in range(2 * reach + 1):
            wider[:, place : place + total.shape[1]] += single[:, place : place + 1] * total
        total = wider
    at_least = np.cumsum(total[:, ::-1], axis=1)[:, ::-1]
    padded = np.concatenate([at_least, np.zeros((len(total), 1))], axis=1)
    sums = np.rint((values - phase) * replicates / step) - nearest[:, None] * replicates
    index = np.clip(sums + reach * replicates, 0, total.shape[1]).astype(np.int64)
    return np.asarray(np.minimum(np.take_along_axis(padded, index, axis=1), 1.0))


def _profile(
    patterns: Patterns, index: np.int64 | int, within: float
) -> tuple[Floats, Floats, float]:
    """Return a grid of visit means above the lowest reading and the likelihood of one pattern.

    The likelihood is relative to its peak, whose logarithm comes third.
    """
    n, step = int(patterns.replicates[index]), float(patterns.steps[index])
    offsets = patterns.offsets[index, :n]
    margin = step / 2 + 6 * within
    # A whole number of parts of a grid unit, as `_bells` needs.
    fine = 1 / np.ceil(max(_FOLD, 2 / within)) if within > 0 else 1 / _FOLD
    grid = np.arange(-margin, offsets[-1] + margin + fine, fine)
    low = (offsets - step / 2 - grid[:, None]) / within
    logs = log_cell_probability(low, low + step / within).sum(axis=1)
    return grid, np.exp(logs - logs.max()), float(logs.max())


def _bells(grid: Floats, centres: Floats, *, sd: float) -> Floats:
    """Return the normal density about each centre at each place of a grid.

    Centres are whole numbers and the grid divides one into a whole number of parts, so that every
    row is a window of one and the same bell: that saves most of the exponentials.

    Parameters
    ----------
    grid : array, shape (places,)
        Evenly spaced.
    centres : array, shape (m,)
    sd : float

    Returns
    -------
    array, shape (m, places)
    """
    parts = round(1 / (grid[1] - grid[0]))
    last = centres.max()
    bell = _bell(grid[0] - last, round(parts * (last - centres.min())) + grid.size, parts, sd=sd)
    starts = np.rint(parts * (last - centres)).astype(np.int64)
    return np.asarray(sliding_window_view(bell, grid.size)[starts])


def _bell(start: float, number: int, parts: int, *, sd: float) -> Floats:
    """Return the normal density about 0 at so many places from a start, `parts` to a grid unit."""
    away = start + np.arange(number) / parts
    return np.asarray(np.exp(-((away / sd) ** 2) / 2) / (np.sqrt(2 * np.pi) * sd))


def _blurred(grid: Floats, density: Floats, *, centres: Floats, sd: float) -> Floats:
    """Return the products of `_bells` with a density on the grid, about successive centres.

    Those places of the grid that lie alike between whole numbers meet one and the same bell: no
    matrix has to be laid out.
    """
    parts = round(1 / (grid[1] - grid[0]))
    units = -(-grid.size // parts)
    weights = np.zeros(units * parts)
    weights[: grid.size] = np.where(density > _NO_DENSITY, density, 0.0)
    bell = _bell(grid[0] - centres[-1], (len(centres) - 1 + units) * parts, parts, sd=sd)
    bell = np.where(bell > _NO_DENSITY, bell, 0.0)
    pairs = zip(bell.reshape(-1, parts).T, weights.reshape(-1, parts).T, strict=True)
    return np.asarray(sum(np.correlate(each, shares, "valid") for each, shares in pairs))[::-1]
