"""This module walks through the pressures of a meter, as an oracle for what its dial shows.

Boyle's law for both sides at atmospheric pressure before release; k = 100·Vc/Vb.
"""

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def pressure_after(initial_pressure: npt.ArrayLike, *, air_pct: npt.ArrayLike, k: float) -> Floats:
    """Return the gauge pressure after release, in the unit of the initial gauge pressure."""
    start, air = np.asarray(initial_pressure, dtype=np.float64), np.asarray(air_pct)
    return np.asarray(start / (1 + air / k))


def air_shown(pressure: npt.ArrayLike, *, nominal_pressure: float, k: float) -> Floats:
    """Return the air content that a dial scaled for `nominal_pressure` shows, % air."""
    return np.asarray(k * (nominal_pressure / np.asarray(pressure, dtype=np.float64) - 1))


def bias_of_hand(pressure_shift: npt.ArrayLike, *, air_pct: npt.ArrayLike, k: float) -> Floats:
    """Return the bias, % air, where the hand sits off by a pressure on its shaft.

    Parameters
    ----------
    pressure_shift : array_like
        δ/pI: pressure shown minus true, over the nominal initial pressure.
    air_pct : array_like
        Correct air content, % air; broadcast with `pressure_shift`.
    k : float
        Chamber scale, % air.
    """
    shift, air = np.asarray(pressure_shift, dtype=np.float64), np.asarray(air_pct)
    return np.asarray((air + k) / (1 + shift * air / k) - (air + k))


def bias_of_chamber_water(water_share: npt.ArrayLike, *, air_pct: npt.ArrayLike) -> Floats:
    """Return the bias, % air, where water fills a share (0 to below 1) of the air chamber."""
    share = np.asarray(water_share, dtype=np.float64)
    return np.asarray(np.asarray(air_pct) * share / (1 - share))


def bias_of_vessel(volume_error: npt.ArrayLike, *, air_pct: npt.ArrayLike) -> Floats:
    """Return the bias, % air, where the vessel holds (1 + r) times its recorded volume."""
    return np.asarray(np.asarray(air_pct) * np.asarray(volume_error, dtype=np.float64))
