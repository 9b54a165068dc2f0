"""This module pools the scatter of replicates over similar meters.

Each visit has a mean of its own: only how far apart its readings lie counts.  What a baseline and
similar meters leave possible is averaged over, as for single points.
"""

from dataclasses import dataclass
from functools import partial

import numpy as np

from drift.arrays import Flags, Floats, Integers
from drift.limits.baseline import Baseline
from drift.limits.rounding.borrowing import Cohort, Pool, known_by, lent_observations, rows_lent
from drift.limits.rounding.likelihood_grid import learn
from drift.limits.rounding.meter_groups import FINE, ROUGH, sort_by_step
from drift.limits.rounding.observations import Observations, observe_visits, read_readings
from drift.limits.rounding.pooling import (
    Population,
    grid_of_spreads,
    own_spread,
    posterior_of_spread,
    unlike,
)
from drift.limits.rounding.posterior import df_of_log_variance, settled
from drift.limits.rounding.replicate_spread import LOWEST_WITHIN, replicate_log_likelihoods

_RATIO_COARSE, _RATIO_FINE = 1.15, 1.1
# A grid reaches this many times the scatter of a block that may be laid on it.
_REACH = 6.0


@dataclass(frozen=True, slots=True)
class ScatterGroup:
    """Blocks of similar meters read to one step, and what is held of the scatter of their readings.

    Attributes
    ----------
    blocks : array, shape (group,)
        Which blocks.
    step : float
        Step of the readings; 0 for a group read so finely that rounding is mere noise.
    nodes : array, shape (nodes,)
        Standard deviations of one reading before rounding.
    probability : array, shape (group, nodes)
        Of each node.
    """

    blocks: Integers
    step: float
    nodes: Floats
    probability: Floats


@dataclass(frozen=True, slots=True)
class Scatter:
    """Scatter of replicate readings of every block; NaN where it cannot be said.

    Attributes
    ----------
    sigma, df : array, shape (blocks,)
        Standard deviation of one reading, rounding included, and its degrees of freedom.
    visits : array of int, shape (blocks,)
        Baseline visits with replicates.
    meters : array of int, shape (blocks,)
        Blocks pooled; 1 for a block on its own.
    limited, unlike : array of bool, shape (blocks,)
        Replicates agree too closely to show a scatter; it fails the F test of similar meters.
    groups : list of ScatterGroup
    """

    sigma: Floats
    df: Floats
    visits: Integers
    meters: Integers
    limited: Flags
    unlike: Flags
    groups: list[ScatterGroup]


def pool_scatter(baseline: Baseline, *, pool: Pool, needed: int, pooling_level: float) -> Scatter:
    """Estimate the scatter of replicates of every block.

    Parameters
    ----------
    baseline : Baseline
        Points in blocks, with their readings in ``values``.
    pool : Pool
        Who may borrow from whom.
    needed : int
        Visits from which a block's own are enough, with as many degrees of freedom less one.
    pooling_level : float
        Level of the F test of being alike.
    """
    observations = observe_visits(baseline, read_readings(baseline))
    blocks = len(baseline.starts)
    sizes = observations.patterns.replicates[observations.pattern]
    many = sizes > 1
    visits = np.bincount(observations.block[many], minlength=blocks)
    result = Scatter(
        sigma=np.full(blocks, np.nan),
        df=np.full(blocks, np.nan),
        visits=visits,
        meters=np.ones(blocks, np.int64),
        limited=np.zeros(blocks, bool),
        unlike=np.zeros(blocks, bool),
        groups=[],
    )
    own = _summarise(observations, blocks)
    enough = (baseline.counts >= needed) & (own.df >= needed - 1)
    for cohort in pool.cohorts:
        laws = pool.once("scatter", cohort, partial(_laws_of, pool, cohort, level=pooling_level))
        wanted = cohort.blocks[own.df[cohort.blocks] > 0]
        known = _known_df(observations, rows_lent(baseline, pool, cohort), blocks)
        choice = np.array([_choose(laws, own, block) for block in wanted.tolist()], np.int64)
        for number, law in enumerate(laws):
            mine = wanted[choice == number]
            if len(mine):
                group = _weigh(observations, mine, law.step, law.nodes)
                told = _Told(own.df[mine], known[mine], enough[mine])
                _fill(result, group, law, told, pooling_level=pooling_level)
        for block in wanted[(choice < 0) & enough[wanted]]:
            alone = np.array([block])
            fine = FINE * own.step[block] <= own.sd[block]
            each = 0.0 if fine else float(own.step[block])
            group = _group(observations, alone, each, own.sd[alone])
            told = _Told(own.df[alone], own.df[alone], enough[alone])
            _fill(result, group, None, told, pooling_level=pooling_level)
    return result


@dataclass(frozen=True, slots=True)
class _Own:
    """Degrees of freedom of the scatter of each block, its standard deviation, coarsest step."""

    df: Floats
    sd: Floats
    step: Floats


@dataclass(frozen=True, slots=True)
class _Told:
    """Degrees of freedom of some blocks, those already learnt from, and whether they suffice."""

    df: Floats
    known: Floats
    enough: Flags


@dataclass(frozen=True, slots=True)
class _Law:
    """Law of the scatter of similar meters on a grid; `step` and `nodes` as of `ScatterGroup`.

    `steps` are those of the blocks that it was learnt from.
    """

    step: float
    nodes: Floats
    steps: Floats
    population: Population
    meters: int


def _summarise(observations: Observations, blocks: int) -> _Own:
    """Return the scatter of every block."""
    sizes = observations.patterns.replicates[observations.pattern]
    df = np.bincount(observations.block, sizes - 1, minlength=blocks)
    total = np.bincount(observations.block, _squares(observations), minlength=blocks)
    step = np.zeros(blocks)
    np.maximum.at(step, observations.block, observations.patterns.steps[observations.pattern])
    return _Own(df=df.astype(float), sd=np.sqrt(total / np.maximum(df, 1)), step=step)


def _known_df(observations: Observations, known: Flags, blocks: int) -> Floats:
    """Return the degrees of freedom of each block in the rows `known`."""
    sizes = observations.patterns.replicates[observations.pattern]
    some = np.where(known[observations.row], sizes - 1, 0)
    return np.bincount(observations.block, some, minlength=blocks).astype(float)


def _laws_of(pool: Pool, cohort: Cohort, *, level: float) -> list[_Law]:
    """Learn the laws that a cohort goes by."""
    every = pool.once(
        "observations of scatter",
        Cohort(0, np.inf, np.empty(0, dtype=np.int64)),
        lambda: observe_visits(pool.baseline, read_readings(pool.baseline)),
    )
    series = pool.baseline.rows["series"].to_numpy()
    lent = lent_observations(every, known_by(pool, cohort))
    return _learn_laws(lent, series=series, level=level)


def _learn_laws(observations: Observations, *, series: Integers, level: float) -> list[_Law]:
    """Learn the laws of what may be borrowed, as `learn_spread_priors` of `pooled_spread` does."""
    if not len(observations.block):
        return []
    own = _summarise(observations, int(observations.block.max()) + 1)
    owner = np.zeros(len(own.df), np.int64)
    owner[observations.block] = series[observations.row]
    laws = []
    number = own.df.astype(np.int64) + 1
    for chosen, each in sort_by_step(own.df > 0, step=own.step, sd=own.sd, number=number):
        group = _group(observations, chosen, each, own.sd[chosen])
        population = learn(
            group.probability,
            number[chosen],
            nodes=group.nodes,
            level=level,
        )
        if population is not None:
            meters = len(np.unique(owner[chosen]))
            laws.append(_Law(each, group.nodes, np.unique(own.step[chosen]), population, meters))
    return laws


def _choose(laws: list[_Law], own: _Own, block: int) -> int:
    """Return the number of the law that a block goes by, −1 for none."""
    step, sd = own.step[block], own.sd[block]
    for number, law in enumerate(laws):
        # Where a step is both coarse and fine, the fine law is that of meters far apart.
        far = sd > ROUGH * step
        alike = any(each.step == step for each in laws)
        fits = (law.step == step and not far) or (
            law.step == 0 and step in law.steps and far == alike
        )
        if fits and _REACH * sd <= law.nodes[-1]:
            return number
    return -1


def _squares(observations: Observations) -> Floats:
    """Return the sum of squares of each entry's readings about their mean."""
    offsets = observations.patterns.offsets
    mean = np.nansum(offsets, axis=1) / np.maximum(observations.patterns.replicates, 1)
    squares = np.nansum((offsets - mean[:, None]) ** 2, axis=1)
    return np.asarray(squares[observations.pattern])


def _group(observations: Observations, blocks: Integers, step: float, sd: Floats) -> ScatterGroup:
    """Weigh the spreads of one group on a grid of its own."""
    scattered = sd[sd > 0]
    typical = float(np.median(scattered)) if len(scattered) else 0.0
    highest = float(sd.max())
    if step > 0:
        top = max(30 * max(typical, step / 2), _REACH * highest)
        nodes = grid_of_spreads(LOWEST_WITHIN * step, top, ratio=_RATIO_COARSE)
    else:
        top = max(30 * typical, _REACH * highest)
        nodes = grid_of_spreads(typical / 20, top, ratio=_RATIO_FINE)
    return _weigh(observations, blocks, step, nodes)


def _weigh(
    observations: Observations, blocks: Integers, step: float, nodes: Floats
) -> ScatterGroup:
    """Weigh the spreads of some blocks by the readings of each; not yet by those of others."""
    local = np.full(int(observations.block.max()) + 1, -1)
    local[blocks] = np.arange(len(blocks))
    place = local[observations.block]
    mine = (place >= 0) & (observations.patterns.replicates[observations.pattern] > 1)
    logs = replicate_log_likelihoods(observations, np.flatnonzero(mine), nodes=nodes)
    total = np.zeros((len(blocks), len(nodes)))
    for node in range(len(nodes)):
        total[:, node] = np.bincount(place[mine], logs[:, node], minlength=len(blocks))
    return ScatterGroup(
        blocks=blocks,
        step=step,
        nodes=nodes,
        probability=np.exp(total - total.max(axis=1, keepdims=True)),
    )


def _fill(
    result: Scatter,
    group: ScatterGroup,
    law: _Law | None,
    told: _Told,
    *,
    pooling_level: float,
) -> None:
    """Fill in what the law of similar meters, where there is one, says of a group's blocks."""
    masses, blocks = group.probability, group.blocks
    spread, shown = own_spread(masses, nodes=group.nodes)
    odd = np.zeros(len(blocks), bool)
    probability = posterior_of_spread(masses, population=None)
    if law is not None:
        population = law.population
        odd = shown & unlike(spread, df=told.df, population=population, level=pooling_level)
        share = (told.known / told.df)[~odd]
        probability[~odd] = posterior_of_spread(masses[~odd], population=population, share=share)
        result.meters[blocks] = np.where(odd, 1, law.meters)
    variance = group.nodes**2 + group.step**2 / 12
    logs = np.log(variance) / 2
    about = probability @ logs**2 - (probability @ logs) ** 2
    can = ((law is not None) & ~odd) | told.enough
    sigma = 1 / np.sqrt(probability @ (1 / variance))
    result.sigma[blocks] = np.where(can, settled(sigma), np.nan)
    result.df[blocks] = np.where(can, settled(df_of_log_variance(about)), np.nan)
    result.limited[blocks], result.unlike[blocks] = ~shown, odd
    result.groups.append(
        ScatterGroup(blocks, step=group.step, nodes=group.nodes, probability=probability)
    )
