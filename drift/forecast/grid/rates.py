"""This module reads between the drift rates of a grid.

Given its drift rate a series is filtered alone, so that the filter's answer is a smooth function
of the rate, known at the grid's rates.  Long histories know the rate to a fraction of the grid's
distance; between rates the logarithm of the posterior is then close to a parabola, and the level
close to a straight line, through what neighbouring rates say.
"""

from dataclasses import dataclass, replace

import numpy as np

from drift.arrays import Floats, Integers, Masses
from drift.forecast.grid.model import Grid, HyperParameters, shock_groups
from drift.forecast.grid.state import State, state_levels

_PARTS = 8
# Rates less probable than this beside their best neighbour have rows of rounding dust.
_DUST = 1e-25


@dataclass(frozen=True, slots=True)
class Between:
    """How the posterior runs inside the cell of each drift rate; arrays of shape (…, rates).

    Attributes
    ----------
    factor : array
        Mass of the cell over what the value at its middle makes of it.
    shift : array
        Mean rate in the cell less its middle, in steps.
    variance : array
        Variance of the rate in the cell, squared steps.
    """

    factor: Floats
    shift: Floats
    variance: Floats


def between_rates(log_mass: Floats) -> Between:
    """Interpolate between rates.

    Parameters
    ----------
    log_mass : array, shape (…, rates)
        Logarithm of the posterior or the likelihood at each rate of a grid, the first of which is
        0 and stands for itself; the others are evenly spaced.

    Notes
    -----
    A parabola through each rate and its neighbours, integrated over the cell by the midpoint rule
    in eight parts; the outermost cells are left as they are.
    """
    slab = log_mass[..., 1:]
    slope, bend = np.zeros_like(slab), np.zeros_like(slab)
    slope[..., 1:-1] = (slab[..., 2:] - slab[..., :-2]) / 2
    bend[..., 1:-1] = np.minimum(slab[..., 2:] - 2 * slab[..., 1:-1] + slab[..., :-2], 0.0)
    parts = (np.arange(_PARTS) + 0.5) / _PARTS - 0.5
    curve = np.exp(np.minimum(slope[..., None] * parts + bend[..., None] * parts**2 / 2, 80.0))
    total = curve.sum(axis=-1)
    shift = (curve * parts).sum(axis=-1) / total
    variance = (curve * parts**2).sum(axis=-1) / total - shift**2 + 1 / (12 * _PARTS**2)
    alone = np.zeros((*slab.shape[:-1], 1))
    return Between(
        factor=np.concatenate([alone + 1.0, total / _PARTS], axis=-1),
        shift=np.concatenate([alone, shift], axis=-1),
        variance=np.concatenate([alone, variance], axis=-1),
    )


@dataclass(frozen=True, slots=True)
class Rates:
    """The drift rates of a block of series; arrays of shape (series, rates).

    Attributes
    ----------
    weight : array
        Posterior probability of each rate's cell.
    mean : array
        Mean rate in it, % air per year.
    variance : array
        Variance of the rate in it.
    level : array
        Mean level given the rate is in it, % air.
    lean : array
        How the level rises with the rate, years.
    """

    weight: Floats
    mean: Floats
    variance: Floats
    level: Floats
    lean: Floats


@dataclass(frozen=True, slots=True)
class Posterior:
    """What is known of a block of series, read between the rates of the grid.

    Attributes
    ----------
    rates : Rates
        Drift rates.
    levels : array, shape (series, rates, cells)
        Levels, % air.
    mass : array, shape (series, kinds, rates, cells)
        Their probability; sums to 1 over each series.
    middle : array, shape (series,)
        Level about which they lie, % air.
    """

    rates: Rates
    levels: Floats
    mass: Masses
    middle: Floats


def take_posterior(posterior: Posterior, rows: Integers) -> Posterior:
    """Return some series of a block; the block itself where all are asked for."""
    if rows.size == posterior.middle.size:
        return posterior
    return Posterior(
        rates=Rates(
            weight=posterior.rates.weight[rows],
            mean=posterior.rates.mean[rows],
            variance=posterior.rates.variance[rows],
            level=posterior.rates.level[rows],
            lean=posterior.rates.lean[rows],
        ),
        levels=posterior.levels[rows],
        mass=posterior.mass[rows],
        middle=posterior.middle[rows],
    )


def join_kinds(posterior: Posterior, hyper: HyperParameters) -> Posterior:
    """Return `posterior` with kinds of one shock factor joined: their levels go the same way."""
    joined = [posterior.mass[:, kinds].sum(axis=1) for kinds, _ in shock_groups(hyper)]
    return replace(posterior, mass=np.stack(joined, axis=1))


def read_posterior(state: State, grid: Grid) -> Posterior:
    """Describe the posterior of levels and drift rates, read between the rates of the grid."""
    levels = state_levels(state, grid)
    mass = state.mass.sum(axis=1, dtype=np.float64)
    weight = np.maximum(mass.sum(axis=2), 1e-300)
    middle = (mass * levels).sum(axis=2) / weight
    between = between_rates(np.log(weight))
    lean = np.zeros_like(weight)
    slab, there = middle[:, 1:], weight[:, 1:] > _DUST
    known = there[:, 1:-1] & there[:, 2:] & there[:, :-2]
    rise = (slab[:, 2:] - slab[:, :-2]) / (2 * grid.rate_step)
    lean[:, 2:-1] = np.where(known, np.maximum(rise, 0.0), 0.0)
    cells = weight * between.factor
    total = cells.sum(axis=1, keepdims=True)
    off_middle = between.shift * grid.rate_step
    rates = Rates(
        weight=cells / total,
        mean=grid.drifts + off_middle,
        variance=between.variance * grid.rate_step**2,
        level=middle + lean * off_middle,
        lean=lean,
    )
    stretch = (between.factor / total).astype(state.mass.dtype)
    return Posterior(
        rates=rates,
        levels=levels + (lean * off_middle)[:, :, None],
        mass=state.mass * stretch[:, None, :, None],
        middle=grid.step * (state.origin + grid.cells // 2).astype(np.float64),
    )
