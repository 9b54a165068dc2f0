"""This module gives the laws of range and standard deviation of a few rounded readings.

They depend on where in a step the centre lies and are given for several places, so that a limit
can be set for the worst of them; lengths are in steps.  How likely the scatter of a visit's
replicates is follows from how far apart its readings lie.  Where within a step their mean lies is
asked of the block's other visits: a meter that sits on a mark of its dial shows less of its scatter
than one between two marks.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincc, ndtr, roots_legendre

from drift.arrays import Floats, Integers
from drift.limits.rounding.cells import log_cell_probability
from drift.limits.rounding.observations import Observations

# Places of the centre within half a step; the other half mirrors it.
_PLACES_FEW, _PLACES_MANY = 11, 3
# Groups from this size on are given fewer places: their law hardly depends on it.
_MANY = 5
_REACH = 6.0
_NODES = 60

# Places within a step that are kept apart.
_PLACES = 20
# How far, in steps, a visit's mean may lie from that of its block; from the last on anywhere.
_LEVELS = np.array([0.05, 0.1, 0.16, 0.25, 0.37, 0.6])
# Standard deviation, in steps, from which a visit is as good as unrounded.
_WIDE = 2.0
# Terms of the series of a wrapped normal law.
_WAVES = 12
# Parts of a step in which the place of a visit's mean is summed, at least.
_PARTS = 40
# Log-likelihood against the peak below which a place does not matter; no smaller number arises.
_UNLIKELY = -500.0
LOWEST_WITHIN = 0.05


@lru_cache(maxsize=64)
def spread_law(size: int, sigmas: tuple[float, ...]) -> tuple[Floats, Floats, Floats]:
    """Return the law of the standard deviation of `size` rounded readings.

    Parameters
    ----------
    size : int
        Readings, at least 2.
    sigmas : tuple of float
        Standard deviations before rounding, in steps.

    Returns
    -------
    values : array, shape (values,)
        Standard deviations (n − 1) that rounded readings can have, ascending, in steps.
    chance : array, shape (sigmas, values)
        Chance of at least each value, for the place of the centre that makes it largest.
    mean : array, shape (sigmas,)
        Expected standard deviation, averaged over places.
    """
    single, cells = _cells(size, sigmas)
    reach = len(cells) // 2
    squares = reach**2
    # Joint law of Σk and Σk² of the readings' cell numbers, one reading after another.
    law = np.zeros((len(single), 2 * reach + 1, squares + 1))
    law[:, cells + reach, cells**2] = single
    for number in range(1, size):
        wider = np.zeros((len(single), 2 * reach * (number + 1) + 1, squares * (number + 1) + 1))
        for place, cell in enumerate(cells):
            rows = slice(place, place + law.shape[1])
            columns = slice(cell**2, cell**2 + law.shape[2])
            wider[:, rows, columns] += single[:, place, None, None] * law
        law = wider
    sums = np.arange(law.shape[1]) - reach * size
    # n·Σk² − (Σk)² is a whole number, so that equal spreads are told exactly.
    code = size * np.arange(law.shape[2]) - sums[:, None] ** 2
    used = law.max(axis=0) > 1e-13
    codes, code_of = np.unique(code[used], return_inverse=True)
    weights = np.zeros((len(single), len(codes)))
    np.add.at(weights.T, code_of.reshape(-1), law[:, used].T)
    values = np.sqrt(codes / (size * (size - 1.0)))
    chance = np.cumsum(weights[:, ::-1], axis=1)[:, ::-1].reshape(len(sigmas), -1, len(codes))
    mean = (weights @ values).reshape(len(sigmas), -1).mean(axis=1)
    return values, chance.max(axis=1), mean


@lru_cache(maxsize=64)
def range_law(size: int, sigmas: tuple[float, ...]) -> tuple[Floats, Floats, Floats]:
    """Return the law of the range of `size` rounded readings; as for `spread_law`.

    References
    ----------
    P(range ≤ r) = Σ P(all in k…k+r) − P(all in k+1…k+r) over cells k.
    """
    single, cells = _cells(size, sigmas)
    total = np.concatenate([np.zeros((len(single), 1)), np.cumsum(single, axis=1)], axis=1)
    number = len(cells)
    at_most = np.empty((len(single), number))
    for width in range(number):
        upper = np.minimum(np.arange(number) + width + 1, number)
        all_in = (total[:, upper] - total[:, :number]) ** size
        but_lowest = np.maximum(total[:, upper] - total[:, 1 : number + 1], 0) ** size
        at_most[:, width] = (all_in - but_lowest).sum(axis=1)
    at_least = np.concatenate([np.ones((len(single), 1)), 1 - at_most[:, :-1]], axis=1)
    chance = np.maximum(at_least, 0).reshape(len(sigmas), -1, number)
    mean = (1 - at_most).sum(axis=1).reshape(len(sigmas), -1).mean(axis=1)
    return np.arange(number, dtype=float), chance.max(axis=1), mean


def normal_spread_tail(size: int, values: Floats) -> Floats:
    """Return the chance that s of `size` standard normal values is at least each value."""
    df = size - 1
    return np.asarray(gammaincc(df / 2, df * np.maximum(values, 0) ** 2 / 2))


def normal_range_tail(size: int, values: Floats) -> Floats:
    """Return the chance that the range of `size` standard normal values is at least each value.

    References
    ----------
    P(R ≤ r) = n ∫ φ(x)[Φ(x+r) − Φ(x)]ⁿ⁻¹ dx.
    """
    nodes, weights = roots_legendre(_NODES)
    x, dx = 8 * nodes, 8 * weights
    density = np.exp(-(x**2) / 2) / np.sqrt(2 * np.pi) * dx
    width = np.maximum(np.ravel(values), 0)
    inside = np.asarray(ndtr(x + width[:, None]) - ndtr(x)) ** (size - 1) @ density
    return np.asarray(np.maximum(1 - size * inside, 0.0)).reshape(np.shape(values))


def _cells(size: int, sigmas: tuple[float, ...]) -> tuple[Floats, NDArray[np.int64]]:
    """Return cell probabilities for every spread and place (spread by spread), and the cells."""
    if size < 2:
        raise ValueError(f"a spread needs at least 2 readings, not {size}")
    places = np.linspace(0, 0.5, _PLACES_FEW if size < _MANY else _PLACES_MANY)
    reach = int(np.ceil(_REACH * max(sigmas))) + 1
    cells = np.arange(-reach, reach + 1)
    spread = np.repeat(np.asarray(sigmas), len(places))[:, None]
    centre = np.tile(places, len(sigmas))[:, None]
    low = (cells - 0.5 - centre) / spread
    single = np.exp(log_cell_probability(low, low + 1 / spread))
    return single / single.sum(axis=1, keepdims=True), cells


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
            # Without what division leaves in the last digits, steps have their weights in common.
            table = _by_place(offsets[mine] / each, round(float(nodes[node] / each), 12))
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
    parts = int(np.ceil(max(_PARTS, 2 / within)))
    number = int(np.ceil((float(np.nanmax(offsets)) + 2 * margin) * parts))
    grid = -margin + np.arange(number) / parts
    # Readings lie whole steps apart: a cell's chances serve every pattern that it is in.
    seen = np.isfinite(offsets)
    cells, cell = np.unique(offsets[seen], return_inverse=True)
    low = (cells[:, None] - 0.5 - grid) / within
    times = np.zeros((len(offsets), len(cells)))
    np.add.at(times, (np.nonzero(seen)[0], cell), 1.0)
    total = times @ log_cell_probability(low, low + 1 / within)
    peak = total.max(axis=1)
    like = np.zeros((len(offsets), -(-number // parts) * parts))
    like[:, :number] = np.exp(np.maximum(total - peak[:, None], _UNLIKELY))
    # What counts is the place within a step.
    folded = like.reshape(len(offsets), -1, parts).sum(axis=1)
    weights = _weights(-margin, parts)
    mass = folded @ weights.reshape(-1, parts).T / parts
    logs = peak[:, None] + np.log(np.maximum(mass, 1e-300))
    return np.asarray(logs).reshape(len(offsets), *weights.shape[:2])


@lru_cache(maxsize=64)
def _weights(start: float, parts: int) -> Floats:
    """Return how likely a visit's mean lies where in a step, for every level and place.

    A wrapped normal law of the mean's place within a step, 1 on average, at `parts` places from
    `start` on.
    """
    grid = start + np.arange(parts) / parts
    turn = np.cos(2 * np.pi * (grid - (np.arange(_PLACES) / _PLACES)[:, None]))
    # cos kx by recurrence from cos x, and all levels in one product.
    waves = [np.ones_like(turn), turn]
    for _ in range(2, _WAVES):
        waves.append(2 * turn * waves[-1] - waves[-2])
    k = np.arange(_WAVES)
    share = 2 * np.exp(-2 * (np.pi * k * _LEVELS[:, None]) ** 2)
    share[:, 0] = 1.0
    return np.maximum(np.tensordot(share, np.array(waves), axes=1), 0.0)
