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
    # A second to load, and commands that test nothing do without.
    from statsmodels.stats.multitest import multipletests  # noqa: PLC0415

    tested = ~np.isnan(p)
    q = np.full(p.shape, np.nan)
    if not tested.any():
        return q
    if not ((p[tested] >= 0) & (p[tested] <= 1)).all():
        raise ValueError("a p value lies outside 0 to 1")
    q[tested] = multipletests(p[tested], method="fdr_bh")[1]
    return q
