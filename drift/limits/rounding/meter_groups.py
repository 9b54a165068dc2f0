"""This module sorts blocks into groups of similar meters and lays out the grid of each.

Only the scatter of replicates is estimated here, which has to be known before anything else.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from drift.arrays import Flags, Floats, Integers
from drift.limits.rounding.likelihood_grid import Entries, Group
from drift.limits.rounding.observations import Observations, Patterns
from drift.limits.rounding.pooling import grid_of_spreads
from drift.limits.rounding.replicate_spread import LOWEST_WITHIN, pooled_within
from drift.limits.rounding.visit_likelihood import (
    PER_STEP,
    REACH_STEPS,
    Shapes,
    shapes_of,
    tabulate,
)

# Lowest spread on the grid in steps: below it a reading differs from its neighbours only where
# the centre lies on the edge of a cell, which every spread below looks like.
_LOWEST = 0.12
_RATIO_COARSE, _RATIO_FINE = 1.15, 1.1
# A spread of replicates is taken to the nearest of values this many times apart.
_RATIO_WITHIN = 1.05
# Spread in steps from which rounding is mere noise for a whole group.
FINE = 2.0
# Spread in steps from which a block of a coarse group is set apart from it.
ROUGH = 5.0
# Visits from which the scatter of replicates is estimated at most: more add nothing.
_MOST_VISITS = 20_000


def form_groups(observations: Observations, *, like: Integers, longest: int = 0) -> list[Group]:
    """Sort blocks into groups of similar meters read to one step.

    Parameters
    ----------
    observations : Observations
        Baseline visits of all blocks.
    like : array of int, shape (blocks,)
        Blocks with one number are of similar meters.
    longest : int
        Entries of the longest block whose spread is to be known as exactly as they allow.
    """
    blocks = len(like)
    number = np.bincount(observations.block, minlength=blocks)
    mean, sd = mean_and_sd(observations, number)
    step = np.zeros(blocks)
    np.maximum.at(step, observations.block, observations.patterns.steps[observations.pattern])
    groups: list[Group] = []
    for kind in np.unique(like[number > 0]):
        mine = (like == kind) & (number > 0)
        groups.extend(
            _group(observations, chosen, (mean, sd), each, finest=_ratio(longest))
            for chosen, each in sort_by_step(mine, step=step, sd=sd, number=number)
        )
    return groups


def join_group(design: Group, observations: Observations, *, blocks: Integers) -> Group:
    """Lay blocks on the grid of a group that they did not help to set up.

    Parameters
    ----------
    design : Group
        The group of similar meters whose grid and scatter of replicates they take over.
    observations : Observations
        Of the blocks that join, numbered from 0.
    blocks : array of int, shape (n,)
        Which blocks of the baseline they are.
    """
    mean, _ = mean_and_sd(observations, np.bincount(observations.block, minlength=len(blocks)))
    raw, _ = _lay_out(
        observations,
        np.arange(len(blocks)),
        mean,
        unit=design.unit,
        nodes=design.nodes,
        coarse=design.coarse,
    )
    joined = _with_within(raw, design.within, known=design.within_known)
    return replace(joined, blocks=blocks)


def sort_by_step(
    mine: Flags, *, step: Floats, sd: Floats, number: Integers
) -> list[tuple[Integers, float]]:
    """Sort blocks of similar meters by how coarse their steps are against their spread.

    Parameters
    ----------
    mine : array of bool, shape (blocks,)
        The blocks to sort.
    step, sd, number : array, shape (blocks,)
        Coarsest step, standard deviation, and values that it is made of.

    Returns
    -------
    list of (array of int, float)
        Blocks that go together, and their step; 0 for blocks read so finely that rounding is
        mere noise.
    """
    sorted_ = []
    fine, rough = np.zeros(len(mine), bool), np.zeros(len(mine), bool)
    for each in np.unique(step[mine]):
        same = mine & (step == each)
        if FINE * each <= _typical(sd[same], number[same]):
            fine |= same
            continue
        # A meter whose readings lie many steps apart is like none that scatter within one.
        far = same & (sd > ROUGH * each)
        rough |= far
        if (same & ~far).any():
            sorted_.append((np.flatnonzero(same & ~far), float(each)))
    sorted_.extend((np.flatnonzero(chosen), 0.0) for chosen in (fine, rough) if chosen.any())
    return sorted_


def _ratio(longest: int) -> float:
    """Return how close spreads on the grid must lie, as a ratio, for a block of so many entries.

    The logarithm of a spread known from n entries has a standard deviation of 1/√(2n); sums over a
    grid no wider than that are as good as integrals.
    """
    return float(np.exp(1 / np.sqrt(2 * max(longest, 1))))


def _typical(sd: Floats, number: Integers) -> float:
    """Return the typical spread of blocks, from those with the most to say; 0 where none can."""
    for fewest in (3, 2):
        use = number >= fewest
        if use.any():
            return float(np.median(sd[use]))
    return 0.0


def mean_and_sd(observations: Observations, number: Integers) -> tuple[Floats, Floats]:
    """Return mean and standard deviation of the entries of each block, 0 for one entry."""
    blocks = len(number)
    total = np.bincount(observations.block, observations.mean, minlength=blocks)
    mean = np.asarray(total / np.maximum(number, 1))
    residual = observations.mean - mean[observations.block]
    squares = np.bincount(observations.block, residual**2, minlength=blocks)
    return mean, np.asarray(np.sqrt(squares / np.maximum(number - 1, 1)))


@dataclass(frozen=True, slots=True)
class _Raw:
    """A group before the spread of replicates is known; names as in `Group` and `Entries`."""

    blocks: Integers
    unit: float
    anchors: Floats
    nodes: Floats
    coarse: int
    block: Integers
    lowest: Floats
    centre: Floats
    pattern: Integers
    patterns: Patterns


def _group(
    observations: Observations,
    blocks: Integers,
    moments: tuple[Floats, Floats],
    step: float,
    *,
    finest: float,
) -> Group:
    """Set up the grid of one group; a step of 0 stands for finely read."""
    mean, sd = moments
    scattered = sd[blocks][sd[blocks] > 0]
    typical = float(np.median(scattered)) if len(scattered) else 0.0
    largest = float(sd[blocks].max())
    if step > 0:
        unit = step / PER_STEP
        highest = max(30 * max(typical, step / 2), 6 * largest)
        nodes = grid_of_spreads(
            _LOWEST * PER_STEP, highest / unit, ratio=min(finest, _RATIO_COARSE)
        )
        coarse = int((nodes < PER_STEP).sum())
    else:
        unit, highest = typical / PER_STEP, max(30 * typical, 6 * largest)
        nodes = grid_of_spreads(PER_STEP / 20, highest / unit, ratio=min(finest, _RATIO_FINE))
        coarse = 0
    raw, entries = _lay_out(observations, blocks, mean, unit=unit, nodes=nodes, coarse=coarse)
    sample = entries[:: max(1, len(entries) // _MOST_VISITS)]
    within, known = pooled_within(observations, sample)
    if coarse and within > 0:
        # Few values, so that groups of one fleet have their tables in common.
        over = max(np.log(within / (LOWEST_WITHIN * step)), 0.0)
        power = round(float(over / np.log(_RATIO_WITHIN)))
        return _with_within(raw, LOWEST_WITHIN * PER_STEP * _RATIO_WITHIN**power, known=known)
    return _with_within(raw, within / unit, known=known)


def _lay_out(
    observations: Observations,
    blocks: Integers,
    mean: Floats,
    *,
    unit: float,
    nodes: Floats,
    coarse: int,
) -> tuple[_Raw, Integers]:
    """Lay the entries of some blocks on a grid; return them and which entries they are."""
    local = np.full(len(mean), -1)
    local[blocks] = np.arange(len(blocks))
    entries = np.flatnonzero(local[observations.block] >= 0)
    block = local[observations.block[entries]]
    anchors = mean[blocks]
    if coarse:
        step = unit * PER_STEP
        first = np.zeros(len(blocks))
        first[block[::-1]] = observations.lowest[entries[::-1]]
        anchors = first + np.rint((anchors - first) / step) * step
    seen, pattern = np.unique(observations.pattern[entries], return_inverse=True)
    raw = _Raw(
        blocks=blocks,
        unit=unit,
        anchors=anchors,
        nodes=nodes,
        coarse=coarse,
        block=block,
        lowest=(observations.lowest[entries] - anchors[block]) / unit,
        centre=(observations.mean[entries] - anchors[block]) / unit,
        pattern=pattern,
        patterns=_in_units(observations.patterns, seen, unit),
    )
    return raw, entries


def _with_within(raw: _Raw, within: float, *, known: bool) -> Group:
    """Return the group for a spread of replicates."""
    smooth = (raw.patterns.replicates > 1) & (within >= raw.patterns.steps)
    patterns, place = _without_detail(raw.patterns, smooth)
    shapes = shapes_of(patterns, within=within)
    pattern = place[raw.pattern]
    smooth_entry = smooth[raw.pattern]
    return Group(
        blocks=raw.blocks,
        unit=raw.unit,
        anchors=raw.anchors,
        nodes=raw.nodes,
        coarse=raw.coarse,
        within=within,
        within_known=known,
        patterns=patterns,
        shapes=shapes,
        table=_tabulate(raw, patterns, shapes, within),
        entries=Entries(
            block=raw.block,
            lowest=np.rint(np.where(smooth_entry, raw.centre, raw.lowest)).astype(np.int64),
            mean=np.where(
                smooth_entry | (raw.coarse == 0), raw.centre, raw.lowest + shapes.offset[pattern]
            ),
            pattern=pattern,
        ),
    )


def _tabulate(raw: _Raw, patterns: Patterns, shapes: Shapes, within: float) -> NDArray[np.float32]:
    """Return the table of a group; that of a pattern of a coarse dial is made once."""
    if not raw.coarse:
        return tabulate(patterns, shapes, within=within, betweens=raw.nodes[:0], reach=0)
    steps, offsets = np.round(patterns.steps, 9), np.round(patterns.offsets, 9)
    nodes = tuple(raw.nodes[: raw.coarse].tolist())
    return np.concatenate(
        [
            _table_of(step, tuple(row[np.isfinite(row)].tolist()), within, nodes)
            for step, row in zip(steps.tolist(), offsets, strict=True)
        ]
    )


@lru_cache(maxsize=1024)
def _table_of(
    step: float, offsets: tuple[float, ...], within: float, nodes: tuple[float, ...]
) -> NDArray[np.float32]:
    """Return the table of one pattern, lengths in grid units."""
    pattern = Patterns(np.array([len(offsets)]), np.array([step]), np.array([offsets]))
    shapes = shapes_of(pattern, within=within)
    reach = REACH_STEPS * PER_STEP
    return tabulate(pattern, shapes, within=within, betweens=np.array(nodes), reach=reach)


def _in_units(patterns: Patterns, which: Integers, unit: float) -> Patterns:
    """Return some patterns, their lengths in grid units."""
    return Patterns(
        replicates=patterns.replicates[which],
        steps=patterns.steps[which] / unit,
        offsets=patterns.offsets[which] / unit,
    )


def _without_detail(patterns: Patterns, smooth: Flags) -> tuple[Patterns, Integers]:
    """Let patterns of whose readings only the mean matters be one for each count and step.

    Returns the patterns left and, for each old one, which of them it has become.
    """
    offsets = np.where(smooth[:, None] & np.isfinite(patterns.offsets), 0.0, patterns.offsets)
    key = np.concatenate([patterns.steps[:, None], np.nan_to_num(offsets, nan=-1.0)], axis=1)
    _, first, place = np.unique(key, axis=0, return_index=True, return_inverse=True)
    kept = Patterns(patterns.replicates[first], patterns.steps[first], offsets[first])
    return kept, place.reshape(-1)
