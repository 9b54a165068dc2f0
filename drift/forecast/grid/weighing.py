"""This module weighs levels by readings, and by whether somebody adjusted; no time passes.

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

from drift.arrays import Floats, Integers
from drift.forecast.grid.model import Grid, HyperParameters, Masses, wide_mass, windows
from drift.forecast.grid.reading_likelihood import Groups, Tables, reading_chances
from drift.forecast.grid.state import State, window_origin
from drift.forecast.grid.visits import Visits

# Below this the likelihood of one visit is numerical dust; it is counted as this and the series'
# window refilled from the prior.
_DUST = 1e-30
# What a cell keeps at least: numbers so small that the processor would slow down say nothing.
_LEAST = 1e-34


def take_in(state: State, groups: Groups, *, grid: Grid, tables: Tables) -> None:
    """Multiply the series of `state` by the probability of their readings, in place."""
    base = state.origin[:, None] * grid.step + state.offset
    _weigh(state.mass, base, groups, grid=grid, tables=tables)
    # Without a reading the total is what the window kept of the level, no evidence.
    gained = _normalise(state, grid=grid, tables=tables)
    state.log_likelihood += np.where(np.isnan(groups.middle[:, 0]), 0.0, gained)


def _weigh(mass: Masses, base: Floats, groups: Groups, *, grid: Grid, tables: Tables) -> None:
    """Multiply masses in windows at `base`, shape (series, rates), by readings, in place."""
    look = partial(reading_chances, base, groups, grid=grid, tables=tables)
    if tables.shared is None:
        for at, chance in look(margin=0):
            mass[at] *= chance
        return
    width = tables.shared.shape[0]
    product = np.ones((*mass.shape[:3], width), dtype=mass.dtype)
    for at, chance in look(margin=(width - grid.cells) // 2):
        product[at] *= chance
    flat = product.reshape(mass.shape[0], -1, width)
    mass *= np.matmul(flat, tables.shared).reshape(mass.shape)


def _normalise(state: State, *, grid: Grid, tables: Tables) -> Floats:
    """Make the mass of each series sum to 1, in place; return the logarithm of what it was."""
    mass = state.mass
    total = mass.sum(axis=(1, 2, 3)).astype(np.float64)
    lost = total < _DUST
    if lost.any():
        mass[lost] = tables.prior[:, :, None] * (_DUST / grid.cells)
        total = np.where(lost, _DUST, total)
    mass *= (1 / total).astype(mass.dtype)[:, None, None, None]
    np.maximum(mass, mass.dtype.type(_LEAST), out=mass)
    gained: Floats = np.log(total)
    return gained


def mix(
    state: State,
    visits: Visits,
    at: Integers,
    j: int,
    left: Groups,
    *,
    hyper: HyperParameters,
    grid: Grid,
    tables: Tables,
) -> Floats:
    """Take in readings as left of which nobody knows whether they followed an adjustment, in place.

    Returns
    -------
    array, shape (series,)
        Log of their probability after an adjustment over that at the level found.
    """
    after = window_origin(visits.left[at, j], grid, fallback=np.zeros(at.size))
    same, totals = state.mass.copy(), []
    fresh = _put_anew(state, after, hyper=hyper, grid=grid)
    for mass, origin in ((same, state.origin), (fresh, after)):
        base = origin[:, None] * grid.step + state.offset
        _weigh(mass, base, left, grid=grid, tables=tables)
        totals.append(np.maximum(mass.sum(axis=(1, 2, 3)).astype(np.float64), _DUST))
    ratio: Floats = np.log(totals[1] / totals[0])
    odds = ratio + visits.odds[at, j] + special.logit(hyper.habit.share(visits.off[at, j]))
    share = special.expit(odds - ratio).astype(grid.precision)[:, None, None, None]
    apart = after - state.origin
    # Midway between the windows of both readings, either level is inside; of two that lie too far
    # apart for that, the likelier one is kept.
    kept = np.where(odds > 0, apart, 0)
    moved = np.where(np.abs(apart) <= grid.cells // 2, apart // 2, kept)
    state.mass[:] = share * _moved(fresh, moved - apart) + (1 - share) * _moved(same, moved)
    state.origin += moved
    state.years[:] = visits.years[at, j]
    state.log_likelihood += _normalise(state, grid=grid, tables=tables)
    return ratio


def _put_anew(state: State, origin: Integers, *, hyper: HyperParameters, grid: Grid) -> Masses:
    """Return the mass of `state` with levels as adjustments leave them, in windows at `origin`."""
    base = origin[:, None] * grid.step + state.offset
    level = base[:, :, None] + grid.step * np.arange(grid.cells)
    put = wide_mass(level, sd=hyper.reset_sd, grid=grid).astype(grid.precision)
    fresh: Masses = state.mass.sum(axis=3)[..., None] * put[:, None]
    return fresh


def _moved(mass: Masses, whole: Integers) -> Masses:
    """Return `mass` in windows that begin `whole` cells higher."""
    cells = mass.shape[3]
    whole = np.clip(whole, -cells, cells)
    reach = int(np.abs(whole).max(initial=0))
    if reach == 0:
        return mass.copy()
    padded = np.zeros((*mass.shape[:3], cells + 2 * reach), dtype=mass.dtype)
    padded[..., reach : reach + cells] = mass
    runs = windows(padded, cells)
    moved = runs[np.arange(whole.size), :, :, reach + whole]
    return np.ascontiguousarray(moved, dtype=mass.dtype)  # type: ignore[return-value]  # its own type
