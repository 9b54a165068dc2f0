"""This module says when levels first leave the tolerance."""

from dataclasses import dataclass

import numpy as np

from drift.arrays import Floats
from drift.forecast.grid.horizon import rowwise
from drift.forecast.grid.model import Grid, HyperParameters, shock_groups
from drift.forecast.grid.rates import Posterior

# Steps of time between which a level is not looked at, years.
_SHORTEST, _LONGEST = 0.01, 0.1
# Levels across the tolerance, and the least wander, as shares of the tolerance.
_FINEST, _CALMEST = 1 / 40, 0.02
# A level seen only every so often leaves a bound as one always seen leaves a bound this many
# standard deviations of a step nearer: −ζ(1/2)/√(2π).
# Source: Broadie, Glasserman and Kou (1997), A continuity correction for discrete barrier options,
# Mathematical Finance 7, 325–349.
_UNSEEN = 0.5826
# Chances are kept at times about this far apart, years, for two years; then at every fourth.
_APART, _SOON = 0.06, 2.0


@dataclass(frozen=True, slots=True)
class Passage:
    """Chance that a level has left the tolerance by some time.

    Attributes
    ----------
    levels : array, shape (levels,)
        Present levels within the tolerance, evenly spaced, % air.
    years : array, shape (times,)
        From the last visit, ascending from 0; sparser later on.
    groups : list of slice and float
        Kinds of one shock factor, and their shocks per year.
    chance : array, shape (groups, levels, rates, times)
        First-passage probability.
    """

    levels: Floats
    years: Floats
    groups: list[tuple[slice, float]]
    chance: Floats


def make_passage(span: float, *, tolerance: float, hyper: HyperParameters, grid: Grid) -> Passage:
    """Compute how soon a level leaves the tolerance, by level and drift rate.

    Parameters
    ----------
    span : float
        Years looked ahead.
    tolerance : float
        Largest bias that passes, % air.
    hyper, grid
        Of the fleet.

    Notes
    -----
    Backward equation of a random walk with drift and shocks between absorbing bounds, in short
    steps on a fine grid: the chance to stay in is 1 now, and a step earlier the mean of what it
    is after the step.
    """
    wander = max(hyper.wander, _CALMEST * tolerance)
    step = float(np.clip((0.8 * _FINEST * tolerance / wander) ** 2, _SHORTEST, _LONGEST))
    blur = wander * np.sqrt(step)
    bound = tolerance - _UNSEEN * blur
    number = int(np.ceil(2 * bound / (blur / 0.8)))
    gap = 2 * bound / number
    levels = -bound + gap * (np.arange(number) + 0.5)
    moved = levels - levels[:, None] - step * grid.drifts[:, None, None]
    calm = _density(moved, blur) * gap
    thrown = _density(moved, float(np.hypot(blur, hyper.shock_size))) * gap
    keep = max(1, int(_APART / step))
    # A longer span adds times and changes none.
    times = 4 * int(np.ceil(span / (4 * step * keep))) + 1
    groups = shock_groups(hyper)
    chance = np.empty((len(groups), number, grid.drifts.size, times))
    for place, (_, rate) in enumerate(groups):
        shock = -np.expm1(-rate * step)
        matrix = (1 - shock) * calm + shock * thrown
        power = np.linalg.matrix_power(matrix, keep)
        stay = np.ones((grid.drifts.size, number, 1))
        for time in range(times):
            chance[place, :, :, time] = 1 - stay[..., 0].T
            stay = power @ stay
    years = step * keep * np.arange(times, dtype=np.float64)
    kept = (years <= _SOON) | (np.arange(times) % 4 == 0)
    return Passage(levels, years[kept], groups, np.clip(chance[..., kept], 0.0, 1.0))


def _density(offset: Floats, sd: float) -> Floats:
    """Return the normal density at `offset`."""
    density: Floats = np.exp(-0.5 * (offset / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
    return density


def crossing_chances(posterior: Posterior, passage: Passage, *, tolerance: float) -> Floats:
    """Return P(the tolerance has been left) by the times of `passage`, shape (series, times)."""
    levels = posterior.levels
    series, cells = levels.shape[:2]
    count, times = passage.levels.size, passage.years.size
    gap = passage.levels[1] - passage.levels[0]
    place = np.rint((levels - passage.levels[0]) / gap).astype(np.int64)
    inside = np.abs(levels) <= tolerance
    row = np.arange(series)[:, None, None] * count + np.clip(place, 0, count - 1)
    index = (row * cells + np.arange(cells)[:, None]).ravel()
    within, still_in = np.zeros((series, times)), np.zeros(series)
    for (kinds, _), chance in zip(passage.groups, passage.chance, strict=True):
        mass = posterior.mass[:, kinds].sum(axis=1, dtype=np.float64)
        weight = np.where(inside, mass, 0.0)
        flat: Floats = np.zeros(series * count * cells)
        flat += np.bincount(index, weights=weight.ravel(), minlength=flat.size)
        within += rowwise(flat.reshape(series, count * cells), chance.reshape(count * cells, times))
        still_in += weight.sum(axis=(1, 2))
    chances: Floats = within + (1 - still_in)[:, None]
    return chances


def crossing_time(chances: Floats, years: Floats, share: float) -> Floats:
    """Return when the chance reaches `share`, years from the last visit, NaN where it does not."""
    reached = chances >= share
    first = np.argmax(reached, axis=1)
    row = np.arange(chances.shape[0])
    high = chances[row, first]
    low = np.where(first > 0, chances[row, first - 1], high)
    before = np.where(first > 0, years[first - 1], years[first])
    part = np.where(high > low, (share - low) / np.where(high > low, high - low, 1.0), 1.0)
    when: Floats = np.where(
        reached.any(axis=1), before + np.clip(part, 0.0, 1.0) * (years[first] - before), np.nan
    )
    return when
