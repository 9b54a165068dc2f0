"""This module moves what is known of one series along a fixed lattice of levels.

The filter's windows follow a series forward.  To look back, what came before and what came after
must meet on the same levels, so that here the window stays and is as wide as the readings need.
As in the filter, each drift rate carries an offset of its own, so that drifting smears nothing.
"""

from dataclasses import dataclass

import numpy as np

from drift.arrays import Floats, Integers
from drift.forecast.grid.model import (
    Grid,
    HyperParameters,
    bell_mass,
    cell_probability,
    shock_groups,
    wide_mass,
)
from drift.forecast.grid.state import State


@dataclass(frozen=True, slots=True)
class Lattice:
    """Levels on which one series is followed.

    Attributes
    ----------
    hyper, grid
        The model and the filter's grid: step, drift rates, tails.
    bottom : float
        Level of the first cell without its rate's offset, % air.
    cells : int
        Cells.
    start : float
        Time at which the offsets were `offset`, `t_years`.
    offset : array, shape (rates,)
        What was added to the levels of each rate then, % air.
    """

    hyper: HyperParameters
    grid: Grid
    bottom: float
    cells: int
    start: float
    offset: Floats

    def offsets(self, time: float) -> tuple[Integers, Floats]:
        """Return the offset of each rate at `time`: whole cells, and what is left, % air."""
        total = self.offset + self.grid.drifts * (time - self.start)
        whole = np.rint(total / self.grid.step).astype(np.int64)
        return whole, total - whole * self.grid.step

    def levels(self, time: float) -> Floats:
        """Return the level of each cell at `time`, % air, shape (rates, cells)."""
        _, rest = self.offsets(time)
        levels: Floats = self.bottom + self.grid.step * np.arange(self.cells) + rest[:, None]
        return levels

    def lags(self, shift: float) -> Floats:
        """Return how far each cell lies above each other one less `shift`, shape (from, to)."""
        cell = np.arange(self.cells)
        lags: Floats = self.grid.step * (cell - cell[:, None]).astype(np.float64) - shift
        return lags


def make_lattice(
    state: State, low: float, high: float, *, hyper: HyperParameters, grid: Grid
) -> tuple[Lattice, Floats]:
    """Return a lattice from `low` to `high` at least, and the mass of `state` (one series) on it.

    Mass beyond the lattice is left out; the rest sums to 1, shape (kinds, rates, cells).
    """
    origin = int(state.origin[0])
    below = max(0, origin - int(np.floor(low / grid.step)))
    above = max(0, int(np.ceil(high / grid.step)) - origin - grid.cells)
    lattice = Lattice(
        hyper=hyper,
        grid=grid,
        bottom=grid.step * (origin - below),
        cells=below + grid.cells + above,
        start=float(state.years[0]),
        offset=state.offset[0].copy(),
    )
    mass = np.zeros((*state.mass.shape[1:3], lattice.cells))
    mass[:, :, below : below + grid.cells] = state.mass[0]
    return lattice, mass / mass.sum()


@dataclass(frozen=True, slots=True)
class Carry:
    """Time that passes without a reading.

    Attributes
    ----------
    shift : array, shape (rates,)
        Whole cells that each rate moves up.
    kernels : tuple of (slice, array of shape (cells, cells))
        What wander and shocks do to each group of kinds; symmetric.
    """

    shift: Integers
    kernels: tuple[tuple[slice, Floats], ...]

    def ahead(self, mass: Floats) -> Floats:
        """Return `mass`, shape (…, kinds, rates, cells), after the time has passed."""
        return self._blurred(_shifted(mass, self.shift))

    def back(self, message: Floats) -> Floats:
        """Return the probability of what comes later from before the time."""
        return _shifted(self._blurred(message), -self.shift)

    def _blurred(self, mass: Floats) -> Floats:
        made = np.empty_like(mass)
        for kinds, kernel in self.kernels:
            made[..., kinds, :, :] = mass[..., kinds, :, :] @ kernel
        return made


def carry(lattice: Lattice, time: float, until: float, *, shock: float | None = None) -> Carry:
    """Return what the time between does.

    Parameters
    ----------
    lattice : Lattice
        Of the series.
    time, until : float
        From and to, `t_years`.
    shock : float, optional
        Probability that a shock falls into it, whatever the kind; by default from the rates.
    """
    elapsed, hyper, grid = until - time, lattice.hyper, lattice.grid
    shift = lattice.offsets(until)[0] - lattice.offsets(time)[0]
    lags = lattice.lags(0.0)
    variance = hyper.wander**2 * elapsed
    wander = bell_mass(lags, variance=np.float64(variance), step=grid.step)
    thrown = wide_mass(lags, sd=float(np.sqrt(hyper.shock_size**2 + variance)), grid=grid)
    kernels = []
    for kinds, rate in shock_groups(hyper):
        share = -np.expm1(-rate * elapsed) if shock is None else shock
        kernels.append((kinds, (1 - share) * wander + share * thrown))
    return Carry(shift, tuple(kernels))


def _shifted(mass: Floats, shift: Integers) -> Floats:
    """Return `mass` with each rate moved up by whole cells; what leaves the lattice is lost."""
    moved = np.zeros_like(mass)
    cells = mass.shape[-1]
    for rate, by in enumerate(shift):
        if by == 0:
            moved[..., rate, :] = mass[..., rate, :]
        elif 0 < by < cells:
            moved[..., rate, by:] = mass[..., rate, :-by]
        elif -cells < by < 0:
            moved[..., rate, :by] = mass[..., rate, -by:]
    return moved


def reading_likelihood(
    lattice: Lattice, time: float, readings: Floats, *, resolution: float
) -> Floats:
    """Return the probability of readings at each level, shape (kinds, rates, cells).

    `readings` may hold NaN for none; the shape is right to be multiplied with a mass.
    """
    hyper, grid = lattice.hyper, lattice.grid
    levels = lattice.levels(time)
    made = np.ones((len(hyper.kinds), *levels.shape))
    known = readings[~np.isnan(readings)]
    for place, kind in enumerate(hyper.kinds):
        for reading in known:
            shown = cell_probability(
                levels - reading, resolution=resolution, sd=kind.noise * hyper.noise_sd
            )
            made[place] *= (1 - grid.outlier) * shown + grid.outlier * min(1.0, resolution)
    if known.size and hyper.visit_sd > 0:
        kernel = bell_mass(
            lattice.lags(0.0), variance=np.float64(hyper.visit_sd**2), step=grid.step
        )
        made = made @ kernel
    return made
