"""This module turns a fleet's p values into q values."""

import numpy as np

from drift.arrays import Floats


def discovery_q(p: Floats) -> Floats:
    """Return the Benjamini–Hochberg adjusted p value of each test.

    Parameters
    ----------
    p : array, shape (tests,)
        P values in [0, 1]; NaN where there was no test, which counts for nothing.

    Returns
    -------
    array, shape (tests,)
        Smallest false discovery rate at which the test is among the findings; NaN where p is.

    Raises
    ------
    ValueError
        If a p value lies outside [0, 1].

    References
    ----------
    Benjamini and Hochberg (1995), Journal of the Royal Statistical Society B 57, 289–300.  It
    controls the rate for independent tests and for those positively dependent on each other
    (Benjamini and Yekutieli 2001, Annals of Statistics 29, 1165–1188), such as one meter's points.
    """
    tested = np.flatnonzero(~np.isnan(p))
    given = p[tested]
    if given.size and not ((given >= 0) & (given <= 1)).all():
        raise ValueError("a p value lies outside 0 to 1")
    falling = np.argsort(given)[::-1]
    ranks = np.arange(given.size, 0, -1)
    adjusted = np.minimum.accumulate(np.minimum(1.0, given[falling] * given.size / ranks))
    q = np.full(p.shape, np.nan)
    q[tested[falling]] = adjusted
    return q
