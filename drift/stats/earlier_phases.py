"""This module lets earlier phases of a series help to find the spread of a later one.

Where the F test finds the scatter unchanged (`drift.stats.phase_comparison`), phases of one meter
differ in their centre alone: the likelihoods of their spreads, each with its centre integrated out,
are multiplied.  Only earlier phases lend theirs, so that limits once set stay what they are.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.stats.baseline import Baseline
from drift.stats.process_cases import Group, Part, weigh

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

# Cases weighed at once, which bounds the memory.
_CHUNK = 2000
_TINY = 1e-300


@dataclass(frozen=True, slots=True)
class Lent:
    """What earlier phases say of the spread of later ones.

    Attributes
    ----------
    place : array of int, shape (group,)
        Row of `mass` of each block of the group, −1 for those with nothing lent.
    mass : array, shape (lent blocks, nodes)
        Likelihood of each spread.
    df : array, shape (lent blocks,)
        Its degrees of freedom.
    """

    place: Integers
    mass: Floats
    df: Floats


def runs_of(baseline: Baseline) -> Integers:
    """Return a number for each block; blocks of a series with one number scatter alike."""
    if "scatter_run" not in baseline.rows.columns:
        return np.arange(len(baseline.starts))
    first = baseline.rows.select("series", "scatter_run")[baseline.starts]
    numbers = first.to_struct().rank("dense").to_numpy()
    return np.asarray(numbers, np.int64)


def spread_of_earlier_phases(group: Group, parts: list[Part], runs: Integers) -> Lent:
    """Multiply the likelihoods of spread of all earlier phases of each block's run.

    Parameters
    ----------
    group : Group
    parts : list of Part
        All its blocks.
    runs : array of int, shape (group,)
        As from `runs_of`; blocks of one run follow each other in time.
    """
    size = len(group.blocks)
    many = np.bincount(runs)[runs] > 1
    place, nothing = np.full(size, -1), np.zeros((0, len(group.nodes)))
    if not many.any():
        return Lent(place=place, mass=nothing, df=np.zeros(0))
    logs, df = np.zeros((size, len(group.nodes))), np.zeros(size)
    for part in parts:
        mine = many[part.members]
        if part.entries > 1 and mine.any():
            cases, back = np.unique(part.case[mine], return_inverse=True)
            mass = weigh(group, part.of(cases)).mass
            scaled = np.log(np.maximum(mass / mass.max(axis=1, keepdims=True), _TINY))
            logs[part.members[mine]] = scaled[back]
            df[part.members[mine]] = part.entries - 1.0
    order = np.lexsort((group.blocks, runs))
    logs, df = logs[order], df[order]
    starts = np.flatnonzero(np.diff(runs[order], prepend=-1))
    lengths = np.diff(starts, append=size)
    before, df_before = np.zeros_like(logs), np.zeros(size)
    # Run by run: sums over all of them would carry rounding errors from one meter to the next.
    for step in range(1, int(lengths.max())):
        rows = starts[lengths > step] + step
        before[rows] = before[rows - 1] + logs[rows - 1]
        df_before[rows] = df_before[rows - 1] + df[rows - 1]
    helped = df_before > 0
    place[order[helped]] = np.arange(int(helped.sum()))
    lent = before[helped]
    return Lent(
        place=place,
        mass=np.exp(lent - lent.max(axis=1, keepdims=True)),
        df=df_before[helped],
    )


def lend(parts: list[Part], lent: Lent) -> Iterator[tuple[Part, Floats, Floats]]:
    """Yield parts with what is lent to each of their cases: likelihoods and degrees of freedom.

    Blocks to which nothing is lent stay in their cases; each of the others becomes one of its own.
    """
    for part in parts:
        at = lent.place[part.members]
        alone = at < 0
        if alone.all():
            yield part, np.ones((1, 1)), np.zeros(1)
            continue
        if alone.any():
            yield part.only(np.flatnonzero(alone)), np.ones((1, 1)), np.zeros(1)
        helped = np.flatnonzero(~alone)
        for start in range(0, len(helped), _CHUNK):
            some = helped[start : start + _CHUNK]
            own = part.renumbered(some, part.case[some], np.arange(len(some)))
            yield own, lent.mass[at[some]], lent.df[at[some]]
