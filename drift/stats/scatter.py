"""This module pools the scatter of replicates and says how large it may be; it draws nothing.

Each visit has a mean of its own: only how far apart its readings lie counts.  What a baseline and
its like leave possible is averaged over, as for single points.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtri

from drift.stats.baseline import Baseline
from drift.stats.new_point import kinds_of_meters
from drift.stats.observations import Observations, observe_visits, read_readings
from drift.stats.process_cases import learn
from drift.stats.process_groups import sort_by_step
from drift.stats.process_posterior import df_of_log_variance
from drift.stats.replicate_likelihood import LOWEST_WITHIN, replicate_log_likelihoods
from drift.stats.rounded_spread import (
    normal_range_tail,
    normal_spread_tail,
    range_law,
    spread_law,
)
from drift.stats.spread_pool import grid_of_spreads, own_spread, posterior_of_spread, unlike

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]

_RATIO_COARSE, _RATIO_FINE = 1.15, 1.1
_MOST_LEARNT = 3000
_QUANTILE_RATIO = 1.01
# Share of the nominal rate aimed at where steps are coarse: a scatter estimated a sixth too low, as
# happens on the marks of a dial, then still keeps the whole (simulated in the tests).
_MARGIN = 0.35


@dataclass(frozen=True, slots=True)
class ScatterGroup:
    """Blocks of like meters read to one step, and what is held of the scatter of their readings.

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
        Replicates agree too closely to show a scatter; it fails the F test of its like.
    groups : list of ScatterGroup
    """

    sigma: Floats
    df: Floats
    visits: Integers
    meters: Integers
    limited: Flags
    unlike: Flags
    groups: list[ScatterGroup]


@dataclass(frozen=True, slots=True)
class ScatterLimits:
    """Upper limits of each row and what goes with them.

    Attributes
    ----------
    centre, upper : array, shape (rows,)
        Expected value and limit.
    attained : array, shape (blocks,)
        Largest false-alarm rate of a row of the block.
    """

    centre: Floats
    upper: Floats
    attained: Floats


def pool_scatter(baseline: Baseline, *, needed: int, pooling_level: float) -> Scatter:
    """Estimate the scatter of replicates of every block.

    Parameters
    ----------
    baseline : Baseline
        Points in blocks, with their readings in ``values``.
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
    squares = _squares(observations)
    df = np.bincount(observations.block, sizes - 1, minlength=blocks)
    enough = (baseline.counts >= needed) & (df >= needed - 1)
    total = np.bincount(observations.block, squares, minlength=blocks)
    step = np.zeros(blocks)
    np.maximum.at(step, observations.block, observations.patterns.steps[observations.pattern])
    like = kinds_of_meters(baseline)
    sd = np.sqrt(total / np.maximum(df, 1))
    for kind in np.unique(like):
        mine = (like == kind) & (df > 0)
        for chosen, each in sort_by_step(mine, step=step, sd=sd, number=df + 1):
            group = _group(observations, chosen, each, sd[chosen])
            _fill(result, group, df[chosen].astype(float), enough, pooling_level)
    return result


def upper_limits(
    scatter: Scatter, baseline: Baseline, sizes: Integers, *, of_range: bool, nominal: float
) -> ScatterLimits:
    """Set upper limits of the standard deviation, or the range, of each row's readings.

    Parameters
    ----------
    scatter : Scatter
    baseline : Baseline
    sizes : array of int, shape (rows,)
        Readings of each row; rows with fewer than 2 get none.
    of_range : bool
        Whether the range is charted.
    nominal : float
        False-alarm probability aimed at, on the upper side.

    References
    ----------
    Without rounding the limit of s is s₁·sqrt(F) with F of (n − 1, ν) degrees of freedom:
    NIST/SEMATECH e-Handbook of Statistical Methods, 2.2.3.1 and 2.6.2.3.
    """
    rows, blocks = len(sizes), len(scatter.sigma)
    limits = ScatterLimits(np.full(rows, np.nan), np.full(rows, np.nan), np.full(blocks, np.nan))
    for group in scatter.groups:
        place = np.full(blocks, -1)
        can = np.isfinite(scatter.sigma[group.blocks])
        place[group.blocks[can]] = np.flatnonzero(can)
        at = place[baseline.block]
        for size in np.unique(sizes[(at >= 0) & (sizes > 1)]):
            mine = np.flatnonzero((at >= 0) & (sizes == size))
            wanted, back = np.unique(at[mine], return_inverse=True)
            centre, upper, rate = _limit(
                scatter, group, wanted, int(size), of_range=of_range, nominal=nominal
            )
            limits.centre[mine], limits.upper[mine] = centre[back], upper[back]
            block = group.blocks[wanted]
            limits.attained[block] = np.fmax(limits.attained[block], rate)
    return limits


def _squares(observations: Observations) -> Floats:
    """Return the sum of squares of each entry's readings about their mean."""
    offsets = observations.patterns.offsets
    mean = np.nansum(offsets, axis=1) / np.maximum(observations.patterns.replicates, 1)
    squares = np.nansum((offsets - mean[:, None]) ** 2, axis=1)
    return np.asarray(squares[observations.pattern])


def _group(observations: Observations, blocks: Integers, step: float, sd: Floats) -> ScatterGroup:
    """Weigh the spreads of one group by the readings of each block; not yet by its like."""
    scattered = sd[sd > 0]
    typical = float(np.median(scattered)) if len(scattered) else 0.0
    highest = float(sd.max())
    if step > 0:
        top = max(30 * max(typical, step / 2), 6 * highest)
        nodes = grid_of_spreads(LOWEST_WITHIN * step, top, ratio=_RATIO_COARSE)
    else:
        top = max(30 * typical, 6 * highest)
        nodes = grid_of_spreads(typical / 20, top, ratio=_RATIO_FINE)
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
    result: Scatter, group: ScatterGroup, df: Floats, enough: Flags, pooling_level: float
) -> None:
    """Pool a group and fill in what it says of its blocks."""
    masses, blocks = group.probability, group.blocks
    some = np.arange(0, len(blocks), max(1, len(blocks) // _MOST_LEARNT))
    population = learn(
        masses[some], df[some].astype(np.int64) + 1, nodes=group.nodes, level=pooling_level
    )
    spread, shown = own_spread(masses, nodes=group.nodes)
    odd = np.zeros(len(blocks), bool)
    probability = posterior_of_spread(masses, population=None)
    if population is not None:
        odd = shown & unlike(spread, df=df, population=population, level=pooling_level)
        probability[~odd] = posterior_of_spread(masses[~odd], population=population)
        result.meters[blocks] = np.where(odd, 1, len(blocks))
    variance = group.nodes**2 + group.step**2 / 12
    logs = np.log(variance) / 2
    about = probability @ logs**2 - (probability @ logs) ** 2
    can = ((population is not None) & ~odd) | enough[blocks]
    sigma = 1 / np.sqrt(probability @ (1 / variance))
    result.sigma[blocks] = np.where(can, sigma, np.nan)
    result.df[blocks] = np.where(can, df_of_log_variance(about), np.nan)
    result.limited[blocks], result.unlike[blocks] = ~shown, odd
    result.groups.append(
        ScatterGroup(blocks, step=group.step, nodes=group.nodes, probability=probability)
    )


def _limit(
    scatter: Scatter,
    group: ScatterGroup,
    which: Integers,
    size: int,
    *,
    of_range: bool,
    nominal: float,
) -> tuple[Floats, Floats, Floats]:
    """Return centre, upper limit and false-alarm rate of some blocks of a group."""
    chance = group.probability[which]
    tail = normal_range_tail if of_range else normal_spread_tail
    noisy = np.sqrt(group.nodes**2 + group.step**2 / 12)
    grid = np.linspace(0, 12, 1201)
    expected = float(np.trapezoid(tail(size, grid), grid))
    block = group.blocks[which]
    sigma, df = scatter.sigma[block], scatter.df[block]
    if of_range:
        number = int(np.log(20 * noisy[-1] / noisy[0]) / np.log(_QUANTILE_RATIO))
        shown = noisy[0] * _QUANTILE_RATIO ** np.arange(number)
        smooth = _first_below(shown, chance @ tail(size, shown / noisy[:, None]), nominal)
    else:
        smooth = sigma * np.sqrt(fdtri(size - 1.0, df, 1 - nominal))
    rate = np.full(len(which), nominal)
    coarse = int((group.nodes < group.step).sum())
    if not coarse:
        return sigma * expected, smooth, rate
    law = range_law if of_range else spread_law
    shown, exact, mean = law(size, tuple((group.nodes[:coarse] / group.step).tolist()))
    # Between two values that can be shown lies the limit, and there the smooth tails are taken.
    edges = group.step * np.concatenate([[0.0], (shown[1:] + shown[:-1]) / 2])
    table = chance[:, :coarse] @ exact
    table += chance[:, coarse:] @ tail(size, edges / noisy[coarse:, None])
    centre = chance[:, :coarse] @ mean * group.step + chance[:, coarse:] @ noisy[coarse:] * expected
    within = table <= _MARGIN * nominal
    out, reached = within.argmax(axis=1), within.any(axis=1)
    rate = np.where(reached, table[np.arange(len(which)), out], nominal)
    return centre, np.where(reached, edges[out], smooth), rate


def _first_below(values: Floats, chance: Floats, nominal: float) -> Floats:
    """Return where each row's chance falls to `nominal`, by interpolation in its logarithm."""
    out = (chance <= nominal).argmax(axis=1).clip(1)
    rows = np.arange(len(chance))
    high, low = (np.log(np.maximum(chance[rows, out - shift], 1e-300)) for shift in (1, 0))
    share = (high - np.log(nominal)) / np.maximum(high - low, 1e-300)
    return np.asarray(values[out - 1] * (values[out] / values[out - 1]) ** np.clip(share, 0, 1))
