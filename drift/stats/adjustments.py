"""This module says what counts of adjustments and scatter of replicates prove; no policy."""

import numpy as np
import numpy.typing as npt
from scipy import special

from drift.stats.blocks import Floats, Integers


def rate_interval(
    count: npt.ArrayLike, years: npt.ArrayLike, *, confidence: float = 0.95
) -> tuple[Floats, Floats]:
    """Return the exact two-sided interval of a Poisson rate.

    Parameters
    ----------
    count : array_like of int
        Events seen, 0 or more.
    years : array_like
        Time watched, over 0.
    confidence : float
        Over 0 and under 1.

    Returns
    -------
    low, high : array
        Events per year.

    Raises
    ------
    ValueError
        If an argument is out of range.

    References
    ----------
    Garwood (1936), Biometrika 28, 437–442, as quantiles of gamma distributions.
    """
    k, t = np.asarray(count, dtype=np.float64), np.asarray(years, dtype=np.float64)
    if not ((k >= 0).all() and (t > 0).all() and 0 < confidence < 1):
        raise ValueError("expected counts of 0 or more, years over 0, confidence over 0, under 1")
    tail = (1 - confidence) / 2
    low = np.where(k > 0, special.gammaincinv(np.maximum(k, 1), tail), 0.0)
    return low / t, special.gammaincinv(k + 1, 1 - tail) / t


def rise_p(early: npt.ArrayLike, late: npt.ArrayLike, *, late_share: npt.ArrayLike) -> Floats:
    """Return the one-sided p value of "the rate did not rise".

    Parameters
    ----------
    early, late : array_like of int
        Events before and after a moment chosen without regard to them.
    late_share : array_like
        Share of the time watched that lies after it, 0 to 1.

    Returns
    -------
    array
        1 where nothing happened.

    References
    ----------
    Given their sum, the later count is binomial with that share: Przyborowski and Wilenski (1940),
    Biometrika 31, 313–323.
    """
    first, second = np.asarray(early, dtype=np.float64), np.asarray(late, dtype=np.float64)
    share = np.asarray(late_share, dtype=np.float64)
    if not ((first >= 0).all() and (second >= 0).all() and ((share >= 0) & (share <= 1)).all()):
        raise ValueError("expected counts of 0 or more and a share from 0 to 1")
    tail = special.betainc(np.maximum(second, 1), first + 1, share)
    return np.where(second == 0, 1.0, tail)


def last_run(signs: npt.ArrayLike) -> int:
    """Return how many of the last moves went the same way as the last one.

    Parameters
    ----------
    signs : array_like
        Moves in time order; only their signs count, and a 0 is no move.
    """
    moves = np.sign(np.asarray(signs, dtype=np.float64))
    moves = moves[moves != 0]
    if moves.size == 0:
        return 0
    other = np.flatnonzero(moves != moves[-1])
    return int(moves.size if other.size == 0 else moves.size - 1 - other[-1])


def run_p(length: int) -> float:
    """Return the chance that fair moves end in a run at least this long, either way."""
    return 1.0 if length < 2 else float(2.0 ** (1 - length))


def spread_limit(
    freedom: npt.ArrayLike, base_freedom: npt.ArrayLike, *, level: float = 0.05
) -> Floats:
    """Return how many times a pooled base deviation a later deviation may reach by chance.

    Parameters
    ----------
    freedom, base_freedom : array_like of int
        Degrees of freedom of the later deviation and of the base, at least 1.
    level : float
        Chance of going beyond although nothing changed, over 0 and under 1.

    Returns
    -------
    array
        √F, the quantile of F with that upper tail.

    Raises
    ------
    ValueError
        If an argument is out of range.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 2.2.3.1 (control chart for precision: limit
    s₁√F); formula as read there.
    """
    later: Integers = np.asarray(freedom, dtype=np.int64)
    base: Integers = np.asarray(base_freedom, dtype=np.int64)
    if not ((later >= 1).all() and (base >= 1).all() and 0 < level < 1):
        raise ValueError("expected degrees of freedom of at least 1 and a level over 0, under 1")
    ratio: Floats = np.sqrt(special.fdtri(later, base, 1 - level))
    return ratio
