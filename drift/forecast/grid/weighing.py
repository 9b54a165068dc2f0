"""This module weighs levels by readings, and by whether somebody adjusted.

Where readings as found and as left stand side by side without a record of work, nobody knows
whether the same level was read again or the meter was adjusted.  Both are followed: with
probability π the level is that of an adjustment, else the one found, and ::

    π / (1 − π) = s / (1 − s) · P(left | adjusted) / P(left | same level)

with s the share of such visits at which the laboratory adjusts, known by how far off it found the
meter (`drift.forecast.grid.model.Habit`).  The other points of the visit have their say in s.
"""

from functools import partial

import numpy as np
from scipy import special

from drift.arrays import Floats, Integers, Masses
from drift.forecast.grid.model import Grid, Habit, wide_mass, windows
from drift.forecast.grid.reading_likelihood import Groups, Tables, reading_chances
from drift.forecast.grid.route import Route, Ways, window_about
from drift.forecast.grid.state import State

# Below this the likelihood of one visit is numerical dust; it is counted as this and the series'
# window refilled from the prior.
_DUST = 1e-30
# What each cell gets.  Carried forward it stays above what the processor works with slowly (single
# precision below 1e-38), which would double the time of a walk; more than this would show in what
# is read between drift rates that are all but ruled out.
_LEAST = 1e-30


def take_in(state: State, groups: Groups, place: Integers, *, grid: Grid, tables: Tables) -> None:
    """Multiply the series of `state` by the probability of their readings, in place.

    Parameters
    ----------
    state : State
        Of some series.
    groups : Groups
        Their readings.
    place : array, shape (series,)
        Position of their hyper-parameters among those of `tables`.
    grid, tables
        Of the filter.
    """
    base = state.origin[:, None] * grid.step + state.offset
    _weigh(state.mass, base, groups, place=place, grid=grid, tables=tables)
    # Without a reading the total is what the window kept of the level, no evidence.
    gained = _normalise(state, grid=grid, tables=tables)
    state.log_likelihood += np.where(np.isnan(groups.middle[:, 0]), 0.0, gained)


def _weigh(
    mass: Masses, base: Floats, groups: Groups, *, place: Integers, grid: Grid, tables: Tables
) -> None:
    """Multiply masses in windows at `base`, shape (series, rates), by readings, in place."""
    look = partial(reading_chances, base, groups, grid=grid, tables=tables)
    if tables.shared is None:
        for at, chance in look(margin=0):
            for kind, noise in enumerate(tables.noise):
                mass[at, kind] *= chance[:, noise]
        return
    series, _, rates, cells = mass.shape
    width, noises = tables.shared.shape[-2], tables.reading.shape[2]
    product = np.ones((series, noises, rates, width), dtype=mass.dtype)
    for at, chance in look(margin=(width - cells) // 2):
        product[at] *= chance
    flat, matrix = product.reshape(series, -1, width), tables.matrix[place]
    chance = np.matmul(flat, tables.shared[0])
    for number in range(1, tables.shared.shape[0]):
        rows = np.flatnonzero(matrix == number)
        chance[rows] = np.matmul(flat[rows], tables.shared[number])
    chance = chance.reshape(series, noises, rates, cells)
    for kind, noise in enumerate(tables.noise):
        mass[:, kind] *= chance[:, noise]


def _normalise(state: State, *, grid: Grid, tables: Tables) -> Floats:
    """Make the mass of each series sum to 1, in place; return the logarithm of what it was."""
    mass = state.mass
    total = mass.sum(axis=(1, 2, 3)).astype(np.float64)
    lost = total < _DUST
    if lost.any():
        mass[lost] = tables.prior[:, :, None] * (_DUST / grid.cells)
        total = np.where(lost, _DUST, total)
    mass *= (1 / total).astype(mass.dtype)[:, None, None, None]
    mass += mass.dtype.type(_LEAST)
    gained: Floats = np.log(total)
    return gained


def mix(
    state: State,
    route: Route,
    rows: Integers,
    *,
    j: int,
    ways: Ways,
    habit: Habit,
    grid: Grid,
    tables: Tables,
) -> Floats:
    """Take in readings as left of which nobody knows whether they followed an adjustment, in place.

    Returns
    -------
    array, shape (series,)
        Log of their probability after an adjustment over that at the level found.
    """
    after, left = window_about(route.left_mean[rows, j], grid), route.left.at(rows, j)
    same, totals = state.mass.copy(), []
    fresh = _put_anew(state, after, ways=ways, grid=grid)
    for mass, origin in ((same, state.origin), (fresh, after)):
        base = origin[:, None] * grid.step + state.offset
        _weigh(mass, base, left, place=ways.place, grid=grid, tables=tables)
        totals.append(np.maximum(mass.sum(axis=(1, 2, 3)).astype(np.float64), _DUST))
    ratio: Floats = np.log(totals[1] / totals[0])
    odds = ratio + route.odds[rows, j] + special.logit(habit.share(route.off[rows, j]))
    share = special.expit(odds - ratio).astype(grid.precision)[:, None, None, None]
    apart = after - state.origin
    # Midway between the windows of both readings, either level is inside; of two that lie too far
    # apart for that, the likelier one is kept.
    kept = np.where(odds > 0, apart, 0)
    moved = np.where(np.abs(apart) <= grid.cells // 2, apart // 2, kept)
    state.mass[:] = share * _moved(fresh, moved - apart) + (1 - share) * _moved(same, moved)
    state.origin += moved
    state.years[:] = route.years[rows, j]
    state.log_likelihood += _normalise(state, grid=grid, tables=tables)
    return ratio


def _put_anew(state: State, origin: Integers, *, ways: Ways, grid: Grid) -> Masses:
    """Return the mass of `state` with levels as adjustments leave them, in windows at `origin`."""
    base = origin[:, None] * grid.step + state.offset
    level = (base[:, :, None] + grid.step * np.arange(grid.cells)).astype(grid.precision)
    sd = ways.reset_sd[:, None, None].astype(grid.precision)
    put = wide_mass(level, sd=sd, grid=grid)
    fresh: Masses = state.mass.sum(axis=3)[..., None] * put[:, None]
    return fresh


def _moved(mass: Masses, whole: Integers) -> Masses:
    """Return `mass` in windows that begin `whole` cells higher."""
    series, kinds, rates, cells = mass.shape
    whole = np.clip(whole, -cells, cells)
    reach = int(np.abs(whole).max(initial=0))
    if reach == 0:
        return mass
    wide = cells + 2 * reach
    padded = np.zeros((series, kinds, rates, wide), dtype=mass.dtype)
    padded[..., reach : reach + cells] = mass
    starts = wide * np.arange(series * kinds * rates).reshape(series, kinds, rates)
    moved: Masses = windows(padded.reshape(-1), cells)[starts + (reach + whole)[:, None, None]]
    return moved
