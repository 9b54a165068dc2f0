"""This module learns the law of like meters' spreads and finds each block its group; no limits.

A law is learnt from what a cohort may borrow (`drift.stats.pool_dates`) and is not changed by the
blocks that go by it: these are laid on its grid.  A block that fits no law is weighed alone.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import isclose

import numpy as np
from numpy.typing import NDArray

from drift.stats.observations import Observations
from drift.stats.pool_dates import of_blocks
from drift.stats.process_cases import Group, Part, learn, split, weigh
from drift.stats.process_groups import FINE, ROUGH, form_groups, join_group, mean_and_sd
from drift.stats.spread_pool import Population
from drift.stats.visit_likelihood import PER_STEP

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]

# A grid reaches this many times the spread of a block that may be laid on it.
_REACH = 6.0
# With more entries than this a block is weighed alone: its like could only coarsen what it knows,
# for their grid is as wide as the spread of a spread known from so many.
_ENOUGH = 100


@dataclass(frozen=True, slots=True)
class Law:
    """The law of the spreads of some like meters.

    Attributes
    ----------
    group : Group
        The blocks it was learnt from, for their grid and their scatter of replicates.
    population : Population
    meters : int
        Series that it was learnt from.
    far : bool
        They scatter many more steps than most meters that are read alike.
    """

    group: Group
    population: Population
    meters: int
    far: bool


@dataclass(frozen=True, slots=True)
class Summary:
    """What is needed of each block to find its law.

    Attributes
    ----------
    entries : array of int, shape (blocks,)
        Baseline visits (or readings).
    step, sd : array, shape (blocks,)
        Coarsest step, and standard deviation of the entries.
    replicated : array of bool, shape (blocks,)
        Some visit has several readings.
    """

    entries: Integers
    step: Floats
    sd: Floats
    replicated: Flags


@dataclass(frozen=True, slots=True)
class Placed:
    """A group of blocks to be weighed.

    Attributes
    ----------
    group : Group
        The blocks, and earlier phases of theirs that lend them their spread.
    wanted : array of bool, shape (group,)
        The blocks themselves.
    law : Law or None
        None for a block alone.
    """

    group: Group
    wanted: Flags
    law: Law | None


def summarise(observations: Observations, blocks: int) -> Summary:
    """Return the summary of every block."""
    block, pattern = observations.block, observations.pattern
    entries = np.bincount(block, minlength=blocks)
    step = np.zeros(blocks)
    np.maximum.at(step, block, observations.patterns.steps[pattern])
    several = np.zeros(blocks, bool)
    several[block[observations.patterns.replicates[pattern] > 1]] = True
    return Summary(
        entries=entries,
        step=step,
        sd=mean_and_sd(observations, entries)[1],
        replicated=several,
    )


def learn_laws(observations: Observations, *, series: Integers, level: float) -> list[Law]:
    """Learn the laws of what may be borrowed.

    Parameters
    ----------
    observations : Observations
        As from `drift.stats.pool_dates.lent_observations`.
    series : array of int, shape (rows,)
        Series of each row of the pool.
    level : float
        Level of the F test of being alike.
    """
    if not len(observations.block):
        return []
    summary = summarise(observations, int(observations.block.max()) + 1)
    groups = form_groups(observations, like=np.zeros(len(summary.entries), np.int64))
    coarse = [summary.step[group.blocks[0]] for group in groups if group.coarse]
    owner = np.zeros(len(summary.entries), np.int64)
    owner[observations.block] = series[observations.row]
    laws = []
    for group in groups:
        nothing = np.zeros(len(group.blocks), np.int64)
        population = _learn(group, split(group, nothing + 1, nothing), level)
        if population is not None:
            far = not group.coarse and bool(np.isin(summary.step[group.blocks], coarse).any())
            meters = len(np.unique(owner[group.blocks]))
            laws.append(Law(group=group, population=population, meters=meters, far=far))
    return laws


def _learn(group: Group, parts: list[Part], level: float) -> Population | None:
    """Learn the law of a group's spreads from its blocks."""
    masses, entries = [], []
    for part in parts:
        if part.entries > 1:
            masses.append(weigh(group, part).mass[part.case])
            entries.append(np.full(len(part.members), part.entries))
    if not masses:
        return None
    return learn(np.concatenate(masses), np.concatenate(entries), nodes=group.nodes, level=level)


def place_blocks(
    observations: Observations,
    summary: Summary,
    laws: list[Law],
    *,
    blocks: Integers,
    runs: Integers,
    needed: int,
) -> Iterator[Placed]:
    """Find the group in which each block is weighed.

    Parameters
    ----------
    observations : Observations
        Of all blocks that limits are set for.
    summary : Summary
        Of the same blocks.
    laws : list of Law
        Those that the wanted blocks may go by.
    blocks : array of int
        The wanted blocks.
    runs : array of int, shape (all blocks,)
        As from `drift.stats.earlier_phases.runs_of`.
    needed : int
        Visits from which a block alone can have limits, those of its earlier phases counted in.
    """
    choice = np.array([_choose(laws, summary, block) for block in blocks.tolist()], np.int64)
    choice[summary.entries[blocks] > _ENOUGH] = -1
    for number, law in enumerate(laws):
        mine = blocks[choice == number]
        if not len(mine):
            continue
        earlier = _earlier(mine, runs, summary)
        fit = [_choose([law], summary, block) == 0 for block in earlier.tolist()]
        members = np.union1d(mine, earlier[np.array(fit, bool)])
        group = join_group(law.group, of_blocks(observations, members), blocks=members)
        yield Placed(group=group, wanted=np.isin(members, mine), law=law)
    for block in blocks[choice < 0]:
        earlier = _earlier(np.array([block]), runs, summary)
        lent = int((summary.entries[earlier] - 1).sum())
        if summary.entries[block] + lent >= needed:
            yield _alone(observations, np.append(earlier, block))


def _earlier(blocks: Integers, runs: Integers, summary: Summary) -> Integers:
    """Return the blocks that come before some of `blocks` in their runs and can lend spread."""
    last = np.full(int(runs.max()) + 1, -1)
    np.maximum.at(last, runs[blocks], blocks)
    places = np.arange(len(runs))
    before = (places < last[runs]) & (summary.entries > 1)
    before[blocks] = False
    return np.flatnonzero(before)


def _choose(laws: list[Law], summary: Summary, block: int) -> int:
    """Return the number of the law that a block goes by, −1 for none."""
    step, sd = summary.step[block], summary.sd[block]
    read_alike = [bool(law.group.coarse) and _same(law, step) for law in laws]
    far = any(read_alike) and sd > ROUGH * step
    for number, law in enumerate(laws):
        group = law.group
        if any(read_alike) and not far:
            fits = read_alike[number]
        else:
            fits = not group.coarse and law.far == far and FINE * step <= group.unit * PER_STEP
        reached = _REACH * sd <= group.unit * group.nodes[-1]
        if fits and reached and (group.within > 0 or not summary.replicated[block]):
            return number
    return -1


def _same(law: Law, step: float) -> bool:
    """Say whether a law's coarse grid is that of a step."""
    return isclose(law.group.unit * PER_STEP, step, rel_tol=1e-9)


def _alone(observations: Observations, blocks: Integers) -> Placed:
    """Return the group of the last of some blocks, by itself but for the others before it."""
    local = of_blocks(observations, blocks)
    mine = len(blocks) - 1
    longest = int((local.block == mine).sum())
    groups = form_groups(local, like=np.zeros(len(blocks), np.int64), longest=longest)
    group = next(each for each in groups if mine in each.blocks)
    return Placed(
        group=replace(group, blocks=blocks[group.blocks]), wanted=group.blocks == mine, law=None
    )
