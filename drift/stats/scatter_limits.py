"""This module says how large the scatter of new replicates may be; it estimates nothing.

What a baseline and its like leave possible is averaged over, as for single points.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtri

from drift.stats.baseline import Baseline
from drift.stats.process_posterior import settled
from drift.stats.rounded_spread import (
    normal_range_tail,
    normal_spread_tail,
    range_law,
    spread_law,
)
from drift.stats.scatter import Scatter, ScatterGroup

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

_QUANTILE_RATIO = 1.01
# Share of the nominal rate aimed at where steps are coarse: a scatter estimated a sixth too low, as
# happens on the marks of a dial, then still keeps the whole (simulated in the tests).
_MARGIN = 0.35


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
        can = np.flatnonzero(np.isfinite(scatter.sigma[group.blocks]))
        lengths = baseline.lengths[group.blocks[can]]
        at = np.repeat(can, lengths)
        into = np.arange(len(at)) - np.repeat(np.cumsum(lengths) - lengths, lengths)
        rows_of_group = baseline.starts[group.blocks[at]] + into
        size_of = sizes[rows_of_group]
        for size in np.unique(size_of[size_of > 1]):
            some = size_of == size
            mine = rows_of_group[some]
            wanted, back = np.unique(at[some], return_inverse=True)
            centre, upper, rate = _limit(
                scatter, group, wanted, int(size), of_range=of_range, nominal=nominal
            )
            limits.centre[mine] = settled(centre)[back]
            limits.upper[mine] = settled(upper)[back]
            block = group.blocks[wanted]
            limits.attained[block] = np.fmax(limits.attained[block], settled(rate))
    return limits


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
