"""This module holds what is known of a block of series on windows of levels."""

from dataclasses import dataclass

import numpy as np

from drift.arrays import Floats, Integers, Masses
from drift.forecast.grid.model import Grid


@dataclass(slots=True)
class State:
    """What is known of a block of series after the readings so far.

    Attributes
    ----------
    mass : array, shape (series, kinds, rates, cells)
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

    mass: Masses
    origin: Integers
    offset: Floats
    years: Floats
    log_likelihood: Floats


def take(state: State, rows: Integers) -> State:
    """Return a copy of some series of a block."""
    return State(
        mass=state.mass[rows],
        origin=state.origin[rows],
        offset=state.offset[rows],
        years=state.years[rows],
        log_likelihood=state.log_likelihood[rows],
    )


def lead_axis(state: State, number: int) -> State:
    """Return the first series of a block, sharing its arrays."""
    return State(
        mass=state.mass[:number],
        origin=state.origin[:number],
        offset=state.offset[:number],
        years=state.years[:number],
        log_likelihood=state.log_likelihood[:number],
    )


def put(state: State, rows: Integers, part: State) -> None:
    """Write some series of a block back."""
    state.mass[rows] = part.mass
    state.origin[rows] = part.origin
    state.offset[rows] = part.offset
    state.years[rows] = part.years
    state.log_likelihood[rows] = part.log_likelihood


def state_levels(state: State, grid: Grid) -> Floats:
    """Return the level of each cell, % air, shape (series, rates, cells)."""
    cells = (state.origin[:, None, None] + np.arange(grid.cells)) * grid.step
    levels: Floats = cells + state.offset[:, :, None]
    return levels


def mean_levels(state: State, grid: Grid) -> Floats:
    """Return the posterior mean of each level, % air, shape (series,)."""
    mass = state.mass.sum(axis=1, dtype=np.float64)
    mean: Floats = (mass * state_levels(state, grid)).sum(axis=(1, 2)) / mass.sum(axis=(1, 2))
    return mean
