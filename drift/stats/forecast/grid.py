"""This module filters many series on a grid of level, drift rate and noise; it fits no parameter.

The filter is the forward recursion of a hidden Markov model, so it is exact up to the grid: no
normal approximation stands between a rounded reading and the probability that follows from it.
Levels are sampled, not averaged over cells; sums over samples of smooth densities converge faster
than any power of the step (trapezoidal rule).  Three devices keep it small:

- each series has a window of levels that moves with its readings;
- each drift rate carries its own offset of the window, so that drifting shifts no mass between
  cells and smears nothing;
- one matrix per series and interval holds wander and shock together.

References
----------
Kitagawa (1987), Non-Gaussian state-space modeling of nonstationary time series, Journal of the
American Statistical Association 82, 1032–1041 (the recursion); Trefethen and Weideman (2014),
The exponentially convergent trapezoidal rule, SIAM Review 56, 385–458.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from drift.stats.blocks import Floats, Integers
from drift.stats.forecast.model import (
    Grid,
    HyperParameters,
    bell_mass,
    cell_probability,
    log_rate_prior,
    wide_mass,
)
from drift.stats.forecast.visits import Visits

# Below this a block's likelihood is numerical dust; it is counted as this and the window refilled.
_DUST = 1e-250


@dataclass(slots=True)
class State:
    """What is known of a block of series after the readings so far.

    Attributes
    ----------
    mass : array, shape (series, rates, scales, cells)
        Posterior probability; sums to 1 over each series.
    origin : array, shape (series,)
        Level of the window's first cell in whole steps.
    offset : array, shape (series, rates)
        What is added to the levels of a rate's cells, at most half a step, % air.
    years : array, shape (series,)
        Time it speaks for.
    log_likelihood : array, shape (series,)
        Of all readings so far.
    """

    mass: Floats
    origin: Integers
    offset: Floats
    years: Floats
    log_likelihood: Floats


@dataclass(frozen=True, slots=True)
class Tables:
    """What the filter looks up.

    Attributes
    ----------
    reading : array, shape (kinds + 1, fineness, scales, cells)
        Probability of a reading by the distance of the level; the last kind stands for no reading.
    prior : array, shape (rates, scales)
        Prior probability of a series' drift rate and noise.
    """

    reading: Floats
    prior: Floats


Watcher = Callable[[int, int, State], None]


def make_tables(hyper: HyperParameters, grid: Grid, *, resolutions: Floats) -> Tables:
    """Compute the tables for dials read to `resolutions` (% air)."""
    cells = 4 * grid.cells
    steps = np.arange(cells) - cells // 2
    offset = (steps + np.arange(grid.fineness)[:, None] / grid.fineness) * grid.step
    reading = np.ones((resolutions.size + 1, grid.fineness, len(hyper.scales), cells))
    for kind, resolution in enumerate(resolutions):
        for place, scale in enumerate(hyper.scales):
            shown = cell_probability(offset, resolution=resolution, sd=scale * hyper.noise_sd)
            blunder = grid.outlier * min(1.0, resolution)
            reading[kind, :, place] = (1 - grid.outlier) * shown + blunder
    rates = np.exp(log_rate_prior(hyper, grid))
    prior = rates[:, None] * np.array(hyper.scale_weights)
    return Tables(reading=reading, prior=prior)


def walk(
    visits: Visits,
    lives: Integers,
    *,
    hyper: HyperParameters,
    grid: Grid,
    tables: Tables,
    watch: Watcher | None = None,
    start: State | None = None,
    calm: bool = False,
) -> State:
    """Filter the histories of `lives`, longest first.

    Parameters
    ----------
    visits : Visits
        The fleet.
    lives : array, shape (series,)
        Positions in `visits`, with counts that do not rise.
    hyper, grid, tables
        The model, its grid and `make_tables` of both.
    watch : callable, optional
        Called as ``watch(j, n, state)`` before the readings of visit j of the first n series are
        taken in: the state is still that after visit j − 1.  Not called for j = 0.
    start : State, optional
        State after visit 0 of each life; changed in place.  By default the prior meets visit 0.
    calm : bool
        Count only paths without a shock; their share of all is what the log likelihood lacks.

    Returns
    -------
    State
        After the last visit of each life.
    """
    counts = visits.count[lives]
    state = _open(visits, lives, hyper, grid, tables) if start is None else start
    for j in range(0 if start is None else 1, int(counts[0])):
        active = int(np.searchsorted(-counts, -j, side="left"))
        at = lives[:active]
        found = visits.found[at, j]
        if j > 0:
            if watch is not None:
                watch(j, active, state)
            _advance(state, visits, at, j, hyper=hyper, grid=grid, calm=calm)
        _take_in(state, np.arange(active), found, visits.kind[at, j], grid=grid, tables=tables)
        reset = np.flatnonzero(visits.reset[at, j])
        if reset.size:
            left = visits.left[at[reset], j]
            _adjust(state, reset, left, visits.jump[at[reset], j], hyper=hyper, grid=grid)
            _take_in(state, reset, left, visits.kind[at[reset], j], grid=grid, tables=tables)
    return state


def _open(
    visits: Visits, lives: Integers, hyper: HyperParameters, grid: Grid, tables: Tables
) -> State:
    """Return the prior state at the first visit."""
    size, rates, scales = lives.size, grid.drifts.size, len(hyper.scales)
    state = State(
        mass=np.empty((size, rates, scales, grid.cells)),
        origin=np.empty(size, dtype=np.int64),
        offset=np.zeros((size, rates)),
        years=visits.years[lives, 0].copy(),
        log_likelihood=np.zeros(size),
    )
    state.origin[:] = _window(visits.found[lives, 0], grid, fallback=np.zeros(size))
    position = grid.step * (state.origin[:, None] + np.arange(grid.cells)).astype(np.float64)
    start = wide_mass(position, sd=hyper.start_sd, grid=grid)
    fresh = wide_mass(position, sd=hyper.reset_sd, grid=grid)
    level = np.where(visits.fresh[lives][:, None], fresh, start)
    np.multiply(tables.prior[:, :, None], level[:, None, None, :], out=state.mass)
    return state


def _window(readings: Floats, grid: Grid, *, fallback: Floats) -> Integers:
    """Return the origin of a window around the mean of `readings`, else around `fallback`."""
    there = ~np.isnan(readings)
    number = there.sum(axis=1)
    total = np.where(there, readings, 0.0).sum(axis=1)
    middle = np.where(number > 0, total / np.maximum(number, 1), fallback)
    origin: Integers = np.rint(middle / grid.step).astype(np.int64) - grid.cells // 2
    return origin


def _advance(
    state: State,
    visits: Visits,
    at: Integers,
    j: int,
    *,
    hyper: HyperParameters,
    grid: Grid,
    calm: bool,
) -> None:
    """Carry the first series of `state` forward to visit `j`, in place."""
    active, cells = at.size, grid.cells
    elapsed = visits.years[at, j] - state.years[:active]
    offset = state.offset[:active] + elapsed[:, None] * grid.drifts
    whole = np.rint(offset / grid.step).astype(np.int64)
    state.offset[:active] = offset - whole * grid.step
    reach = int(np.abs(whole).max())
    shifted = _shift(state.mass[:active], whole, reach)
    middle = grid.step * (state.origin[:active] + cells // 2).astype(np.float64)
    origin = _window(visits.found[at, j], grid, fallback=middle)
    moved = origin - state.origin[:active]
    jolt = visits.jolt[at, j]
    matrix = _transition(moved, elapsed, jolt, reach, hyper=hyper, grid=grid, calm=calm)
    rows = grid.drifts.size * len(hyper.scales)
    flat = shifted.reshape(active, rows, cells + 2 * reach)
    np.matmul(flat, matrix, out=state.mass[:active].reshape(active, rows, cells))
    state.origin[:active] = origin
    state.years[:active] = visits.years[at, j]


def _shift(mass: Floats, whole: Integers, reach: int) -> Floats:
    """Return `mass` in windows wider by `reach` on both sides, rates shifted by `whole` cells."""
    if reach == 0:
        return mass
    series, rates, scales, cells = mass.shape
    padded = np.zeros((series, rates, scales, cells + 4 * reach))
    padded[..., 2 * reach : 2 * reach + cells] = mass
    windows = sliding_window_view(padded, cells + 2 * reach, axis=-1)
    each, rate = np.arange(series)[:, None], np.arange(rates)
    shifted: Floats = windows[each, rate, :, reach - whole]
    return shifted


def _transition(
    moved: Integers,
    elapsed: Floats,
    jolt: NDArray[np.bool_],
    reach: int,
    *,
    hyper: HyperParameters,
    grid: Grid,
    calm: bool,
) -> Floats:
    """Return the matrices from old to new windows, shape (series, cells + 2 reach, cells)."""
    before = grid.cells + 2 * reach
    cells = np.arange(before + grid.cells - 1) - (before - 1) + reach + moved[:, None]
    lag = grid.step * cells.astype(np.float64)
    calm_variance = hyper.wander**2 * elapsed[:, None]
    # A jolt is an unrecorded change: a shock for certain, of the spread of a meter's first visit.
    shock = np.where(jolt, 1.0, -np.expm1(-hyper.shock_rate * elapsed))[:, None]
    size = np.where(jolt, hyper.start_sd, hyper.shock_size)[:, None]
    kernel = (1 - shock) * bell_mass(lag, variance=calm_variance, step=grid.step)
    if calm:
        shock = np.where(jolt[:, None], 1.0, 0.0)
    if shock.any():
        sd = np.sqrt(size**2 + calm_variance)
        kernel += shock * wide_mass(lag, sd=sd, grid=grid)
    return np.ascontiguousarray(sliding_window_view(kernel, grid.cells, axis=-1)[:, ::-1])


def _take_in(
    state: State,
    which: Integers,
    readings: Floats,
    kind: Integers,
    *,
    grid: Grid,
    tables: Tables,
) -> None:
    """Multiply the series `which` of `state` by the probability of their readings, in place."""
    windows = sliding_window_view(tables.reading, grid.cells, axis=-1)
    none = tables.reading.shape[0] - 1
    base = state.origin[which, None] * grid.step + state.offset[which]
    part = grid.step / grid.fineness
    everyone = which.size == which[-1] + 1
    mass = state.mass[: which.size] if everyone else state.mass[which]
    for replicate in range(readings.shape[1]):
        reading = readings[:, replicate]
        there = ~np.isnan(reading)
        if not there.any():
            continue
        place = np.rint((base - np.where(there, reading, 0.0)[:, None]) / part).astype(np.int64)
        cell, phase = np.divmod(place, grid.fineness)
        cell = np.clip(cell + 2 * grid.cells, 0, 3 * grid.cells)
        row = np.where(there, kind, none)[:, None]
        mass *= windows[row, phase, :, cell]
    total = mass.sum(axis=(1, 2, 3))
    lost = total < _DUST
    if lost.any():
        mass[lost] = tables.prior[:, :, None] * (_DUST / grid.cells)
        total = np.where(lost, _DUST, total)
    mass /= total[:, None, None, None]
    if not everyone:
        state.mass[which] = mass
    # Without a reading the total is what the window kept of the prediction, no evidence.
    state.log_likelihood[which] += np.where(np.isnan(readings).all(axis=1), 0.0, np.log(total))


def _adjust(
    state: State,
    which: Integers,
    left: Floats,
    jump: Floats,
    *,
    hyper: HyperParameters,
    grid: Grid,
) -> None:
    """Put the levels of the series `which` where an adjustment puts them, in place."""
    cells = grid.cells
    target = np.zeros(which.size)
    known = ~np.isnan(jump)
    if known.any():
        levels = state_levels(state, grid)[which]
        mean = (state.mass[which].sum(axis=2) * levels).sum(axis=(1, 2))
        target = np.where(known, mean + np.where(known, jump, 0.0), 0.0)
    origin = _window(left, grid, fallback=target)
    position = grid.step * (origin[:, None] + np.arange(cells)).astype(np.float64)
    static = state.mass[which].sum(axis=3)
    level = wide_mass(position, sd=hyper.reset_sd, grid=grid)
    adjusted = static[..., None] * level[:, None, None, :]
    if known.any():
        adjusted[known] = _jumped(
            state, which[known], jump[known], origin[known], hyper=hyper, grid=grid
        )
    state.mass[which] = adjusted
    state.origin[which] = origin
    state.offset[which[~known]] = 0.0


def _jumped(
    state: State,
    which: Integers,
    jump: Floats,
    origin: Integers,
    *,
    hyper: HyperParameters,
    grid: Grid,
) -> Floats:
    """Return the mass of the series `which` moved by `jump`, known to `reset_sd`."""
    whole = np.rint(jump / grid.step).astype(np.int64)
    state.offset[which] += (jump - whole * grid.step)[:, None]
    moved = origin - state.origin[which] - whole
    lag = np.arange(2 * grid.cells - 1) - (grid.cells - 1) + moved[:, None]
    kernel = wide_mass(grid.step * lag.astype(np.float64), sd=hyper.reset_sd, grid=grid)
    matrix = np.ascontiguousarray(sliding_window_view(kernel, grid.cells, axis=-1)[:, ::-1])
    rows = grid.drifts.size * len(hyper.scales)
    flat = state.mass[which].reshape(which.size, rows, grid.cells)
    jumped: Floats = np.matmul(flat, matrix).reshape(state.mass[which].shape)
    return jumped


def take(state: State, rows: Integers) -> State:
    """Return a copy of some series of a block."""
    return State(
        mass=state.mass[rows],
        origin=state.origin[rows],
        offset=state.offset[rows],
        years=state.years[rows],
        log_likelihood=state.log_likelihood[rows],
    )


def state_levels(state: State, grid: Grid) -> Floats:
    """Return the level of each cell, % air, shape (series, rates, cells)."""
    cells = (state.origin[:, None, None] + np.arange(grid.cells)) * grid.step
    levels: Floats = cells + state.offset[:, :, None]
    return levels
