"""This module scores a result against another one: E_n, z and ζ, and a robust spread."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from drift.arrays import Floats

# Coverage factor of the expanded uncertainties in E_n.
COVERED_BY = 2.0
# Winsorised at so many standard deviations, and the factor that makes up for it.
_CUT, _MAKES_UP = 1.5, 1.134
_FROM_MEDIAN = 1.483
_ROUNDS, _STEADY = 200, 1e-10


def en_score(difference: npt.ArrayLike, *, u: npt.ArrayLike, u_other: npt.ArrayLike) -> Floats:
    """Return E_n, signed: a difference over its expanded uncertainty (k = 2).

    Parameters
    ----------
    difference : array_like
        Result less assigned value.
    u, u_other : array_like
        Standard uncertainties of both, in its unit.

    Returns
    -------
    array
        NaN where one is not known or both are 0; beyond ±1 both cannot be true.

    References
    ----------
    ISO 13528:2015, 9.7, and ISO/IEC 17043 annex B; from memory, to be checked against the current
    editions.
    """
    return zeta_score(difference, u=u, u_other=u_other) / COVERED_BY


def zeta_score(difference: npt.ArrayLike, *, u: npt.ArrayLike, u_other: npt.ArrayLike) -> Floats:
    """Return ζ: a difference over its combined standard uncertainty, NaN where that is not known.

    References
    ----------
    ISO 13528:2015, 9.6; from memory, to be checked against the current edition.
    """
    combined = np.hypot(np.asarray(u, dtype=np.float64), np.asarray(u_other, dtype=np.float64))
    return z_score(difference, sd=combined)


def z_score(difference: npt.ArrayLike, *, sd: npt.ArrayLike) -> Floats:
    """Return z: a difference over the standard deviation for proficiency assessment.

    References
    ----------
    ISO 13528:2015, 9.4; from memory, to be checked against the current edition.
    """
    spread = np.asarray(sd, dtype=np.float64)
    known = np.where(spread > 0, spread, np.nan)
    return np.asarray(np.asarray(difference, dtype=np.float64) / known)


def robust_mean_sd(values: Sequence[float]) -> tuple[float, float]:
    """Return the robust mean and standard deviation of values, NaN from fewer than two.

    References
    ----------
    ISO 13528:2015, annex C.3 (Algorithm A), from memory, to be checked against the current edition;
    Analytical Methods Committee (1989), Analyst 114, 1693.
    """
    x = np.asarray(values, dtype=np.float64)
    if len(x) < 2:
        return float("nan"), float("nan")
    mean = float(np.median(x))
    sd = _FROM_MEDIAN * float(np.median(np.abs(x - mean)))
    for _ in range(_ROUNDS):
        cut = np.clip(x, mean - _CUT * sd, mean + _CUT * sd)
        new_mean, new_sd = float(cut.mean()), _MAKES_UP * float(cut.std(ddof=1))
        steady = abs(new_mean - mean) + abs(new_sd - sd) < _STEADY
        mean, sd = new_mean, new_sd
        if steady:
            break
    return mean, sd
