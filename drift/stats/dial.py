"""This module is the physics of a pressure-type meter: what the dial shows when something is off.

Isothermal release of a chamber at gauge pressure p1 into a bowl that holds a % of air gives
p2 = p1 / (1 + a/k), with k = 100·Vc/Vb the *chamber scale* in % air.  Barometric pressure cancels.
The dial is scaled for a nominal initial pressure, and the operator pumps the hand to the mark, so
that a fault of the dial that is the same at setting and at reading cancels too.

References
----------
Boyle's law for both sides at atmospheric pressure before release; ASTM C231, Type B meter (working
principle; from memory, to be checked against the current edition).
"""

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

# Air content at which amplitudes of a cause are stated, % air.
STATED_AT_PCT = 5.0
# Chamber scale where neither the meter's record nor its mark moves say: median and standard
# deviation of its logarithm.  Common practice, no source: chambers hold about a twentieth of the
# bowl.
USUAL_SCALE = 5.0
USUAL_SCALE_LOG_SD = 0.25


def chamber_scale(chamber_bowl_ratio: npt.ArrayLike) -> Floats:
    """Return k = 100·Vc/Vb, % air, from the ratio of chamber to bowl volume."""
    return 100 * np.asarray(chamber_bowl_ratio, dtype=np.float64)


def bias_of_mark(
    pressure_error: npt.ArrayLike, *, air_pct: npt.ArrayLike, k: npt.ArrayLike
) -> Floats:
    """Return the bias, % air, where the true initial pressure is off by a relative error.

    Parameters
    ----------
    pressure_error : array_like
        ε: true initial pressure over the nominal one, less 1; above −1.  A misplaced mark gives it
        either sign, a leak before release makes it negative and erratic.
    air_pct : array_like
        Correct air content, % air; broadcast with `pressure_error`.
    k : array_like
        Chamber scale, % air; broadcast with both.
    """
    error, scale = np.asarray(pressure_error, dtype=np.float64), np.asarray(k, dtype=np.float64)
    return np.asarray(-error / (1 + error) * (np.asarray(air_pct) + scale))


# To first order a cause's bias is its amplitude at 5 % air times one of these shapes, each 1 there.


def shape_of_mark(air_pct: npt.ArrayLike, *, k: npt.ArrayLike) -> Floats:
    """Return (a + k)/(5 + k): a misplaced mark, or a leak before release."""
    air, scale = np.asarray(air_pct, dtype=np.float64), np.asarray(k, dtype=np.float64)
    return np.asarray((air + scale) / (STATED_AT_PCT + scale))


def shape_of_hand(air_pct: npt.ArrayLike, *, k: npt.ArrayLike) -> Floats:
    """Return a(a + k)/(5(5 + k)): a hand shifted on its shaft."""
    air = np.asarray(air_pct, dtype=np.float64)
    return np.asarray(air / STATED_AT_PCT * shape_of_mark(air, k=k))


def shape_of_volume(air_pct: npt.ArrayLike) -> Floats:
    """Return a/5: water in the chamber, or a vessel off in volume."""
    return np.asarray(air_pct, dtype=np.float64) / STATED_AT_PCT


def pressure_error_of_move(
    mark_before: npt.ArrayLike, mark_after: npt.ArrayLike, *, k: npt.ArrayLike
) -> Floats:
    """Return the relative change of the initial pressure when a mark is moved along the dial.

    Parameters
    ----------
    mark_before, mark_after : array_like
        Positions in the dial's own % graduations; negative lies above the zero pressure.
    k : array_like
        Chamber scale, % air; it must exceed minus either position.

    Notes
    -----
    The graduation m stands at the pressure pI/(1 + m/k), so that the ratio of the two pressures is
    (k + before)/(k + after).
    """
    scale = np.asarray(k, dtype=np.float64)
    before, after = np.asarray(mark_before), np.asarray(mark_after)
    return np.asarray((scale + before) / (scale + after) - 1)
