"""This module pools spread over similar meters, from what was known when limits were set.

Each meter's own data say how likely every spread on a grid is.  Across the fleet these say what
spread is typical and how much meters differ in it, and that in turn says what to hold of a meter
with little data of its own.  With normal data and a scaled inverse χ² law for the variances the
ratio of a meter's variance to the typical one follows F, which is the test of being alike.

Limits are frozen: they may only borrow what was known on the day of the last visit of the baseline
that set them.  Learning the fleet's spread anew for every such day would be dear, so it is learnt
on a few: whenever the visits known of similar meters have grown by a quarter.  A block goes by the
last of these days that is not after its own, and blocks that go by the same day make a *cohort*.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import polars as pl
from scipy.special import fdtrc

from drift.arrays import Flags, Floats, Integers
from drift.limits.baseline import Baseline, set_baseline
from drift.limits.rounding.observations import Observations

# Coefficients of variation of σ between similar meters that are weighed against each other.
_VARIATIONS = np.array([0.0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.6])
# Before its own data speak, a meter is held as likely to scatter like the typical meter as up to
# this many coefficients of variation more: a fleet's noisy meters then keep their nominal rate too
# (simulated in tests/benchmarks/false_alarms.py).
_CAUTION = 1.3
# Points between two nodes of the grid on which laws are laid out, and typical spreads tried.
_PER_NODE, _PER_TYPICAL = 12, 6
# Hypotheses so much less likely than the best, in log-likelihood, are dropped.
_FORGOTTEN = 16.0
_TINY = 1e-300
# Fewest meters, and fewest degrees of freedom together, from which spread is pooled.
FEWEST_METERS = 5
FEWEST_DF = 20

# Growth of what is known, from which the fleet's law is learnt anew.
_GROWTH = 1.25
# Blocks of one step from which a law is learnt at most: more add nothing.
_MOST_LEARNT = 1000


@dataclass(frozen=True, slots=True)
class Population:
    """What the fleet says of the spread of its meters.

    Attributes
    ----------
    typical : float
        Typical standard deviation.
    variation : float
        Coefficient of variation of the standard deviation between meters.
    df : float
        Degrees of freedom with which `typical` is known as a prediction of one meter's.
    weights : array, shape (hypotheses,)
        Posterior probabilities of pairs of typical spread and variation.
    laws, cautious : array, shape (hypotheses, nodes)
        Law of a meter's spread under each pair, and its cautious form.
    """

    typical: float
    variation: float
    df: float
    weights: Floats
    laws: Floats
    cautious: Floats


def grid_of_spreads(lowest: float, highest: float, *, ratio: float) -> Floats:
    """Return spreads from `lowest` to at least `highest`, each `ratio` times the one before."""
    number = int(np.ceil(np.log(highest / lowest) / np.log(ratio))) + 1
    return np.asarray(lowest * ratio ** np.arange(number))


def learn_population(likelihoods: Floats, *, nodes: Floats, df: float) -> Population:
    """Learn from the likelihoods of many meters what spread is typical and how it varies.

    Parameters
    ----------
    likelihoods : array, shape (meters, nodes)
        Likelihood of each spread on the grid, centre integrated out, any scale per meter.
    nodes : array, shape (nodes,)
        Spreads, evenly spaced in their logarithm.
    df : float
        Degrees of freedom of all meters together.

    References
    ----------
    G. K. Smyth (2004), Statist. Appl. Genet. Mol. Biol. 3(1), 3: moderated variances and their F
    law (from memory); here with grids in place of moments, since rounded data have no s².
    """
    laws, cautious, centres, variation = _hypotheses(len(nodes), float(np.log(nodes[1] / nodes[0])))
    typical = nodes[0] * np.exp(centres)
    evidence = np.log(np.maximum(likelihoods @ laws.T, _TINY)).sum(axis=0)
    kept = evidence > evidence.max() - _FORGOTTEN
    weights = np.exp(evidence[kept] - evidence.max())
    weights /= weights.sum()
    typical, variation = typical[kept], variation[kept]
    spread = float(weights @ variation)
    return Population(
        typical=float(np.exp(weights @ np.log(typical))),
        variation=spread,
        df=1 / (2 * spread**2 + 1 / max(df, 1.0)),
        weights=weights,
        laws=laws[kept],
        cautious=cautious[kept],
    )


def posterior_of_spread(
    likelihoods: Floats, *, population: Population | None, share: Floats | None = None
) -> Floats:
    """Return each meter's probabilities of the spreads on the grid.

    Parameters
    ----------
    likelihoods : array, shape (meters, nodes)
        As for `learn_population`.
    population : Population or None
        None for a meter on its own: every spread is then equally likely on a logarithmic scale
        before its data, which with normal data gives Student's t.
    share : array, shape (meters,), or None
        How much of each meter's data the population was learnt from, from 0 to 1; None for all.
    """
    if population is None:
        weighted = likelihoods
    else:
        evidence = np.maximum(likelihoods @ population.laws.T, _TINY)
        # A meter helped to find the weights; its own part is taken out before it is used again.
        known = 1.0 if share is None else share[:, None]
        rest = population.weights / evidence**known
        rest /= rest.sum(axis=1, keepdims=True)
        weighted = likelihoods * (rest @ population.cautious)
    total = np.maximum(weighted.sum(axis=1, keepdims=True), _TINY)
    return np.asarray(weighted / total)


def own_spread(likelihoods: Floats, *, nodes: Floats) -> tuple[Floats, Flags]:
    """Return each meter's own most likely spread, and whether its data determine one.

    The peak is found by a parabola through the highest node and its neighbours; a likelihood
    that is highest at the lowest node leaves the spread undetermined.
    """
    best = likelihoods.argmax(axis=1)
    inner = np.clip(best, 1, likelihoods.shape[1] - 2)
    rows = np.arange(len(best))
    left, middle, right = (
        np.log(np.maximum(likelihoods[rows, inner + shift], _TINY)) for shift in (-1, 0, 1)
    )
    bend = left - 2 * middle + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, 1), 0.0)
    step = np.log(nodes[1] / nodes[0])
    spread = nodes[inner] * np.exp(step * np.clip(shift, -1, 1))
    return spread, (best > 0) & (bend < 0)


def unlike(spread: Floats, *, df: Floats, population: Population, level: float) -> Flags:
    """Say by an F test which meters scatter more than similar meters do.

    Parameters
    ----------
    spread, df : array, shape (meters,)
        Each meter's own standard deviation and its degrees of freedom.
    population : Population
        What the fleet says.
    level : float
        Chance that a meter like the others is found unlike them.
    """
    ratio = (spread / population.typical) ** 2
    return np.asarray(fdtrc(np.maximum(df, 1e-9), population.df, ratio) < level)


@lru_cache(maxsize=16)
def _hypotheses(number: int, step: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Return laws of log σ, from 0 in so many steps, for pairs of typical spread and variation."""
    logs = step * np.arange(number)
    fine = np.arange(logs[0], logs[-1] + step / (2 * _PER_NODE), step / _PER_NODE)
    # Hat functions share the mass between two nodes among them, so that narrow laws are not lost.
    share = np.maximum(1 - np.abs(fine[:, None] - logs) / step, 0)
    typical = fine[:: _PER_NODE // _PER_TYPICAL]
    pairs = [(centre, variation) for centre in typical for variation in _VARIATIONS]
    laws = np.array([_law(fine, centre, variation, 0.0) @ share for centre, variation in pairs])
    cautious = np.array(
        [_law(fine, centre, variation, _CAUTION) @ share for centre, variation in pairs]
    )
    centres, variations = np.array(pairs).T
    return laws, cautious, centres, variations


def _law(logs: Floats, centre: float, variation: float, caution: float) -> Floats:
    """Return a law of log σ: scaled inverse χ², flat from its peak to `caution` variations up."""
    if variation == 0:
        nearest = np.zeros_like(logs)
        nearest[np.abs(logs - centre).argmin()] = 1
        return nearest
    df = 1 / (2 * variation**2)
    past = logs - centre
    beyond = np.where(past > 0, np.maximum(past - caution * variation, 0), past)
    density = np.exp(-df * beyond + df / 2 * (1 - np.exp(-2 * beyond)))
    return np.asarray(density / density.sum())


@dataclass(frozen=True, slots=True)
class Cohort:
    """Blocks whose limits borrow what was known on one day.

    Attributes
    ----------
    kind : int
        Number of their kind of meters.
    until : float
        That day (t_years), inclusive; −inf where too little was known for any pooling.
    blocks : array of int
        Which blocks.
    """

    kind: int
    until: float
    blocks: Integers


@dataclass(frozen=True, slots=True)
class Pool:
    """Visits that may be borrowed from, and who borrows what.

    Attributes
    ----------
    baseline : Baseline
        Baselines of all phases, each by itself: which phases go on under earlier limits may be
        judged otherwise as they grow, where they begin may not.
    like : array of int, shape (pool blocks,)
        Number of the kind of each one's meter.
    cohorts : list of Cohort
        Blocks of the baseline that limits are set for, by kind and day.
    """

    baseline: Baseline
    like: Integers
    cohorts: list[Cohort]


def set_pool(
    baseline: Baseline,
    points: pl.DataFrame,
    *,
    visits: int = 0,
    window: tuple[float, float] | None = None,
) -> Pool:
    """Sort blocks by the day up to which they may borrow from their like.

    Parameters
    ----------
    baseline : Baseline
        Blocks that limits are set for.
    points : pl.DataFrame
        The points that it was made of; a column ``own_phase`` has the number of each point's own
        phase where ``phase`` is that whose limits it goes by.
    visits, window
        As for `drift.limits.baseline.set_baseline`; without ``own_phase`` they are not looked at.
    """
    pool = baseline
    if "own_phase" in points.columns:
        alone = points.with_columns(phase=pl.col("own_phase"))
        pool = set_baseline(alone, visits=visits, window=window)
    like, pool_like = kinds_of_meters(baseline), kinds_of_meters(pool)
    last, when = borrowing_cutoffs(baseline), _times(pool)
    cohorts = []
    for kind in np.unique(like):
        mine = np.flatnonzero((like == kind) & (baseline.counts > 0))
        days = learning_days(when[pool.inside & (pool_like == kind)[pool.block]])
        until = np.concatenate([[-np.inf], days])[np.searchsorted(days, last[mine], side="right")]
        cohorts += [Cohort(int(kind), float(day), mine[until == day]) for day in np.unique(until)]
    return Pool(baseline=pool, like=pool_like, cohorts=cohorts)


def kinds_of_meters(baseline: Baseline) -> Integers:
    """Return the number of the kind of each block's meter."""
    if "like" not in baseline.rows.columns:
        return np.zeros(len(baseline.starts), np.int64)
    kinds = baseline.rows["like"].rank("dense").fill_null(0).to_numpy()
    return np.asarray(kinds[baseline.starts], np.int64)


def learning_days(when: Floats) -> Floats:
    """Return the days on which the law of similar meters is learnt, from their visits' times."""
    days, number = np.unique(when, return_counts=True)
    known = np.cumsum(number)
    chosen, least = [], float(FEWEST_METERS + FEWEST_DF)
    while len(known) and known[-1] >= least:
        place = int(np.searchsorted(known, least))
        chosen.append(days[place])
        least = known[place] * _GROWTH
    return np.asarray(chosen, float)


def known_by(pool: Pool, cohort: Cohort) -> Flags:
    """Return which rows of a pool's baselines a cohort may borrow from."""
    of_kind = (pool.like == cohort.kind)[pool.baseline.block]
    known = pool.baseline.inside & of_kind & (_times(pool.baseline) <= cohort.until)
    return np.asarray(known, bool)


def rows_known(baseline: Baseline, cohort: Cohort) -> Flags:
    """Return which baseline rows were known on the day of a cohort."""
    return baseline.inside & (_times(baseline) <= cohort.until)


def lent_observations(observations: Observations, known: Flags) -> Observations:
    """Return the entries that a law is learnt from.

    Parameters
    ----------
    observations : Observations
        Of a pool's baselines.
    known : array of bool, shape (rows,)
        As from `known_by`.
    """
    kept = np.flatnonzero(known[observations.row])
    block = observations.block[kept]
    blocks = int(block.max(initial=-1)) + 1
    step = np.zeros(blocks)
    np.maximum.at(step, block, observations.patterns.steps[observations.pattern[kept]])
    chosen = np.zeros(blocks, bool)
    sizes = observations.patterns.replicates[observations.pattern[kept]]
    several = np.bincount(block, sizes, minlength=blocks) > 1
    for each in np.unique(step[several]):
        same = np.flatnonzero(several & (step == each))
        chosen[same[:: -(-len(same) // _MOST_LEARNT)]] = True
    return some_entries(observations, kept[chosen[block]])


def some_entries(observations: Observations, entries: Integers) -> Observations:
    """Return the observations that hold only some entries."""
    return Observations(
        block=observations.block[entries],
        lowest=observations.lowest[entries],
        mean=observations.mean[entries],
        pattern=observations.pattern[entries],
        row=observations.row[entries],
        patterns=observations.patterns,
    )


def of_blocks(observations: Observations, blocks: Integers) -> Observations:
    """Return the observations of some blocks, ascending, numbered anew from 0."""
    first, last = (
        np.searchsorted(observations.block, blocks, side=side) for side in ("left", "right")
    )
    number = last - first
    owner = np.repeat(np.arange(len(blocks)), number)
    entries = np.arange(len(owner)) - np.repeat(np.cumsum(number) - number, number) + first[owner]
    some = some_entries(observations, entries)
    return Observations(
        block=owner,
        lowest=some.lowest,
        mean=some.mean,
        pattern=some.pattern,
        row=some.row,
        patterns=some.patterns,
    )


def _times(baseline: Baseline) -> Floats:
    """Return the time of each row."""
    return np.asarray(baseline.rows["t_years"].to_numpy(), float)


def borrowing_cutoffs(baseline: Baseline) -> Floats:
    """Return the time of the last baseline visit of each block, −inf without one."""
    last = np.full(len(baseline.starts), -np.inf)
    inside = baseline.inside
    np.maximum.at(last, baseline.block[inside], _times(baseline)[inside])
    return last
