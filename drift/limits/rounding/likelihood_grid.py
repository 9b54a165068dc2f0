"""This module weighs centres and spreads of processes by their baselines.

A *group* holds blocks of similar meters read to one step.  Spreads lie on a grid; below one step of
the dial, centres do too (`Weights.like`), above it the centre given the spread is normal and is
kept as mean and variance.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.arrays import Floats, Integers
from drift.limits.rounding.observations import Patterns
from drift.limits.rounding.pooling import (
    FEWEST_DF,
    FEWEST_METERS,
    Population,
    learn_population,
    own_spread,
    unlike,
)
from drift.limits.rounding.visit_likelihood import PER_STEP, Shapes

# Cases weighed at once, which bounds the memory.
_CHUNK = 2000
# Entries times spreads of the cases weighed at once, for long baselines.
_MOST_CELLS = 20_000_000
# Grid points beyond which a reading is as far as can be told.
_FAR = 1 << 18


@dataclass(frozen=True, slots=True)
class Entries:
    """Baseline visits of one group, in order of block.

    Attributes
    ----------
    block : array, shape (entries,)
        Place of its block in the group.
    lowest, mean : array, shape (entries,)
        Lowest reading on the grid (a whole number), and centre of the visit's likelihood.
    pattern : array, shape (entries,)
        Its shape.
    """

    block: Integers
    lowest: Integers
    mean: Floats
    pattern: Integers


@dataclass(frozen=True, slots=True)
class Group:
    """Blocks of similar meters and the grid that they are weighed on; lengths in units of the grid.

    Attributes
    ----------
    blocks : array, shape (group,)
        Which blocks of the baseline.
    unit : float
        Length of one grid unit in the unit of the values.
    anchors : array, shape (group,)
        Where the grid of each block has its 0, in the unit of the values.
    nodes : array, shape (nodes,)
        Spreads.
    coarse : int
        How many of the lowest `nodes` need a grid of centres; 0 for a finely read group.
    within : float
        Spread of replicates.
    within_known : bool
        False where replicates agree so closely that `within` is only a bound.
    patterns, shapes, table
        Shapes of visits and their likelihoods.
    entries : Entries
        The baseline visits themselves.
    """

    blocks: Integers
    unit: float
    anchors: Floats
    nodes: Floats
    coarse: int
    within: float
    within_known: bool
    patterns: Patterns
    shapes: Shapes
    table: NDArray[np.float32]
    entries: Entries


@dataclass(frozen=True, slots=True)
class CasePart:
    """Blocks of a group with equally many entries; blocks that look alike are one case.

    Attributes
    ----------
    members, case : array of int, shape (members,)
        Place of each block in the group, and its case.
    entries : int
        Entries of every block.
    lowest, mean, pattern : array, shape (cases, entries)
        As in `Entries`.
    typical : array of int, shape (cases,)
        Replicates of a typical point.
    before : array of int, shape (cases,)
        Entries that similar meters' law was already learnt from.
    residual : array, shape (members,)
        How far the block's entries lie above the grid points they were set to, on average.
    """

    members: Integers
    case: Integers
    entries: int
    lowest: Integers
    mean: Floats
    pattern: Integers
    typical: Integers
    before: Integers
    residual: Floats

    def only(self, rows: Integers) -> "CasePart":
        """Return the part that holds only some members, by their rows."""
        cases, case = np.unique(self.case[rows], return_inverse=True)
        return self.renumbered(rows, cases, case)

    def renumbered(self, rows: Integers, cases: Integers, case: Integers) -> "CasePart":
        """Return some members, whose new cases are copies of old ones.

        Parameters
        ----------
        rows : array of int, shape (members,)
            Members kept.
        cases : array of int, shape (new cases,)
            Old case of each new one.
        case : array of int, shape (members,)
            New case of each member.
        """
        return CasePart(
            members=self.members[rows],
            case=case,
            entries=self.entries,
            lowest=self.lowest[cases],
            mean=self.mean[cases],
            pattern=self.pattern[cases],
            typical=self.typical[cases],
            before=self.before[cases],
            residual=self.residual[rows],
        )

    def of(self, cases: Integers) -> "CasePart":
        """Return the part that holds only some cases, ascending."""
        place = np.searchsorted(cases, self.case)
        mine = np.flatnonzero(cases[np.minimum(place, len(cases) - 1)] == self.case)
        return self.renumbered(mine, cases, place[mine])


@dataclass(frozen=True, slots=True)
class Weights:
    """How likely centres and spreads are for some cases; scaled alike within a case.

    Attributes
    ----------
    like : array, shape (cases, coarse nodes, centres)
        Likelihood on the grid of centres −reach … reach.
    mass : array, shape (cases, nodes)
        Likelihood of each spread, centre integrated out.
    log_scale : array, shape (cases,)
        Logarithm of the factor that was taken out of a case's likelihoods.
    level, level_variance : array, shape (cases, fine nodes)
        Mean and variance of the centre given each of the other spreads.
    """

    like: Floats
    mass: Floats
    log_scale: Floats
    level: Floats
    level_variance: Floats


def reach_of(entries: int) -> int:
    """Return how many grid points from the anchor the centre of a block may lie."""
    return int(PER_STEP + 4 * PER_STEP / np.sqrt(entries))


def split(group: Group, typical: Integers, before: Integers) -> list[CasePart]:
    """Split a group into parts of equally many entries, and name blocks that look alike a case.

    Parameters
    ----------
    group : Group
    typical : array of int, shape (group,)
        Replicates that each block's points are typically the mean of.
    before : array of int, shape (group,)
        Entries of each block that similar meters' law was already learnt from.
    """
    entries = np.bincount(group.entries.block, minlength=len(group.blocks))
    starts = np.cumsum(entries) - entries
    parts: list[CasePart] = []
    for number in np.unique(entries):
        members = np.flatnonzero(entries == number)
        place = starts[members][:, None] + np.arange(number)
        lowest = np.clip(group.entries.lowest[place], -_FAR, _FAR)
        pattern, mean = group.entries.pattern[place], group.entries.mean[place]
        residual = np.zeros(len(members))
        case = first = np.arange(len(members))
        if group.coarse:
            code = np.sort(pattern * (4 * _FAR) + lowest + _FAR, axis=1)
            key = np.column_stack([code, typical[members], before[members]])
            _, first, case = np.unique(key, axis=0, return_index=True, return_inverse=True)
            snapped = lowest + group.shapes.offset[pattern]
            residual, mean = (mean - snapped).mean(axis=1), snapped
        whole = CasePart(
            members=members,
            case=case.reshape(-1),
            entries=int(number),
            lowest=lowest[first],
            mean=mean[first],
            pattern=pattern[first],
            typical=typical[members][first],
            before=before[members][first],
            residual=residual,
        )
        chunk = max(1, min(_CHUNK, _MOST_CELLS // (int(number) * len(group.nodes))))
        parts.extend(
            whole.of(np.arange(start, min(start + chunk, len(first))))
            for start in range(0, len(first), chunk)
        )
    return parts


def weigh_cases(group: Group, part: CasePart) -> Weights:
    """Weigh centres and spreads of the cases of a part."""
    lowest, mean, pattern = part.lowest, part.mean, part.pattern
    entries = part.entries
    with_grid = np.zeros((len(lowest), 0, 1))
    if group.coarse:
        with_grid = _on_grid(group.table, lowest, pattern, reach_of(entries))
    variance = group.shapes.variance[pattern][:, None, :]
    spread = group.nodes[group.coarse :, None]
    weight = 1 / (variance + spread**2)
    total = weight.sum(axis=2)
    level = (weight * mean[:, None, :]).sum(axis=2) / total
    squares = (weight * (mean[:, None, :] - level[:, :, None]) ** 2).sum(axis=2)
    logs = (np.log(weight).sum(axis=2) - squares - np.log(total)) / 2
    logs -= (entries - 1) / 2 * np.log(2 * np.pi)
    logs += group.shapes.log_mass[pattern].sum(axis=1, keepdims=True)
    highest = np.maximum(logs.max(axis=1), with_grid.max(axis=(1, 2), initial=-np.inf))
    like = np.exp(with_grid - highest[:, None, None])
    mass = np.concatenate([like.sum(axis=2), np.exp(logs - highest[:, None])], axis=1)
    return Weights(like=like, mass=mass, log_scale=highest, level=level, level_variance=1 / total)


def learn(masses: Floats, entries: Integers, *, nodes: Floats, level: float) -> Population | None:
    """Learn the law of spreads from blocks, leaving out those that are unlike the others.

    Parameters
    ----------
    masses : array, shape (blocks, nodes)
        Likelihood of each spread, centre integrated out.
    entries : array of int, shape (blocks,)
        Baseline visits of each.
    nodes : array, shape (nodes,)
    level : float
        Level of the F test.

    Returns
    -------
    Population or None
        None where there are too few blocks to pool.
    """
    df = np.asarray(entries - 1.0)
    if len(df) < FEWEST_METERS or df.sum() < FEWEST_DF:
        return None
    population = learn_population(masses, nodes=nodes, df=float(df.sum()))
    spread, _ = own_spread(masses, nodes=nodes)
    kept = ~unlike(spread, df=df, population=population, level=level)
    if kept.all() or kept.sum() < FEWEST_METERS:
        return population
    return learn_population(masses[kept], nodes=nodes, df=float(df[kept].sum()))


def _on_grid(table: NDArray[np.float32], lowest: Integers, pattern: Integers, reach: int) -> Floats:
    """Return log-likelihoods of blocks on the grid of centres."""
    width = 2 * reach + 1
    windows = np.lib.stride_tricks.sliding_window_view(table, width, axis=2)
    start = np.clip((table.shape[2] - 1) // 2 - reach - lowest, 0, windows.shape[2] - 1)
    total = np.zeros((len(lowest), table.shape[1], width))
    for entry in range(lowest.shape[1]):
        total += windows[pattern[:, entry], :, start[:, entry]]
    return total
