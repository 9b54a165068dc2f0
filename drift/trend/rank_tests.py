"""This module tests and measures trends by ranks and pair slopes.

Methods take blocks: rows are series of equal length, columns visits in time order.  The
Mann–Kendall test is also given the variance that a wandering path has.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

from drift.arrays import Floats, Integers

# Values nearer than this are ties.  A running sum of decimal steps misses its decimal value by
# some 1e-16, which must not break the ties of a dial read to 0.05.
_DECIMALS = 9
# Exact null distribution: up to this length without ties, as scipy.stats.kendalltau does it.
_EXACT_UNTIED = 33
# With ties up to this length, as far as printed tables of exact probabilities go (Gilbert 1987,
# Table A18); above it Gilbert's normal approximation.
_EXACT_TIED = 10

# Wander of one interval over twice the noise variance of one visit: where the inflation is
# computed; between them it is interpolated.
_RATIOS: Floats = np.concatenate([[0.0], np.geomspace(1e-4, 1e3, 22)])
# The number of visits squared times twice itself is the work; above this it is not done.
_MOST_VISITS = 128
# Above this the inflation is computed at every eighth power of two and interpolated.
_EVERY_LENGTH = 24


@dataclass(frozen=True, slots=True)
class Kendall:
    """Mann–Kendall tests of a block; the null is "no monotone trend, visits exchangeable".

    Attributes
    ----------
    s : array, shape (series,)
        Concordant minus discordant pairs of time and value.
    variance : array, shape (series,)
        Of `s` under the null, corrected for ties in values and in times.
    z : array, shape (series,)
        Standardised with continuity correction; 0 where the variance is 0.
    p : array, shape (series,)
        Two-sided; exact where `mann_kendall` says so.
    """

    s: Floats
    variance: Floats
    z: Floats
    p: Floats


@dataclass(frozen=True, slots=True)
class PairSlopes:
    """Theil–Sen slopes of a block, with the interval of Sen.

    Attributes
    ----------
    slope, low, high : array, shape (series,)
        Value per unit of time; NaN where all times are the same.
    """

    slope: Floats
    low: Floats
    high: Floats


def mann_kendall(times: Floats, values: Floats) -> Kendall:
    """Test each series of a block for a monotone trend.

    Parameters
    ----------
    times, values : array, shape (series, visits)
        At least two visits.

    Returns
    -------
    Kendall
        `p` is exact without ties up to 33 visits, and up to 10 visits where values but not times
        are tied; otherwise it is from the normal approximation with continuity correction.
        Values that differ by less than 1e-9 are tied.

    Notes
    -----
    Exchangeability fails where a process wanders: a random walk without drift gives small p
    values far too often.  The test of `drift.trend.path_trend` allows for that.

    References
    ----------
    Mann (1945), Econometrica 13, 245–259; Kendall (1970), Rank Correlation Methods, 4th edition
    (variance with ties in both rankings, continuity correction); Gilbert (1987), Statistical
    Methods for Environmental Pollution Monitoring, section 16.4 (exact below 10, normal above).
    """
    n = times.shape[1]
    s, variance, untied_times = kendall_score(times, values)
    safe = np.where(variance > 0, variance, 1.0)
    z = np.sign(s) * np.maximum(np.abs(s) - 1, 0) / np.sqrt(safe)
    p = 2 * special.ndtr(-np.abs(z))
    untied = untied_times & (variance == n * (n - 1) * (2 * n + 5) / 18)
    if n <= _EXACT_UNTIED:
        p[untied] = _exact_tail((1,) * n)[np.abs(s[untied]).astype(np.int64)]
    if n <= _EXACT_TIED:
        for row in np.flatnonzero(untied_times & ~untied):
            p[row] = _exact_tail(_tie_pattern(values[row]))[int(abs(s[row]))]
    return Kendall(s=s, variance=variance, z=z, p=np.minimum(p, 1.0))


def kendall_score(times: Floats, values: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Return Mann–Kendall's S, its variance for exchangeable visits, and who has no tied times.

    Parameters
    ----------
    times, values : array, shape (series, visits)
        At least two visits; values that differ by less than 1e-9 are tied.

    Returns
    -------
    tuple of array, each of shape (series,)
        As `mann_kendall` uses them.
    """
    t, y = np.round(times, _DECIMALS), np.round(values, _DECIMALS)
    n = t.shape[1]
    first, second = np.triu_indices(n, 1)
    s = (np.sign(t[:, second] - t[:, first]) * np.sign(y[:, second] - y[:, first])).sum(axis=1)
    t_ties, y_ties = _tie_sums(t), _tie_sums(y)
    variance = (n * (n - 1) * (2 * n + 5) - t_ties[2] - y_ties[2]) / 18
    variance += t_ties[0] * y_ties[0] / (2 * n * (n - 1))
    if n > 2:
        variance += t_ties[1] * y_ties[1] / (9 * n * (n - 1) * (n - 2))
    return s, variance, t_ties[0] == 0


def theil_sen(times: Floats, values: Floats, *, level: float) -> PairSlopes:
    """Return the median of pair slopes of each series and its interval.

    Parameters
    ----------
    times, values : array, shape (series, visits)
        Time order; at least two visits.
    level : float
        Two-sided error probability of the interval.

    Notes
    -----
    The ranks of the limits are rounded to whole numbers as in ``scipy.stats.theilslopes``, not
    interpolated as in Gilbert (1987); the variance ignores pairs tied in both time and value.

    References
    ----------
    Theil (1950), Proceedings of the Royal Netherlands Academy of Sciences 53; Sen (1968), Journal
    of the American Statistical Association 63, 1379–1389, equation 2.6.
    """
    n = times.shape[1]
    first, second = np.triu_indices(n, 1)
    run = times[:, second] - times[:, first]
    apart = run > 0
    slopes = np.full(run.shape, np.inf)
    np.divide(values[:, second] - values[:, first], run, out=slopes, where=apart)
    slopes.sort(axis=1)
    pairs = apart.sum(axis=1)
    rounded = np.round(times, _DECIMALS), np.round(values, _DECIMALS)
    tied = sum(_tie_sums(block)[2] for block in rounded)
    variance = (n * (n - 1) * (2 * n + 5) - tied) / 18
    usable = (pairs > 0) & (variance >= 0)
    half = special.ndtri(level / 2) * np.sqrt(np.maximum(variance, 0.0))
    last = np.maximum(pairs - 1, 0)
    upper = np.minimum(np.round((pairs - half) / 2).astype(np.int64), last)
    lower = np.maximum(np.round((pairs + half) / 2).astype(np.int64) - 1, 0)
    middle = (_pick(slopes, last // 2) + _pick(slopes, pairs // 2)) / 2
    return PairSlopes(
        slope=np.where(pairs > 0, middle, np.nan),
        low=np.where(usable, _pick(slopes, lower), np.nan),
        high=np.where(usable, _pick(slopes, upper), np.nan),
    )


def _pick(rows: Floats, position: Integers) -> Floats:
    """Return from each row the value at its own position."""
    bounded = np.minimum(position, rows.shape[1] - 1)
    picked: Floats = np.take_along_axis(rows, bounded[:, None], axis=1)[:, 0]
    return picked


def _tie_sums(values: Floats) -> tuple[Floats, Floats, Floats]:
    """Return per row the sums over tie groups of size k of the three terms of the variance.

    They are k(k−1), k(k−1)(k−2) and k(k−1)(2k+5).
    """
    rows, n = values.shape
    ordered = np.sort(values, axis=1)
    starts = np.ones((rows, n), dtype=bool)
    starts[:, 1:] = ordered[:, 1:] != ordered[:, :-1]
    at = np.flatnonzero(starts.ravel())
    sizes = np.diff(at, append=rows * n).astype(np.float64)
    pairs = sizes * (sizes - 1)

    def per_row(terms: Floats) -> Floats:
        return np.bincount(at // n, weights=terms, minlength=rows).astype(np.float64)

    return per_row(pairs), per_row(pairs * (sizes - 2)), per_row(pairs * (2 * sizes + 5))


def _tie_pattern(values: Floats) -> tuple[int, ...]:
    """Return the sizes of the groups of equal values, ascending."""
    sizes = np.unique(np.round(values, _DECIMALS), return_counts=True)[1]
    return tuple(sorted(int(size) for size in sizes))


@lru_cache(maxsize=4096)
def _exact_tail(sizes: tuple[int, ...]) -> Floats:
    """Return P(abs(S) ≥ s) for s = 0, 1, … over all orders of values tied in groups of `sizes`.

    The number of discordant pairs of a random order has the Gaussian multinomial coefficient as
    generating function, which is built one group at a time as products (1 − q^a)/(1 − q^b)
    (Andrews 1976, The Theory of Partitions, theorem 3.6).  Whole numbers keep it exact.
    """
    counts: list[int] = [1]
    placed = 0
    for size in sizes:
        for inside in range(1, size + 1):
            placed += 1
            counts = _divide(_multiply(counts, placed), inside)
    most = len(counts) - 1
    total = sum(counts)
    tail = np.zeros(most + 2)
    running = 0
    for s in range(most, -1, -1):
        if (most - s) % 2 == 0:
            discordant = (most - s) // 2
            running += counts[discordant] + (counts[most - discordant] if s else 0)
        tail[s] = running / total
    return tail


def _multiply(counts: list[int], power: int) -> list[int]:
    """Return the polynomial `counts` times (1 − q^power)."""
    longer = counts + [0] * power
    for index, count in enumerate(counts):
        longer[index + power] -= count
    return longer


def _divide(counts: list[int], power: int) -> list[int]:
    """Return the polynomial `counts` divided by (1 − q^power), which must divide it."""
    quotient = counts[:]
    for index in range(power, len(quotient)):
        quotient[index] += quotient[index - power]
    return quotient[: len(quotient) - power]


def wander_p(
    s: Floats, variance: Floats, *, ratios: Floats, weights: Floats, visits: int
) -> Floats:
    """Return the two-sided p value of "no drift" for paths that wander.

    Parameters
    ----------
    s, variance : array, shape (series,)
        Mann–Kendall's statistic and its variance for exchangeable visits, corrected for ties
        (`drift.trend.rank_tests.kendall_score`).
    ratios, weights : array, shape (series, components)
        Ratios of wander to noise as in `inflation`, and the weight of each, summing to 1.
    visits : int
        Length of the series, at least 3.

    Returns
    -------
    array, shape (series,)
        NaN above 128 visits.

    Notes
    -----
    A path that only wanders often climbs or falls almost throughout, so S is far from normal.
    It cannot pass the number of pairs; a symmetric beta distribution on that range with the
    inflated variance keeps the error probability at or below the nominal one at every ratio,
    where the normal keeps it too but hardly ever speaks (tests).
    """
    pairs = visits * (visits - 1) / 2
    inflated = variance[:, None] * inflation(visits, ratios) / pairs**2
    still = variance[:, None] <= 0
    shape = np.maximum((1 / np.where(still, 0.5, inflated) - 1) / 2, 1e-3)
    tau = np.maximum(np.abs(s[:, None]) - 1, 0) / pairs
    tails = np.where(still, 1.0, 2 * special.betainc(shape, shape, (1 - tau) / 2))
    p: Floats = (weights * tails).sum(axis=1)
    return np.minimum(p, 1.0)


def inflation(visits: int, ratios: Floats) -> Floats:
    """Return the variance of S over that of exchangeable visits, for a path without drift.

    Parameters
    ----------
    visits : int
        Length of the path, at least 2.
    ratios : array, any shape
        Wander of one interval over twice the noise variance of a visit, τ²Δ/(2σ²), at least 0.

    Returns
    -------
    array, shape of `ratios`
        At least 1; NaN above 128 visits.  Equally spaced visits are assumed.

    References
    ----------
    Hamed (2008), Journal of Hydrology 349, 350–363: for a Gaussian path the signs of two
    differences with correlation r have covariance (2/π) arcsin r, and the variance of S is the sum
    over all pairs of pairs of visits (from memory; proved in the tests by simulation).
    """
    if visits > _MOST_VISITS:
        return np.full(np.shape(ratios), np.nan)
    if visits <= _EVERY_LENGTH:
        table = _table(visits)
    else:
        power = 8 * np.log2(visits)
        below, above = (round(2 ** (edge / 8)) for edge in (np.floor(power), np.ceil(power)))
        share = 0.0 if below == above else np.log(visits / below) / np.log(above / below)
        table = _table(below) ** (1 - share) * _table(above) ** share
    at = np.interp(_spread(ratios), _spread(_RATIOS), np.log(table))
    return np.exp(at)


def _spread(ratios: Floats) -> Floats:
    """Return the scale on which the inflation is nearly straight."""
    return np.log(np.asarray(ratios) + 1e-4)


@lru_cache(maxsize=256)
def _table(visits: int) -> Floats:
    """Return the inflation at each of `_RATIOS`.

    Pairs (i, i + a) and (i + h, i + h + b) have a correlation that depends on a, b and h alone,
    and fit into the record in as many places as it leaves.
    """
    lags = np.arange(1, visits)
    a, b, h = np.meshgrid(lags, lags, np.arange(-(visits - 1), visits), indexing="ij")
    places = visits - np.maximum(a, h + b) + np.minimum(0, h)
    fits = places > 0
    a, b, h, places = a[fits], b[fits], h[fits], places[fits]
    overlap = np.maximum(0, np.minimum(a, h + b) - np.maximum(0, h))
    shared = ((h + b == a) * 1.0 - (h == a) - (h + b == 0) + (h == 0)) / 2
    exchangeable = visits * (visits - 1) * (2 * visits + 5) / 18
    table = np.empty(_RATIOS.size)
    for index, ratio in enumerate(_RATIOS):
        spread = np.sqrt((ratio * a + 1) * (ratio * b + 1))
        correlation = np.clip((ratio * overlap + shared) / spread, -1.0, 1.0)
        table[index] = (places * np.arcsin(correlation)).sum() * 2 / np.pi / exchangeable
    return table
