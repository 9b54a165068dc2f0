"""This module filters many series on a grid of level, drift rate and noise.

The filter is the forward recursion of a hidden Markov model, so it is exact up to the grid: no
normal approximation stands between a rounded reading and the probability that follows from it.
Levels are sampled, not averaged over cells; sums over samples of smooth densities converge faster
than any power of the step (trapezoidal rule).  Three devices keep it small:

- each series has a window of levels that moves with its readings;
- each drift rate carries its own offset of the window, so that drifting shifts no mass between
  cells and smears nothing;
- one matrix per series, interval and shock rate holds wander and shock together.

References
----------
Kitagawa (1987), Non-Gaussian state-space modeling of nonstationary time series, Journal of the
American Statistical Association 82, 1032–1041 (the recursion); Trefethen and Weideman (2014),
The exponentially convergent trapezoidal rule, SIAM Review 56, 385–458.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from drift.arrays import Floats, Integers
from drift.forecast.grid.model import (
    Grid,
    HyperParameters,
    Masses,
    bell_mass,
    shock_groups,
    wide_mass,
    windows,
)
from drift.forecast.grid.reading_likelihood import Tables, group_readings
from drift.forecast.grid.state import State, lead_axis, mean_levels, put, take, window_origin
from drift.forecast.grid.visits import Visits
from drift.forecast.grid.weighing import mix, take_in

Watcher = Callable[[int, int, State], None]


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
    ratios: Floats | None = None,
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
    ratios : array, shape (all lives, visits), optional
        Filled, where it is open whether somebody adjusted, with the log of the probability of the
        readings as left after an adjustment over that at the level found.

    Returns
    -------
    State
        After the last visit of each life.
    """
    counts = visits.count[lives]
    state = _open(visits, lives, hyper, grid, tables) if start is None else start
    said = np.empty(visits.years.shape) if ratios is None else ratios
    found, left = (
        group_readings(each[lives], visits.kind[lives], visits.resolutions)
        for each in (visits.found, visits.left)
    )
    for j in range(0 if start is None else 1, int(counts[0])):
        active = int(np.searchsorted(-counts, -j, side="left"))
        if j > 0 and watch is not None:
            watch(j, active, state)
        at = lives[:active]
        read = np.flatnonzero(~np.isnan(visits.found[at, j]).all(axis=1))
        # Time stands still until a reading: without one there is nothing to move a level for.
        leading = read.size > 0 and read[-1] == read.size - 1
        part = lead_axis(state, read.size) if leading else take(state, read)
        if read.size and j > 0:
            _advance(part, visits, at[read], j, hyper=hyper, grid=grid, calm=calm)
        if read.size:
            take_in(part, found.at(read, j), grid=grid, tables=tables)
        if not leading:
            put(state, read, part)
        reset = np.flatnonzero(visits.reset[at, j])
        if reset.size:
            part = take(state, reset)
            _adjust(part, visits, at[reset], j, hyper=hyper, grid=grid)
            take_in(part, left.at(reset, j), grid=grid, tables=tables)
            put(state, reset, part)
        mixed = np.flatnonzero(visits.mixed[at, j])
        if mixed.size:
            part, given = take(state, mixed), left.at(mixed, j)
            said[at[mixed], j] = mix(
                part, visits, at[mixed], j, given, hyper=hyper, grid=grid, tables=tables
            )
            put(state, mixed, part)
        _shift_known(state, visits, at, j, grid=grid)
    return state


def _open(
    visits: Visits, lives: Integers, hyper: HyperParameters, grid: Grid, tables: Tables
) -> State:
    """Return the prior state at the first visit."""
    size = lives.size
    origin = window_origin(visits.found[lives, 0], grid, fallback=np.zeros(size))
    position = grid.step * (origin[:, None] + np.arange(grid.cells)).astype(np.float64)
    start = wide_mass(position, sd=hyper.start_sd, grid=grid)
    fresh = wide_mass(position, sd=hyper.reset_sd, grid=grid)
    level = np.where(visits.fresh[lives][:, None], fresh, start)
    return State(
        mass=(tables.prior[:, :, None] * level[:, None, None, :]).astype(grid.precision),
        origin=origin,
        offset=np.zeros((size, grid.drifts.size)),
        years=visits.years[lives, 0].copy(),
        log_likelihood=np.zeros(size),
    )


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
    """Carry the series of `state` forward to visit `j` of the lives `at`, in place."""
    series, cells, rates = at.size, grid.cells, grid.drifts.size
    elapsed = visits.years[at, j] - state.years
    offset = state.offset + elapsed[:, None] * grid.drifts
    whole = np.rint(offset / grid.step).astype(np.int64)
    state.offset[:] = offset - whole * grid.step
    origin = window_origin(visits.found[at, j], grid, fallback=np.zeros(series))
    moved = origin - state.origin
    # A rate that leaves the window altogether comes back by a shock only, from anywhere.
    limit = (cells + np.abs(moved))[:, None]
    whole = np.minimum(np.maximum(whole, -limit), limit)
    reach = int(np.abs(whole).max())
    shifted = _shift(state.mass, whole, reach)
    jolt = visits.jolt[at, j]
    wander, thrown = _kernels(moved, elapsed, jolt, reach, hyper=hyper, grid=grid)
    for kinds, rate in shock_groups(hyper):
        shock = -np.expm1(-rate * elapsed)
        shock = np.where(jolt, 1.0, shock)[:, None].astype(grid.precision)
        kernel = (1 - shock) * wander
        if not calm:
            kernel += shock * thrown
        elif jolt.any():
            kernel[jolt] = thrown[jolt]
        matrix = np.ascontiguousarray(windows(kernel, cells)[:, ::-1])
        rows = (kinds.stop - kinds.start) * rates
        flat = shifted[:, kinds].reshape(series, rows, cells + 2 * reach)
        np.matmul(flat, matrix, out=state.mass[:, kinds].reshape(series, rows, cells))
    state.origin[:] = origin
    state.years[:] = visits.years[at, j]


def _shift(mass: Masses, whole: Integers, reach: int) -> Masses:
    """Return `mass` in windows wider by `reach` on both sides, rates shifted by `whole` cells."""
    if reach == 0:
        return mass
    series, kinds, rates, cells = mass.shape
    padded = np.zeros((series, kinds, rates, cells + 4 * reach), dtype=mass.dtype)
    padded[..., 2 * reach : 2 * reach + cells] = mass
    each, kind = np.arange(series)[:, None, None], np.arange(kinds)[:, None]
    runs = windows(padded, cells + 2 * reach)
    shifted: Masses = runs[each, kind, np.arange(rates), reach - whole[:, None, :]]
    return shifted


def _kernels(
    moved: Integers,
    elapsed: Floats,
    jolt: NDArray[np.bool_],
    reach: int,
    *,
    hyper: HyperParameters,
    grid: Grid,
) -> tuple[Masses, Masses]:
    """Return where a level goes without and with a shock, shape (series, lags).

    Lags run from the last cell of the old window, wider by `reach` on both sides, to the new one.
    """
    before = grid.cells + 2 * reach
    cells = np.arange(before + grid.cells - 1) - (before - 1) + reach + moved[:, None]
    lag = (grid.step * cells).astype(grid.precision)
    wandered = (hyper.wander**2 * elapsed[:, None]).astype(grid.precision)
    # A jolt is an unrecorded change: a shock for certain, of the spread of a meter's first visit.
    size = np.where(jolt, hyper.start_sd, hyper.shock_size)[:, None].astype(grid.precision)
    thrown = wide_mass(lag, sd=np.sqrt(size**2 + wandered), grid=grid)
    return bell_mass(lag, variance=wandered, step=grid.step), thrown


def _adjust(
    state: State, visits: Visits, at: Integers, j: int, *, hyper: HyperParameters, grid: Grid
) -> None:
    """Put the levels of `state` where the adjustments of the lives `at` put them, in place."""
    left = visits.left[at, j]
    # A jump of known size starts from a level, and only a reading says where that was by now.
    jump = np.where(state.years == visits.years[at, j], visits.jump[at, j], np.nan)
    target = np.zeros(left.shape[0])
    known = np.flatnonzero(~np.isnan(jump))
    if known.size:
        target[known] = mean_levels(take(state, known), grid) + jump[known]
    origin = window_origin(left, grid, fallback=target)
    position = grid.step * (origin[:, None] + np.arange(grid.cells)).astype(np.float64)
    kept = state.mass.sum(axis=3)
    level = wide_mass(position, sd=hyper.reset_sd, grid=grid).astype(grid.precision)
    adjusted = kept[..., None] * level[:, None, None, :]
    offset = np.zeros_like(state.offset)
    if known.size:
        # Where nobody says how well the jump is known, as well as adjustments are.
        sd = visits.jump_sd[at[known], j]
        sd = np.where(np.isnan(sd), hyper.reset_sd, sd)
        adjusted[known], offset[known] = _jumped(
            take(state, known), jump[known], origin[known], sd=sd, grid=grid
        )
    state.mass[:] = adjusted
    state.origin[:] = origin
    state.offset[:] = offset
    state.years[:] = visits.years[at, j]


def _shift_known(state: State, visits: Visits, at: Integers, j: int, *, grid: Grid) -> None:
    """Shift the levels of `state` by what was done after visit `j` of the lives `at`, in place.

    Drift and wander until then add to the level the same whether before or after the jump.
    """
    rows = np.flatnonzero(~np.isnan(visits.later[at, j]))
    if rows.size == 0:
        return
    part, jump = take(state, rows), visits.later[at[rows], j]
    origin = part.origin + np.rint(jump / grid.step).astype(np.int64)
    part.mass[:], part.offset[:] = _jumped(
        part, jump, origin, sd=visits.later_sd[at[rows], j], grid=grid
    )
    part.origin[:] = origin
    put(state, rows, part)


def _jumped(
    state: State, jump: Floats, origin: Integers, *, sd: Floats, grid: Grid
) -> tuple[Masses, Floats]:
    """Return mass and offset of `state` in windows at `origin` after jumps known to `sd`."""
    whole = np.rint(jump / grid.step).astype(np.int64)
    moved = origin - state.origin - whole
    cells = np.arange(2 * grid.cells - 1) - (grid.cells - 1) + moved[:, None]
    kernel = wide_mass(grid.step * cells.astype(np.float64), sd=sd[:, None], grid=grid)
    runs = windows(kernel.astype(grid.precision), grid.cells)
    flat = state.mass.reshape(jump.size, -1, grid.cells)
    jumped: Masses = np.matmul(flat, np.ascontiguousarray(runs[:, ::-1]))
    offset = state.offset + (jump - whole * grid.step)[:, None]
    return jumped.reshape(state.mass.shape), offset
