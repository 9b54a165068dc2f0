"""This module says how likely the scatter of each visit's replicates is; it pools nothing.

Only how far apart the readings of a visit lie counts, not where: the mean of the visit is summed
over.  How often rounded replicates differ depends on where within a step that mean lies, though,
and about this the block's other visits are asked: a meter that sits on a mark of its dial shows
less of its scatter than one between two marks.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from drift.stats.observations import Observations
from drift.stats.rounding import log_cell_probability

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

# Places within a step that are told apart.
_PLACES = 20
# How far, in steps, a visit's mean may lie from that of its block; from the last on anywhere.
_LEVELS = np.array([0.05, 0.1, 0.16, 0.25, 0.37, 0.6])
# Standard deviation, in steps, from which a visit is as good as unrounded.
_WIDE = 2.0
# Terms of the series of a wrapped normal law.
_WAVES = 12
LOWEST_WITHIN = 0.05


def replicate_log_likelihoods(
    observations: Observations, entries: Integers, *, nodes: Floats
) -> Floats:
    """Return how likely each standard deviation of replicates makes some visits.

    Parameters
    ----------
    observations : Observations
        Visits of all blocks.
    entries : array of int, shape (n,)
        The visits wanted, each with at least two readings.
    nodes : array, shape (nodes,)
        Standard deviations before rounding, ascending.

    Returns
    -------
    array, shape (n, nodes)
        Log-likelihoods.
    """
    used, pattern = np.unique(observations.pattern[entries], return_inverse=True)
    seen = observations.patterns
    n, step, offsets = seen.replicates[used], seen.steps[used], seen.offsets[used]
    mean = np.nansum(offsets, axis=1) / n
    squares = np.nansum((offsets - mean[:, None]) ** 2, axis=1)
    variance = nodes**2 + step[:, None] ** 2 / 12
    smooth = (
        (n * np.log(step) - np.log(n) / 2)[:, None]
        - (n[:, None] - 1) / 2 * np.log(2 * np.pi * variance)
        - squares[:, None] / (2 * variance)
    )
    logs = smooth[pattern]
    spread, visits, place = _places(observations, entries)
    rough = squares < (n - 1) * (_WIDE * step) ** 2
    for each in np.unique(step[rough]):
        mine = rough & (step == each)
        local = np.cumsum(mine) - 1
        here = np.flatnonzero(mine[pattern])
        size = n[pattern[here]]
        for node in np.flatnonzero(nodes < each):
            table = _by_place(offsets[mine] / each, float(nodes[node] / each))
            # Means of visits differ by their replicates too, which moves no visit's true mean;
            # and the mean of the block is itself only that of so many visits.
            apart = np.maximum(spread[here] ** 2 - nodes[node] ** 2 / size, 0.0)
            apart = np.sqrt(apart + spread[here] ** 2 / visits[here]) / each
            level = np.searchsorted(_LEVELS[:-1], apart)
            logs[here, node] = table[local[pattern[here]], level, place[here]] + np.log(each)
    return np.asarray(logs)


def pooled_within(observations: Observations, entries: Integers) -> tuple[float, bool]:
    """Estimate one standard deviation of replicates for many visits.

    Parameters
    ----------
    observations, entries
        As for `replicate_log_likelihoods`; visits with one reading are passed over.

    Returns
    -------
    within : float
        Standard deviation before rounding, 0 where no visit has replicates.
    known : bool
        False where replicates agree so closely that only a bound is known.
    """
    seen = observations.patterns
    n = seen.replicates[observations.pattern[entries]]
    many = entries[n > 1]
    if not len(many):
        return 0.0, False
    n, step = n[n > 1], seen.steps[observations.pattern[many]]
    mean = np.nansum(seen.offsets, axis=1) / seen.replicates
    squares = np.nansum((seen.offsets - mean[:, None]) ** 2, axis=1)[observations.pattern[many]]
    df = float((n - 1).sum())
    variance, widest = float(squares.sum()) / df, float(step.max())
    if variance >= widest**2:
        return float(np.sqrt(variance - ((n - 1) * step**2).sum() / df / 12)), True
    nodes = np.asarray(widest * LOWEST_WITHIN * 1.15 ** np.arange(24))
    score = replicate_log_likelihoods(observations, many, nodes=nodes).sum(axis=0)
    best = int(score.argmax())
    if best == 0:
        return float(nodes[0]), False
    best = min(best, len(nodes) - 2)
    left, middle, right = score[best - 1 : best + 2]
    shift = 0.5 * (left - right) / (left - 2 * middle + right)
    return float(nodes[best] * 1.15**shift), True


def _places(observations: Observations, entries: Integers) -> tuple[Floats, Floats, Integers]:
    """Return for each visit how far its block's visits lie apart, how many they are, and where.

    The last is the place within a step, counted from the visit's lowest reading, of their mean.
    """
    blocks = int(observations.block.max(initial=-1)) + 1
    number = np.maximum(np.bincount(observations.block, minlength=blocks), 1)
    centre = np.bincount(observations.block, observations.mean, minlength=blocks) / number
    residual = observations.mean - centre[observations.block]
    spread = np.sqrt(
        np.bincount(observations.block, residual**2, minlength=blocks) / np.maximum(number - 1, 1)
    )
    # One visit by itself does not say where its block lies.
    spread = np.where(number > 1, spread, 1e9)
    block = observations.block[entries]
    step = observations.patterns.steps[observations.pattern[entries]]
    away = (centre[block] - observations.lowest[entries]) / step
    place = np.rint(np.mod(away, 1) * _PLACES).astype(np.int64) % _PLACES
    return spread[block], number[block].astype(float), place


def _by_place(offsets: Floats, within: float) -> Floats:
    """Return log-likelihoods of patterns for every level and place; lengths in steps."""
    margin = 0.5 + 6 * within
    fine = min(1 / 40, within / 2)
    grid = np.arange(-margin, float(np.nanmax(offsets)) + margin, fine)
    total = np.zeros((len(offsets), len(grid)))
    for column in offsets.T:
        used = np.isfinite(column)
        low = (column[used, None] - 0.5 - grid) / within
        total[used] += log_cell_probability(low, low + 1 / within)
    peak = total.max(axis=1)
    weights = _weights(-margin, fine, len(grid))
    mass = np.einsum("pm,lcm->plc", np.exp(total - peak[:, None]), weights, optimize=True) * fine
    return np.asarray(peak[:, None, None] + np.log(np.maximum(mass, 1e-300)))


@lru_cache(maxsize=64)
def _weights(start: float, fine: float, number: int) -> Floats:
    """Return how likely a visit's mean lies where on a grid, for every level and place.

    A wrapped normal law of the mean's place within a step, 1 on average.
    """
    grid = start + fine * np.arange(number)
    turn = np.cos(2 * np.pi * (grid - (np.arange(_PLACES) / _PLACES)[:, None]))
    # cos kx by recurrence from cos x, and all levels in one product.
    waves = [np.ones_like(turn), turn]
    for _ in range(2, _WAVES):
        waves.append(2 * turn * waves[-1] - waves[-2])
    k = np.arange(_WAVES)
    share = 2 * np.exp(-2 * (np.pi * k * _LEVELS[:, None]) ** 2)
    share[:, 0] = 1.0
    return np.maximum(np.tensordot(share, np.array(waves), axes=1), 0.0)
