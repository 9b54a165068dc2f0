"""This module measures whether successive visits resemble each other, and what that does to limits.

Limits assume independent visits.  Where a visit resembles the one before (a first-order
autoregression with coefficient φ), a short baseline shows less spread than the process has and a
mean is less certain; the factors here put both right.  The lag-1 autocorrelation is ours because it
is batched over blocks, and is tested equal to statsmodels' acf.
"""

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from drift.arrays import Floats
from drift.limits.baseline import Baseline
from drift.limits.rounding.borrowing import Cohort, Pool, known_by

# Points from which one series is tested by itself; shorter ones only together with their like.
OWN_POINTS = 15
_FEWEST_POINTS = 5
_FEWEST_TOGETHER = 5
# Below this a fleet's common autocorrelation changes limits by less than a twentieth.
_LEAST = 0.05
_MOST = 0.95


@dataclass(frozen=True, slots=True)
class Lag1:
    """Lag-1 autocorrelation of baselines, one per block.

    Attributes
    ----------
    estimate : array, shape (blocks,)
        As in the StRD data sets; NaN for fewer than three points or no spread.
    allowed_for : array, shape (blocks,)
        Coefficient φ that limits must allow for: 0 where no autocorrelation was found.
    """

    estimate: Floats
    allowed_for: Floats


def find_lag1(baseline: Baseline, *, pool: Pool, level: float) -> Lag1:
    """Test the baselines of all blocks for autocorrelation.

    A block with at least `OWN_POINTS` points is tested by itself; all blocks of similar meters are
    tested together.  The test is one-sided: only positive autocorrelation makes false alarms.

    Parameters
    ----------
    baseline : Baseline
    pool : Pool
        Which baselines are tested together, and up to which day.
    level : float
        Chance that independent visits are found autocorrelated.

    References
    ----------
    Moments of r under independence, E = −1/n and Var = (n−2)²/(n²(n−1)): P. A. P. Moran (1948),
    Biometrika 35, 255-260 (from memory); bias −(1+4φ)/n: M. G. Kendall (1954), Biometrika 41.
    """
    found = _excesses(baseline, baseline.inside)
    critical = -ndtri(level)
    phi = np.zeros(len(found.estimate))
    for cohort in pool.cohorts:
        phi[cohort.blocks] = pool.once(
            "autocorrelation",
            cohort,
            partial(_common_of, pool, cohort, critical=critical),
        )
    own = (found.count >= OWN_POINTS) & (found.excess > critical * np.sqrt(found.variance))
    phi = np.where(own & found.usable, found.coefficient, phi)
    return Lag1(estimate=found.estimate, allowed_for=np.clip(phi, 0.0, _MOST))


@dataclass(frozen=True, slots=True)
class _Excesses:
    """By how much each block's autocorrelation exceeds that of independent visits."""

    estimate: Floats
    count: NDArray[np.int64]
    usable: NDArray[np.bool_]
    excess: Floats
    variance: Floats
    coefficient: Floats


def _excesses(baseline: Baseline, inside: NDArray[np.bool_]) -> _Excesses:
    """Return what the rows `inside` of each block say."""
    estimate, count = _estimates(baseline, inside)
    usable = np.isfinite(estimate) & (count >= _FEWEST_POINTS)
    n = np.maximum(count, 3).astype(float)
    excess = np.where(usable, estimate + 1 / n, 0.0)
    return _Excesses(
        estimate=estimate,
        count=count,
        usable=usable,
        excess=excess,
        variance=np.where(usable, (n - 2) ** 2 / (n**2 * (n - 1)), 0.0),
        coefficient=excess / np.maximum(1 - 4 / n, 0.1),
    )


def _common_of(pool: Pool, cohort: Cohort, *, critical: float) -> float:
    """Return the coefficient that what a cohort may borrow from shares."""
    return _common(_excesses(pool.baseline, known_by(pool, cohort)), critical)


def _common(found: _Excesses, critical: float) -> float:
    """Return the coefficient that blocks of similar meters share, 0 where they show none."""
    mine = found.usable
    if mine.sum() < _FEWEST_TOGETHER:
        return 0.0
    if not found.excess[mine].sum() > critical * np.sqrt(found.variance[mine].sum()):
        return 0.0
    common = float(found.coefficient[mine].mean())
    return common if common > _LEAST else 0.0


def mean_inflation(phi: ArrayLike, count: ArrayLike) -> Floats:
    """Return the variance of a mean of `count` values in units of that of independent values.

    References
    ----------
    1 + 2 Σ (1 − j/n) φʲ, j = 1 … n−1, for a stationary first-order autoregression.
    """
    f, n = np.asarray(phi, float), np.maximum(np.asarray(count, float), 1)
    return np.asarray(1 + 2 * (f / (1 - f) - f * (1 - f**n) / (n * (1 - f) ** 2)))


def spread_shortfall(phi: ArrayLike, count: ArrayLike) -> Floats:
    """Return E(s²)/σ² of `count` autocorrelated values; 1 for independent ones."""
    n = np.maximum(np.asarray(count, float), 2)
    return np.asarray((n - mean_inflation(phi, n)) / (n - 1))


def widening(phi: ArrayLike, count: ArrayLike) -> Floats:
    """Return the factor by which limits of single values from a baseline of `count` widen."""
    n = np.maximum(np.asarray(count, float), 2)
    wanted = (1 + mean_inflation(phi, n) / n) / spread_shortfall(phi, n)
    return np.asarray(np.sqrt(wanted / (1 + 1 / n)))


def ewma_widening(phi: ArrayLike, count: ArrayLike, *, weight: float) -> Floats:
    """Return the factor by which limits of an EWMA widen.

    References
    ----------
    Stationary variance (1 + φ(1−λ))/(1 − φ(1−λ)) in units of that of independent values; the mean
    of the baseline inflates by more, which then holds for the whole.
    """
    f, n = np.asarray(phi, float), np.maximum(np.asarray(count, float), 2)
    smooth = (1 + f * (1 - weight)) / (1 - f * (1 - weight))
    wanted = np.maximum(smooth, mean_inflation(f, n)) / spread_shortfall(f, n)
    return np.asarray(np.sqrt(wanted))


def _estimates(baseline: Baseline, inside: NDArray[np.bool_]) -> tuple[Floats, NDArray[np.int64]]:
    """Return the lag-1 autocorrelation of some rows of each block, and how many they are."""
    rows = np.flatnonzero(inside)
    block, blocks = baseline.block[rows], len(baseline.starts)
    count = np.bincount(block, minlength=blocks)
    mean = np.bincount(block, baseline.values[rows], minlength=blocks) / np.maximum(count, 1)
    deviation = baseline.values[rows] - mean[block]
    total = np.bincount(block, deviation**2, minlength=blocks)
    pairs = block[1:] == block[:-1]
    product = (deviation[1:] * deviation[:-1])[pairs]
    crossed = np.bincount(block[1:][pairs], product, minlength=blocks)
    scale = np.bincount(block, np.abs(baseline.values[rows]), minlength=blocks)
    known = (count >= 3) & (total > 1e-20 * np.maximum(scale, 1e-10) ** 2)
    return np.where(known, crossed / np.where(known, total, 1), np.nan), count
