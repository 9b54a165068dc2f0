"""This module turns a fleet's p values into q values."""

import numpy as np

from drift.arrays import Floats


def discovery_q(p: Floats, *, among: Floats | None = None) -> Floats:
    """Return the Benjamini–Hochberg adjusted p value of each test.

    Parameters
    ----------
    p : array, shape (tests,)
        P values in [0, 1]; NaN where there was no test, which counts for nothing.
    among : array, shape (all tests,), or None
        P values of all tests that were made, these among them; None where these are all.

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
    if among is not None and len(among):
        every = np.sort(among[~np.isnan(among)])
        # Tests of one p value have one q value.
        place = np.minimum(np.searchsorted(every, p), max(len(every) - 1, 0))
        return np.where(np.isnan(p), np.nan, discovery_q(every)[place])
    tested = ~np.isnan(p)
    q = np.full(p.shape, np.nan)
    if not tested.any():
        return q
    if not ((p[tested] >= 0) & (p[tested] <= 1)).all():
        raise ValueError("a p value lies outside 0 to 1")
    q[tested] = _adjusted(p[tested])
    return q


def _adjusted(p: Floats) -> Floats:
    """Return the adjusted values of p values without gaps, to the last digit as statsmodels.

    Its ``multipletests`` takes a second and 60 MiB to load, which each command and process that
    judges a fleet would pay for.
    """
    order = np.argsort(p)
    raised = p[order] / (np.arange(1, len(p) + 1) / len(p))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(np.minimum.accumulate(raised[::-1])[::-1], 1.0)
    return adjusted
