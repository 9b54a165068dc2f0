"""This module says whose visits limits may borrow from, as known when they were set.

Limits are frozen: they may only borrow what was known on the day of the last visit of the baseline
that set them.  Learning the fleet's spread anew for every such day would be dear, so it is learnt
on a few: whenever the visits known of similar meters have grown by a quarter.  A block goes by the
last of these days that is not after its own, and blocks that go by the same day make a *cohort*.
"""

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from typing import Any, TypeVar

import numpy as np
import polars as pl

from drift.arrays import Flags, Floats, Integers
from drift.limits.baseline import Baseline, set_baseline
from drift.limits.rounding.observations import Observations
from drift.limits.rounding.pooling import FEWEST_DF, FEWEST_METERS

# Growth of what is known, from which the fleet's law is learnt anew.
_GROWTH = 1.25
# Blocks of one step from which a law is learnt at most: more add nothing.
_MOST_LEARNT = 1000

Made = TypeVar("Made")


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
    lends : array of bool, shape (blocks,)
        Blocks whose own visits are among those that may be borrowed from.
    memory : dict
        What was worked out for a cohort, by what it is and its day.
    """

    baseline: Baseline
    like: Integers
    cohorts: list[Cohort]
    lends: Flags
    memory: dict[Hashable, Any] = field(default_factory=dict)

    def once(self, what: str, cohort: Cohort, make: Callable[[], Made]) -> Made:
        """Return what `make` gives, or gave before for this cohort."""
        key = (what, cohort.kind, cohort.until)
        if key not in self.memory:
            self.memory[key] = make()
        found: Made = self.memory[key]
        return found


@dataclass(frozen=True, slots=True)
class Lenders:
    """Meters that stand for a fleet, from whose visits the others borrow.

    Attributes
    ----------
    points : pl.DataFrame
        Their points, as for `drift.limits.baseline.set_baseline`.
    series : array of int
        Numbers of their series among the points that limits are set for.
    memory : dict
        What was worked out of them, kept from one part of the fleet to the next.
    """

    points: pl.DataFrame
    series: Integers = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    memory: dict[Hashable, Any] = field(default_factory=dict)


def set_pool(
    baseline: Baseline,
    points: pl.DataFrame,
    *,
    visits: int = 0,
    window: tuple[float, float] | None = None,
    lenders: Lenders | None = None,
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
    lenders : Lenders or None
        Who may be borrowed from, of one kind with all; None for the blocks themselves.
    """
    memory: dict[Hashable, Any] = {}
    lends = np.ones(len(baseline.starts), bool)
    pool = baseline
    if lenders is not None:
        memory = lenders.memory
        lends = np.isin(baseline.rows["series"].to_numpy()[baseline.starts], lenders.series)
        if "pool" not in memory:
            memory["pool"] = _by_own_phases(lenders.points, visits=visits, window=window)
        pool = memory["pool"]
    elif "own_phase" in points.columns:
        pool = _by_own_phases(points, visits=visits, window=window)
    like, pool_like = kinds_of_meters(baseline), kinds_of_meters(pool)
    last, when = borrowing_cutoffs(baseline), _times(pool)
    cohorts = []
    for kind in np.unique(like):
        mine = np.flatnonzero((like == kind) & (baseline.counts > 0))
        days = learning_days(when[pool.inside & (pool_like == kind)[pool.block]])
        until = np.concatenate([[-np.inf], days])[np.searchsorted(days, last[mine], side="right")]
        cohorts += [Cohort(int(kind), float(day), mine[until == day]) for day in np.unique(until)]
    return Pool(baseline=pool, like=pool_like, cohorts=cohorts, lends=lends, memory=memory)


def _by_own_phases(
    points: pl.DataFrame, *, visits: int, window: tuple[float, float] | None
) -> Baseline:
    """Return the baselines of all phases, each by itself."""
    if "own_phase" in points.columns:
        points = points.with_columns(phase=pl.col("own_phase"))
    return set_baseline(points, visits=visits, window=window)


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


def rows_lent(baseline: Baseline, pool: Pool, cohort: Cohort) -> Flags:
    """Return which baseline rows a law of the day of a cohort was learnt from."""
    return baseline.inside & pool.lends[baseline.block] & (_times(baseline) <= cohort.until)


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
