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
from dataclasses import dataclass

import numpy as np

from drift.arrays import Flags, Floats, Integers, Masses
from drift.forecast.grid.model import (
    Grid,
    HyperParameters,
    bell_mass,
    shock_groups,
    wide_mass,
    windows,
)
from drift.forecast.grid.reading_likelihood import Tables
from drift.forecast.grid.route import Route, SeriesRows, Ways, plan_route, ways_of, window_about
from drift.forecast.grid.state import State, lead_axis, mean_levels, put, take
from drift.forecast.grid.visits import Visits
from drift.forecast.grid.weighing import mix, take_in

Watcher = Callable[[int, int, State], None]

# Cells by which a window is widened for levels that move: about a third from one to the next.
_ROOMS = np.array([0, 4, *(part << power for power in range(1, 20) for part in (3, 4))])


@dataclass(frozen=True, slots=True)
class _Course:
    """What a walk goes by: the visits of its series, how they move, grid and tables."""

    route: Route
    ways: Ways
    hyper: HyperParameters
    grid: Grid
    tables: Tables
    calm: bool


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
    ways: Ways | None = None,
) -> State:
    """Filter the histories of `lives`, longest first.

    Parameters
    ----------
    visits : Visits
        The fleet.
    lives : array, shape (series,)
        Positions in `visits`, with counts that do not rise; a life may come several times.
    hyper, grid, tables
        The model, its grid and the tables of both.
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
    ways : Ways, optional
        How each series moves, where not all as `hyper` says; kinds and habit are those of `hyper`.

    Returns
    -------
    State
        After the last visit of each life.
    """
    counts = visits.count[lives]
    ways = ways or ways_of((hyper,), np.zeros(lives.size, dtype=np.int64))
    route = plan_route(visits, lives, grid=grid, table_rows=tables.first_row[ways.place])
    course = _Course(route, ways, hyper, grid, tables, calm)
    state = _open(visits.fresh[lives], course) if start is None else start
    for j in range(0 if start is None else 1, int(counts[0])):
        active = int(np.searchsorted(-counts, -j, side="left"))
        if j > 0 and watch is not None:
            watch(j, active, state)
        _meet(state, active, j, course)
        mixed = np.flatnonzero(route.mixed[:active, j])
        if mixed.size:
            part = take(state, mixed)
            said = mix(
                part,
                route,
                mixed,
                j=j,
                ways=ways.of(mixed),
                habit=hyper.habit,
                grid=grid,
                tables=tables,
            )
            put(state, mixed, part)
            if ratios is not None:
                ratios[lives[mixed], j] = said
        _shift_known(state, active, j, course)
    return state


def _meet(state: State, active: int, j: int, course: _Course) -> None:
    """Take in readings and recorded adjustments at visit `j` of the first series, in place."""
    route, grid, tables = course.route, course.grid, course.tables
    # Time stands still until a reading: without one there is nothing to move a level for.
    read = route.read[:active, j]
    if read.any():
        all_read = bool(read.all())
        rows: SeriesRows = slice(active) if all_read else np.flatnonzero(read)
        part = lead_axis(state, active) if all_read else take(state, np.flatnonzero(read))
        if j > 0:
            _advance(part, rows, j, course)
        place = course.ways.place[rows]
        take_in(part, route.found.at(rows, j), place, grid=grid, tables=tables)
        if not all_read:
            put(state, np.flatnonzero(read), part)
    reset = np.flatnonzero(route.reset[:active, j])
    if reset.size:
        part = take(state, reset)
        _adjust(part, reset, j, course)
        take_in(part, route.left.at(reset, j), course.ways.place[reset], grid=grid, tables=tables)
        put(state, reset, part)


def _open(fresh: Flags, course: _Course) -> State:
    """Return the prior state at the first visit."""
    grid, route = course.grid, course.route
    origin = route.origin[:, 0].copy()
    position = grid.step * (origin[:, None] + np.arange(grid.cells)).astype(np.float64)
    sd = np.where(fresh, course.ways.reset_sd, course.ways.start_sd)
    level = wide_mass(position, sd=sd[:, None], grid=grid)
    prior = course.tables.prior[:, :, None]
    return State(
        mass=(prior * level[:, None, None, :]).astype(grid.precision),
        origin=origin,
        offset=np.zeros((origin.size, grid.drifts.size)),
        years=route.years[:, 0].copy(),
        log_likelihood=np.zeros(origin.size),
    )


@dataclass(frozen=True, slots=True)
class _Carry:
    """How series are carried from visit to visit; arrays of shape (series, …).

    Attributes
    ----------
    elapsed : array
        Years from one to the other.
    moved : array of int
        Cells by which the windows move up.
    whole : array of int, shape (series, rates)
        Cells by which the levels of each rate move up.
    jolt : array of bool
        Something was changed without a record in between.
    ways : Ways
        Of these series.
    """

    elapsed: Floats
    moved: Integers
    whole: Integers
    jolt: Flags
    ways: Ways

    def of(self, rows: Integers) -> "_Carry":
        """Return those of some series."""
        return _Carry(
            elapsed=self.elapsed[rows],
            moved=self.moved[rows],
            whole=self.whole[rows],
            jolt=self.jolt[rows],
            ways=self.ways.of(rows),
        )


def _advance(state: State, rows: SeriesRows, j: int, course: _Course) -> None:
    """Carry the series `rows`, whose state this is, forward to visit `j`, in place."""
    grid, route = course.grid, course.route
    elapsed = route.years[rows, j] - state.years
    offset = state.offset + elapsed[:, None] * grid.drifts
    whole = np.rint(offset * (1 / grid.step)).astype(np.int64)
    state.offset[:] = offset - whole * grid.step
    origin = route.origin[rows, j]
    moved = origin - state.origin
    # A rate that leaves the window altogether comes back by a shock only, from anywhere.
    limit = (grid.cells + np.abs(moved))[:, None]
    whole = np.minimum(np.maximum(whole, -limit), limit)
    carry = _Carry(elapsed, moved, whole, route.jolt[rows, j], course.ways.of(rows))
    # How much room a series gets is its own affair: sums of more terms, though zeros, are rounded
    # otherwise, and no meter may come out otherwise for those that it is worked out with.
    reach = _room(np.abs(whole).max(axis=1))
    most = int(reach.max())
    if (reach == most).all():
        _spread(state.mass, carry, most, course)
    else:
        for each in np.unique(reach):
            some = np.flatnonzero(reach == each)
            mass = state.mass[some]
            _spread(mass, carry.of(some), int(each), course)
            state.mass[some] = mass
    state.origin[:] = origin
    state.years[:] = route.years[rows, j]


def _room(cells: Integers) -> Integers:
    """Return the room for moves by so many cells: few sizes, so that many series share one."""
    return _ROOMS[np.searchsorted(_ROOMS, cells)]


def _spread(mass: Masses, carry: _Carry, reach: int, course: _Course) -> None:
    """Carry masses, none of whose rates moves by more than `reach` cells, in place."""
    series, _, rates, cells = mass.shape
    grid, jolt = course.grid, carry.jolt
    shifted = _shift(mass, carry.whole, reach)
    wander, thrown = _kernels(carry, reach, grid=grid)
    for kinds, _ in shock_groups(course.hyper):
        factor = course.hyper.kinds[kinds.start].shocks
        shock = -np.expm1(-factor * carry.ways.shock_rate * carry.elapsed)
        shock = np.where(jolt, 1.0, shock)[:, None].astype(grid.precision)
        kernel = (1 - shock) * wander
        if not course.calm:
            kernel += shock * thrown
        elif jolt.any():
            kernel[jolt] = thrown[jolt]
        matrix = np.ascontiguousarray(windows(kernel, cells)[:, ::-1])
        many = (kinds.stop - kinds.start) * rates
        flat = shifted[:, kinds].reshape(series, many, cells + 2 * reach)
        np.matmul(flat, matrix, out=mass[:, kinds].reshape(series, many, cells))


def _shift(mass: Masses, whole: Integers, reach: int) -> Masses:
    """Return `mass` in windows wider by `reach` on both sides, rates shifted by `whole` cells."""
    if reach == 0:
        return mass
    series, kinds, rates, cells = mass.shape
    wide = cells + 4 * reach
    padded = np.zeros((series, kinds, rates, wide), dtype=mass.dtype)
    padded[..., 2 * reach : 2 * reach + cells] = mass
    starts = wide * np.arange(series * kinds * rates).reshape(series, kinds, rates)
    starts += (reach - whole)[:, None]
    shifted: Masses = windows(padded.reshape(-1), cells + 2 * reach)[starts]
    return shifted


def _kernels(carry: _Carry, reach: int, *, grid: Grid) -> tuple[Masses, Masses]:
    """Return where a level goes without and with a shock, shape (series, lags).

    Lags run from the last cell of the old window, wider by `reach` on both sides, to the new one.
    """
    before, ways = grid.cells + 2 * reach, carry.ways
    cells = np.arange(before + grid.cells - 1) - (before - 1) + reach + carry.moved[:, None]
    lag = (grid.step * cells).astype(grid.precision)
    wandered = (ways.wander**2 * carry.elapsed)[:, None].astype(grid.precision)
    # A jolt is an unrecorded change: a shock for certain, of the spread of a meter's first visit.
    size = np.where(carry.jolt, ways.start_sd, ways.shock_size)[:, None].astype(grid.precision)
    thrown = wide_mass(lag, sd=np.sqrt(size**2 + wandered), grid=grid)
    return bell_mass(lag, variance=wandered, step=grid.step), thrown


def _adjust(state: State, rows: Integers, j: int, course: _Course) -> None:
    """Put the levels of `state` where the adjustments of the series `rows` put them, in place."""
    route, grid = course.route, course.grid
    years, reset_sd = route.years[rows, j], course.ways.reset_sd[rows]
    # A jump of known size starts from a level, and only a reading says where that was by now.
    jump = np.where(state.years == years, route.jump[rows, j], np.nan)
    target = np.zeros(rows.size)
    known = np.flatnonzero(~np.isnan(jump))
    if known.size:
        target[known] = mean_levels(take(state, known), grid) + jump[known]
    left = route.left_mean[rows, j]
    origin = window_about(np.where(np.isnan(left), target, left), grid)
    position = grid.step * (origin[:, None] + np.arange(grid.cells)).astype(np.float64)
    level = wide_mass(position, sd=reset_sd[:, None], grid=grid).astype(grid.precision)
    adjusted = state.mass.sum(axis=3)[..., None] * level[:, None, None, :]
    offset = np.zeros_like(state.offset)
    if known.size:
        # Where nobody says how well the jump is known, as well as adjustments are.
        sd = route.jump_sd[rows[known], j]
        sd = np.where(np.isnan(sd), reset_sd[known], sd)
        adjusted[known], offset[known] = _jumped(
            take(state, known), jump[known], origin[known], sd=sd, grid=grid
        )
    state.mass[:] = adjusted
    state.origin[:] = origin
    state.offset[:] = offset
    state.years[:] = years


def _shift_known(state: State, active: int, j: int, course: _Course) -> None:
    """Shift the levels of the first series by what was done after visit `j`, in place.

    Drift and wander until then add to the level the same whether before or after the jump.
    """
    route, grid = course.route, course.grid
    rows = np.flatnonzero(~np.isnan(route.later[:active, j]))
    if rows.size == 0:
        return
    part, jump = take(state, rows), route.later[rows, j]
    origin = part.origin + np.rint(jump / grid.step).astype(np.int64)
    part.mass[:], part.offset[:] = _jumped(
        part, jump, origin, sd=route.later_sd[rows, j], grid=grid
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
