"""This module computes the risks that a fleet runs with a tolerance and an acceptance limit.

Specific risk is about one result (`drift.stats.conformity`); the global risks here are about all
the meters that are checked the same way.
"""

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, owens_t

Floats = npt.NDArray[np.float64]


def global_risks(
    *,
    mean: npt.ArrayLike,
    sd: npt.ArrayLike,
    u: npt.ArrayLike,
    tolerance: npt.ArrayLike,
    acceptance: npt.ArrayLike,
) -> tuple[Floats, Floats]:
    """Return the probabilities of accepting a bad meter and of rejecting a good one.

    Parameters
    ----------
    mean, sd : array_like
        Normal distribution of the true biases of the fleet, % air; sd above 0.
    u : array_like
        Standard uncertainty of a measured bias, % air, above 0.
    tolerance, acceptance : array_like
        Half-widths about 0 of what is good and of what is accepted, % air, above 0.

    Returns
    -------
    false_accept, false_reject : array
        Shares of all meters checked; NaN where sd or u is not above 0.

    References
    ----------
    JCGM 106:2012, clause 9 (global consumer's and producer's risk), the integrals of the prior
    times the acceptance probability; here as areas of a bivariate normal distribution.
    """
    m, s, error, good, taken = np.broadcast_arrays(
        *(np.asarray(value, dtype=np.float64) for value in (mean, sd, u, tolerance, acceptance))
    )
    s, error = np.where(s > 0, s, np.nan), np.where(error > 0, error, np.nan)
    total = np.hypot(s, error)
    correlation = s / total
    high_good, low_good = (good - m) / s, (-good - m) / s
    high_taken, low_taken = (taken - m) / total, (-taken - m) / total
    both = (
        bivariate_normal(high_good, high_taken, correlation=correlation)
        - bivariate_normal(low_good, high_taken, correlation=correlation)
        - bivariate_normal(high_good, low_taken, correlation=correlation)
        + bivariate_normal(low_good, low_taken, correlation=correlation)
    )
    accepted = ndtr(high_taken) - ndtr(low_taken)
    conforming = ndtr(high_good) - ndtr(low_good)
    return np.maximum(accepted - both, 0.0), np.maximum(conforming - both, 0.0)


def bivariate_normal(h: npt.ArrayLike, k: npt.ArrayLike, *, correlation: npt.ArrayLike) -> Floats:
    """Return P(X ≤ h, Y ≤ k) for standard normal X, Y with a correlation within ±1.

    References
    ----------
    Owen (1956), Annals of Mathematical Statistics 27, 1075–1090, equation 2.1.
    """
    x, y, r = np.broadcast_arrays(
        *(np.asarray(value, dtype=np.float64) for value in (h, k, correlation))
    )
    root = np.sqrt(1 - r**2)
    # At exactly 0 the arguments of T are limits; a number too small to matter takes their place.
    x, y = np.where(x == 0, 1e-300, x), np.where(y == 0, 1e-300, y)
    t = owens_t(x, (y / x - r) / root) + owens_t(y, (x / y - r) / root)
    return np.asarray((ndtr(x) + ndtr(y)) / 2 - t - np.where(x * y < 0, 0.5, 0.0))
