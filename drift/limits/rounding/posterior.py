"""This module turns weights of centres and spreads into probabilities of new points.

A block's knowledge is a mixture: on the grid below one step of the dial (`grid`), and one normal
law of the centre for every larger spread (`chance`, `level`, `level_variance`).
"""

from dataclasses import dataclass, field

import numpy as np
from scipy.special import ndtr, polygamma

from drift.arrays import Floats, Integers
from drift.limits.rounding.likelihood_grid import Group, Weights, reach_of
from drift.limits.rounding.visit_likelihood import Visit, chance_at_least

# Probability of a spread below which it is left out of sums over new points.
_NEGLIGIBLE = 1e-9
_MOST_DF = 1e6
# Standard deviations from the farthest centre beyond which a new point is not looked for.
_FAR = 6.5
# Lowest spread of replicates, in steps, that new visits are predicted with.  How little replicates
# scatter below this cannot be separated from where in their cells the centres lie (on the mark of a
# dial they never differ), so that the more cautious of the two readings is taken.
_LEAST_WITHIN = 0.2


@dataclass(frozen=True, slots=True)
class SeenTables:
    """Tables made so far for groups whose replicates scatter alike.

    Attributes
    ----------
    chances : dict
        Of `drift.limits.rounding.visit_likelihood.chance_at_least`.
    apart : dict
        Laws of the distance of two means.
    """

    chances: dict[tuple[Visit, float, int], tuple[Floats, Floats, float]] = field(
        default_factory=dict
    )
    apart: dict[tuple[Visit, int], tuple[Floats, Floats, Floats, float]] = field(
        default_factory=dict
    )


@dataclass(frozen=True, slots=True)
class ProcessPosterior:
    """What is held of some blocks with equally many baseline visits; lengths in grid units.

    Attributes
    ----------
    group : Group
    between : bool
        Whether the spread on the grid is that of visits, or of readings without visits.
    centres : array, shape (centres,)
        Grid of centres.
    grid : array, shape (blocks, coarse nodes × centres)
        Probability of each spread and centre.
    chance : array, shape (blocks, kept fine nodes)
        Probability of each larger spread.
    spreads : array, shape (kept fine nodes,)
    level, level_variance : array, shape (blocks, kept fine nodes)
        Law of the centre given the larger spreads.
    seen : SeenTables
    """

    group: Group
    between: bool
    centres: Floats
    grid: Floats
    chance: Floats
    spreads: Floats
    level: Floats
    level_variance: Floats
    seen: SeenTables


@dataclass(frozen=True, slots=True)
class Moments:
    """Moments of a new plotted point, per block, in grid units.

    Attributes
    ----------
    centre, centre_se : array, shape (blocks,)
        Expected value and the standard deviation of that expectation.
    sigma, df : array, shape (blocks,)
        Scale and degrees of freedom of the standard deviation about the centre.
    """

    centre: Floats
    centre_se: Floats
    sigma: Floats
    df: Floats


def process_posterior(
    group: Group,
    weights: Weights,
    probability: Floats,
    *,
    entries: int,
    between: bool,
    seen: SeenTables,
) -> ProcessPosterior:
    """Spread each node's probability over the centres that go with it."""
    coarse = group.coarse
    share = probability[:, :coarse] / np.maximum(weights.mass[:, :coarse], 1e-300)
    grid = (weights.like * share[:, :, None]).reshape(len(probability), -1)
    fine = probability[:, coarse:]
    # Case by case, so that what is said of one does not hang on those beside it.
    fine = np.where(fine > _NEGLIGIBLE, fine, 0.0)
    kept = fine.max(axis=0, initial=0.0) > 0
    reach = reach_of(entries) if coarse else 0
    return ProcessPosterior(
        group=group,
        between=between,
        centres=np.arange(-reach, reach + 1, dtype=float),
        grid=grid,
        chance=fine[:, kept],
        spreads=group.nodes[coarse:][kept],
        level=weights.level[:, kept],
        level_variance=weights.level_variance[:, kept],
        seen=seen,
    )


def within_of(group: Group, visit: Visit) -> float:
    """Return the spread of replicates that new visits of this kind are predicted with."""
    return group.within if visit.replicates == 1 else max(group.within, _LEAST_WITHIN * visit.step)


def plotted_variance(group: Group, spreads: Floats, visit: Visit, *, between: bool) -> Floats:
    """Return the variance of a mean of readings about its centre, rounding as noise."""
    n, rounding = visit.replicates, visit.step**2 / 12
    if between:
        return np.asarray(spreads**2 + (within_of(group, visit) ** 2 + rounding) / n)
    return np.asarray((spreads**2 + rounding) / n)


def _lattice(held: ProcessPosterior, centres: Floats, visit: Visit) -> tuple[Floats, Floats, float]:
    """Return the chances of `chance_at_least` for the coarse nodes of a group."""
    key = (visit, float(centres[0]), len(centres))
    if key not in held.seen.chances:
        held.seen.chances[key] = chance_at_least(
            centres,
            visit,
            spreads=held.group.nodes[: held.group.coarse],
            within=within_of(held.group, visit) if held.between else None,
        )
    return held.seen.chances[key]


def tails(
    held: ProcessPosterior, which: Integers, visit: Visit
) -> tuple[Floats, Floats, Floats, float]:
    """Return the chances that a new mean is at most, and at least, each value it can take.

    Parameters
    ----------
    held : Posterior
    which : array of int, shape (n,)
        Blocks wanted.
    visit : Visit
        Kind of the new visit.

    Returns
    -------
    below, above : array, shape (n, values)
    values : array, shape (values,)
        Grid units from the anchor, ascending.
    spacing : float
    """
    chance, values, spacing = _lattice(held, held.centres, visit)
    coarse = held.group.nodes[: held.group.coarse]
    widest = plotted_variance(held.group, coarse[-1:], visit, between=held.between)
    reach = held.centres[-1] + _FAR * float(np.sqrt(widest.max(initial=0.0))) + visit.step
    near = np.abs(values) <= reach
    grid = held.grid if len(which) == len(held.grid) else held.grid[which]
    table = chance[:, :, near].reshape(grid.shape[1], -1)
    above = np.zeros((len(which), len(values)))
    above[:, near] = grid @ table
    above[:, values < -reach] = grid.sum(axis=1, keepdims=True)
    about = plotted_variance(held.group, held.spreads, visit, between=held.between)
    for node, variance in enumerate(about - spacing**2 / 12):
        share = held.chance[which, node]
        some = np.flatnonzero(share > _NEGLIGIBLE)
        row = which[some]
        scale = np.sqrt(variance + held.level_variance[row, node])[:, None]
        away = (values - spacing / 2 - held.level[row, node][:, None]) / scale
        above[some] += share[some, None] * ndtr(-away)
    below = 1 - np.concatenate([above[:, 1:], np.zeros((len(which), 1))], axis=1)
    return np.maximum(below, 0.0), above, values, spacing


def moments(held: ProcessPosterior, visit: Visit) -> Moments:
    """Return the moments of the mean of a new visit."""
    group = held.group
    coarse = group.nodes[: group.coarse]
    about_grid = plotted_variance(group, coarse, visit, between=held.between)
    about = plotted_variance(group, held.spreads, visit, between=held.between)
    mean_of, variance_of = _moments_on_grid(held, visit)
    on_grid = held.grid.reshape(len(held.grid), len(coarse), len(held.centres)).sum(axis=2)
    centre = held.grid @ mean_of + (held.chance * held.level).sum(axis=1)
    square = held.grid @ mean_of**2 + (held.chance * (held.level**2 + held.level_variance)).sum(
        axis=1
    )
    exact = held.grid @ variance_of + held.chance @ about
    smooth = on_grid @ about_grid + held.chance @ about
    chance = np.concatenate([on_grid, held.chance], axis=1)
    variances = np.concatenate([about_grid, about])
    scale = 1 / np.sqrt(chance @ (1 / variances))
    # Where the centre lies near the edge of a cell, readings scatter more than σ and a uniform
    # rounding error would make them.
    sigma = scale * np.sqrt(np.maximum(exact / smooth, 1.0))
    logs = np.log(variances) / 2
    spread = np.maximum(chance @ logs**2 - (chance @ logs) ** 2, 1 / (2 * _MOST_DF))
    return Moments(
        centre=centre,
        centre_se=np.sqrt(np.maximum(square - centre**2, 0.0)),
        sigma=sigma,
        df=df_of_log_variance(spread),
    )


def move_tails(held: ProcessPosterior, visit: Visit) -> tuple[Floats, Floats, Floats, float]:
    """Return the law of the distance between the means of two new visits.

    Returns
    -------
    above : array, shape (blocks, values)
        Chance of a distance of at least each value.
    mean : array, shape (blocks,)
        Expected distance.
    values : array, shape (values,)
        Distances that can be shown, from 0, grid units.
    spacing : float
    """
    group = held.group
    period = max(round(visit.step), 1)
    phases = np.arange(min(period, len(held.centres)), dtype=float)
    differ, at_least, distances, spacing = _distances(held, phases, visit)
    phase_of = np.mod(held.centres, period).astype(np.int64) % len(phases)
    folded = np.zeros((len(held.grid), group.coarse, len(phases)))
    by_centre = held.grid.reshape(len(held.grid), group.coarse, len(held.centres))
    for phase in range(len(phases)):
        folded[:, :, phase] = by_centre[:, :, phase_of == phase].sum(axis=2)
    flat = folded.reshape(len(held.grid), -1)
    above = flat @ at_least.reshape(-1, len(distances))
    mean = flat @ (differ @ distances).reshape(-1)
    about = plotted_variance(group, held.spreads, visit, between=held.between)
    for node, variance in enumerate(about):
        scale = np.sqrt(2 * variance - spacing**2 / 12)
        tail = np.minimum(2 * ndtr((spacing / 2 - distances) / scale), 1.0)
        above = above + held.chance[:, node, None] * tail
    return above, mean + held.chance @ (2 * np.sqrt(about / np.pi)), distances, spacing


def _distances(
    held: ProcessPosterior, phases: Floats, visit: Visit
) -> tuple[Floats, Floats, Floats, float]:
    """Return the law of the distance of two means of a process by coarse node and centre.

    Chances of each distance and of at least each, (nodes, m, distances), the distances and what
    lies between them.
    """
    key = (visit, len(phases))
    if key not in held.seen.apart:
        chance, values, spacing = _lattice(held, phases, visit)
        single = chance - np.concatenate(
            [chance[:, :, 1:], np.zeros_like(chance[:, :, :1])], axis=2
        )
        distances = np.asarray(np.arange(len(values) // 2) * spacing, float)
        differ = np.empty((single.shape[0], single.shape[1], len(distances)))
        for lag in range(len(distances)):
            overlap = (single[:, :, lag:] * single[:, :, : single.shape[2] - lag]).sum(axis=2)
            differ[:, :, lag] = overlap * (1 if lag == 0 else 2)
        at_least = np.cumsum(differ[:, :, ::-1], axis=2)[:, :, ::-1]
        held.seen.apart[key] = differ, at_least, distances, spacing
    return held.seen.apart[key]


def _moments_on_grid(held: ProcessPosterior, visit: Visit) -> tuple[Floats, Floats]:
    """Return mean and variance of a new point for every coarse node and centre."""
    if not held.group.coarse:
        return np.zeros(held.grid.shape[1]), np.zeros(held.grid.shape[1])
    chance, values, spacing = _lattice(held, held.centres, visit)
    # Sums of tail chances: E(Y) from P(Y ≥ v), E(Y²) from v²'s increments.
    start = values[0]
    mean = start + spacing * chance[:, :, 1:].sum(axis=2)
    steps = values[1:] ** 2 - values[:-1] ** 2
    square = start**2 + chance[:, :, 1:] @ steps
    return mean.reshape(-1), np.maximum(square - mean**2, 0.0).reshape(-1)


def settled(values: Floats) -> Floats:
    """Return numbers to nine significant digits.

    A sum comes out otherwise in its last digits beside other meters than alone: limits must not.
    """
    size = np.where(np.isfinite(values) & (values != 0), np.abs(values), 1.0)
    scale = 10.0 ** (np.floor(np.log10(size)) - 8)
    return np.asarray(np.round(values / scale) * scale)


def df_of_log_variance(variance: Floats) -> Floats:
    """Return the ν with which the logarithm of a standard deviation has this variance.

    References
    ----------
    Var(log s) = ψ'(ν/2)/4 for s² ~ σ²χ²/ν; Newton's method on 1/ψ', which is nearly straight.
    """
    target = 4 * variance
    half = 0.5 + 1 / target
    for _ in range(8):
        trigamma = polygamma(1, half)
        half = half + trigamma * (1 - trigamma / target) / polygamma(2, half)
    return np.asarray(2 * half)
