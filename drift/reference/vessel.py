"""This module computes what a calibration vessel stands for on a bowl, and how surely.

R = 100·w/W, w the mass of water that fills the vessel and W that of the bowl.  R belongs to the
pair of both.  It reads no tables.
"""

import numpy as np
import numpy.typing as npt

from drift.arrays import Floats
from drift.reference.uncertainty import Budget, Component, make_budget

# Outside these a vessel of a pressure-type meter cannot be meant, % air.  Common practice, no
# source: vessels hold about 5 % of the bowl, some 2.5 % or 10 %.
LOWEST_PCT, HIGHEST_PCT = 1.0, 25.0
# The factor of the water-column (Type A) meter, where the vessel's air is compressed by the water
# above it.  ASTM C231 A1.4, from memory, to be checked against the current edition.
TYPE_A_FACTOR = 0.98
# Relative accuracy asked of a weighing.  ASTM C231 A1, from memory: 0.1 % of the mass.
SCALE_SHARE = 0.001
# Relative standard uncertainty of a filling.  Common practice, no source.
FILLING_SHARE = 0.0005
# Standard uncertainty of R, as a share of R, where neither it nor masses are on record.
USUAL_RELATIVE_U = float(np.sqrt(2 * (SCALE_SHARE**2 / 3 + FILLING_SHARE**2)))

# Density of the air in which masses are compared, and that of the weights a balance is set by,
# kg/m³: conventional values (OIML D 28, from memory, to be checked against the current edition).
AIR_DENSITY, WEIGHTS_DENSITY = 1.2, 8000.0
# Taken where the temperature of the water is not on record, °C.  Common practice, no source.
USUAL_WATER_C = 20.0

# Source: Tanaka, Girard, Davis, Peuto & Bignell (2001), Metrologia 38, 301–309, formula (1) and
# Table 1; coefficients from memory, checked here against Kell (1975).
_TANAKA = (-3.983035, 301.797, 522528.9, 69.34881, 999.974950)


def water_density(temperature_c: npt.ArrayLike) -> Floats:
    """Return the density of air-free water at 101.325 kPa, kg/m³.

    Parameters
    ----------
    temperature_c : array_like
        ITS-90 temperature, °C; NaN is returned outside the formula's 0 to 40 °C.

    References
    ----------
    Tanaka et al. (2001), Metrologia 38, 301–309.
    """
    t = np.asarray(temperature_c, dtype=np.float64)
    a1, a2, a3, a4, a5 = _TANAKA
    density = a5 * (1 - (t + a1) ** 2 * (t + a2) / (a3 * (t + a4)))
    return np.asarray(np.where((t >= 0) & (t <= 40), density, np.nan))


def water_volume_ml(mass_g: npt.ArrayLike, *, temperature_c: npt.ArrayLike) -> Floats:
    """Return the volume of water that a balance shows a mass for, ml.

    Parameters
    ----------
    mass_g : array_like
        What the balance shows, g.
    temperature_c : array_like
        Temperature of the water, °C; NaN where it is not known, which counts as 20 °C.

    Notes
    -----
    Air carries water more than it carries weights: at 20 °C the volume is 1.00285 ml a gram, of
    which 0.00105 is the air's.

    References
    ----------
    V = m·(1 − ρ_air/ρ_weights)/(ρ_water − ρ_air): ISO 4787 and NIST SOP 14, from memory, to be
    checked against the current editions.
    """
    t = np.asarray(temperature_c, dtype=np.float64)
    water = water_density(np.where(np.isnan(t), USUAL_WATER_C, t))
    buoyant = (1 - AIR_DENSITY / WEIGHTS_DENSITY) / (water - AIR_DENSITY)
    return np.asarray(np.asarray(mass_g, dtype=np.float64) * buoyant * 1000)


def vessel_air_pct(
    vessel_mass: npt.ArrayLike,
    *,
    bowl_mass: npt.ArrayLike,
    fills: npt.ArrayLike = 1,
    vessel_water_c: npt.ArrayLike | None = None,
    bowl_water_c: npt.ArrayLike | None = None,
) -> Floats:
    """Return the correct air content that a vessel stands for, % air.

    Parameters
    ----------
    vessel_mass, bowl_mass : array_like
        Masses of water that fill the vessel and the bowl, in one unit, above 0.
    fills : array_like of int
        How many vessels full are drawn off, at least 1.
    vessel_water_c, bowl_water_c : array_like, optional
        Water temperatures at the two weighings, °C; both or neither.  With them the volumes are
        compared, without them the masses, as where both were weighed at one temperature.

    Returns
    -------
    array
        NaN where an input is not above 0 or a temperature lies outside 0 to 40 °C.

    Raises
    ------
    ValueError
        If only one temperature is given.

    References
    ----------
    ASTM C231 A1.4 (Type B), from memory, to be checked against the current edition.  Air buoyancy
    is the same share of both masses and cancels.
    """
    if (vessel_water_c is None) != (bowl_water_c is None):
        raise ValueError("give the water temperature of both weighings or of neither")
    w, bowl = np.asarray(vessel_mass, dtype=np.float64), np.asarray(bowl_mass, dtype=np.float64)
    possible = (w > 0) & (bowl > 0)
    ratio = np.where(possible, w, np.nan) / np.where(possible, bowl, 1.0)
    if vessel_water_c is not None and bowl_water_c is not None:
        ratio = ratio * water_density(bowl_water_c) / water_density(vessel_water_c)
    return np.asarray(100 * ratio * np.asarray(fills))


def why_not_a_vessel(air_pct: float | None, *, type_a_air_pct: float | None = None) -> str:
    """Return why a value cannot be what one vessel stands for on a Type B meter, or nothing.

    Parameters
    ----------
    air_pct : float or None
        Stated correct air content of one fill, % air.
    type_a_air_pct : float or None
        100·w/W of the masses on record, to find a Type A factor by.
    """
    if air_pct is None or not np.isfinite(air_pct):
        return "no air content and no masses are on record"
    if not LOWEST_PCT <= air_pct <= HIGHEST_PCT:
        return "no calibration vessel holds this share of a bowl: the masses or units are mistaken"
    if type_a_air_pct is not None:
        near_factor = abs(air_pct / type_a_air_pct - TYPE_A_FACTOR) < 0.002
        if near_factor:
            return TYPE_A_REASON
        if abs(air_pct / type_a_air_pct - 1) > 0.002:
            return "the stated air content does not follow from the masses on record"
    return ""


TYPE_A_REASON = (
    "the factor 0.98 belongs to the water-column meter (Type A), whose vessel air is compressed by "
    "the water above it; a Type B vessel is 100 w/W without it"
)


def vessel_budget(
    *,
    vessel_mass: float,
    bowl_mass: float,
    fills: int = 1,
    scale_u: float | None = None,
    scale_correlation: float = 0.0,
    vessel_filling_u: float | None = None,
    bowl_filling_u: float | None = None,
    temperature_c: float = 20.0,
    temperature_difference_u: float = 0.5,
    level: float = 0.95,
) -> Budget:
    """Return the uncertainty budget of R, % air.

    Parameters
    ----------
    vessel_mass, bowl_mass : float
        w and W in one unit, above 0.
    fills : int
        Vessels full drawn off.
    scale_u : float, optional
        Relative standard uncertainty of a weighing; 0.1 % as a rectangular half-width by default.
    scale_correlation : float
        Correlation of the two weighings' errors; 1 where one scale with a wrong gain did both, so
        that it cancels in the ratio.
    vessel_filling_u, bowl_filling_u : float, optional
        Standard uncertainty of one filling, in the unit of mass; 0.05 % of the mass by default.
    temperature_c : float
        Water temperature, °C.
    temperature_difference_u : float
        Standard uncertainty of the difference of the two water temperatures, °C.
    level : float
        Coverage probability of the expanded uncertainty.

    Notes
    -----
    The mass of the vessel is one error in every fill (it adds up with `fills`), the filling is a
    new error each time (it adds up with its root).

    References
    ----------
    JCGM 100:2008, equations 10 and 16, for R = 100·fills·(w/W)·ρ(W)/ρ(w).
    """
    r = float(vessel_air_pct(vessel_mass, bowl_mass=bowl_mass, fills=fills))
    if not np.isfinite(r):
        raise ValueError("both masses must be above 0")
    scale = SCALE_SHARE / float(np.sqrt(3)) if scale_u is None else scale_u
    filling = FILLING_SHARE * vessel_mass if vessel_filling_u is None else vessel_filling_u
    bowl_filling = FILLING_SHARE * bowl_mass if bowl_filling_u is None else bowl_filling_u
    warmer, colder = water_density([temperature_c + 0.5, temperature_c - 0.5])
    expansion = float(abs(warmer - colder) / water_density(temperature_c))
    components = [
        Component("vessel weighing", scale * vessel_mass, sensitivity=r / vessel_mass),
        Component("bowl weighing", scale * bowl_mass, sensitivity=-r / bowl_mass),
        Component("vessel filling", filling, sensitivity=r / vessel_mass / float(np.sqrt(fills))),
        Component("bowl filling", bowl_filling, sensitivity=-r / bowl_mass),
        Component("water temperature", temperature_difference_u, sensitivity=r * expansion),
    ]
    correlations = [("vessel weighing", "bowl weighing", scale_correlation)]
    return make_budget(components, correlations=correlations, level=level)
