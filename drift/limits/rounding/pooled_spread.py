"""This module learns the prior of similar meters' spreads and finds each block its group.

A prior is learnt from what a cohort may borrow (`drift.limits.rounding.borrowing`), unchanged
by the blocks that go by it: these are laid on its grid.  A block that fits no prior is weighed
alone.  Where the F test finds the scatter unchanged (`drift.limits.phase_tests`), phases of one
meter differ in their centre alone: the likelihoods of their spreads, each with its centre
integrated out, are multiplied.  Only earlier phases give theirs, so that limits once set stay what
they are.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import isclose

import numpy as np

from drift.arrays import Flags, Floats, Integers
from drift.limits.baseline import Baseline
from drift.limits.rounding.borrowing import of_blocks
from drift.limits.rounding.likelihood_grid import CasePart, Group, learn, split, weigh_cases
from drift.limits.rounding.meter_groups import FINE, ROUGH, form_groups, join_group, mean_and_sd
from drift.limits.rounding.observations import Observations
from drift.limits.rounding.pooling import Population
from drift.limits.rounding.visit_likelihood import PER_STEP

# A grid reaches this many times the spread of a block that may be laid on it.
_REACH = 6.0
# With more entries than this a block is weighed alone: similar meters could only coarsen what it
# knows, for their grid is as wide as the spread of a spread known from so many.
_ENOUGH = 100

# Cases weighed at once, which bounds the memory.
_CHUNK = 2000
_TINY = 1e-300


@dataclass(frozen=True, slots=True)
class SpreadPrior:
    """The law of the spreads of some similar meters.

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
    law: SpreadPrior | None


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


def learn_spread_priors(
    observations: Observations, *, series: Integers, level: float
) -> list[SpreadPrior]:
    """Learn the laws of what may be borrowed.

    Parameters
    ----------
    observations : Observations
        As from `drift.limits.rounding.borrowing.lent_observations`.
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
            laws.append(SpreadPrior(group=group, population=population, meters=meters, far=far))
    return laws


def _learn(group: Group, parts: list[CasePart], level: float) -> Population | None:
    """Learn the law of a group's spreads from its blocks."""
    masses, entries = [], []
    for part in parts:
        if part.entries > 1:
            masses.append(weigh_cases(group, part).mass[part.case])
            entries.append(np.full(len(part.members), part.entries))
    if not masses:
        return None
    return learn(np.concatenate(masses), np.concatenate(entries), nodes=group.nodes, level=level)


def place_blocks(
    observations: Observations,
    summary: Summary,
    laws: list[SpreadPrior],
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
        As from `drift.limits.rounding.pooled_spread.runs_of`.
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


def _choose(laws: list[SpreadPrior], summary: Summary, block: int) -> int:
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


def _same(law: SpreadPrior, step: float) -> bool:
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


def spread_of_earlier_phases(group: Group, parts: list[CasePart], runs: Integers) -> Lent:
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
            mass = weigh_cases(group, part.of(cases)).mass
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


def apply_prior(parts: list[CasePart], lent: Lent) -> Iterator[tuple[CasePart, Floats, Floats]]:
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
