"""This module sets what a meter shows over 0, 5 and 10 % air against what each fault does there.

It serves two patterns: the biases of a meter that was left alone, and, where adjustments take each
bias back before it shows, the yearly drifts of its path without adjustments.  A hint for the bench,
never a diagnosis.
"""

import math

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.special import log_ndtr, logsumexp

from drift.arrays import Floats
from drift.frames import Schema
from drift.meter.causes import NOTHING
from drift.meter.dial import shape_of_hand, shape_of_mark, shape_of_volume

# One row a fault and one for nothing to explain, likeliest first.  amplitude is what fits best at
# 5 % air, % air a year.
DRIFT_PATTERN: Schema = {"cause": pl.String, "probability": pl.Float64, "amplitude": pl.Float64}

# Faults whose pattern is known; a leak has that of a misplaced mark, and is erratic besides.
PATTERNED = ("mark_misplaced", "leak", "hand_shifted", "chamber_water", "vessel_volume")
# They take a reading up alone (by the dial's law).
_UPWARDS = ("leak", "chamber_water")
# Prior standard deviation of what a fault does at 5 % air in a year, % air: one that brings a
# meter to the bench uses up its tolerance in about that time (judgement, no source).
_AMPLITUDE = 0.1
# Probability beforehand that there is nothing to explain, as `drift.meter.causes` has it.
_NOTHING = 0.3


def pattern_of(cause: str, air_pct: npt.ArrayLike, *, k: float) -> Floats:
    """Return the shape of a fault over the air content, 1 at 5 % air.

    Parameters
    ----------
    cause : str
        One of `PATTERNED`.
    air_pct : array_like
        Correct air content, % air.
    k : float
        Chamber scale, % air.

    Raises
    ------
    KeyError
        If the cause has no pattern.
    """
    if cause in ("mark_misplaced", "leak"):
        return shape_of_mark(air_pct, k=k)
    if cause == "hand_shifted":
        return shape_of_hand(air_pct, k=k)
    if cause in ("chamber_water", "vessel_volume"):
        return shape_of_volume(air_pct)
    raise KeyError(cause)


def best_amplitude(
    cause: str, values: npt.ArrayLike, errors: npt.ArrayLike, *, air_pct: npt.ArrayLike, k: float
) -> float:
    """Return the amplitude at 5 % air with which a fault's pattern fits values best.

    Parameters
    ----------
    cause : str
        One of `PATTERNED`.
    values, errors : array_like
        Biases, % air, or drifts, % air a year, and their standard errors, above 0.
    air_pct : array_like
        Where they are, % air.
    k : float
        Chamber scale, % air.

    Notes
    -----
    Weighted least squares; not below 0 for a fault that takes readings up alone.
    """
    shape = pattern_of(cause, air_pct, k=k)
    weight = 1 / np.square(np.asarray(errors, dtype=np.float64))
    squares = float((weight * shape**2).sum())
    best = float((weight * shape * np.asarray(values)).sum()) / squares if squares else 0.0
    return max(0.0, best) if cause in _UPWARDS else best


def weigh_drift_pattern(
    drifts: npt.ArrayLike,
    errors: npt.ArrayLike,
    *,
    air_pct: npt.ArrayLike,
    k: float,
    fleet: tuple[float, float],
) -> pl.DataFrame:
    """Return the probability of each fault, given a meter's yearly drift at its points.

    Parameters
    ----------
    drifts, errors : array_like
        Drift of the path without adjustments at each point, % air a year, and standard errors.
    air_pct : array_like
        The points, % air.
    k : float
        Chamber scale, % air.
    fleet : (float, float)
        Drift that all meters share at 5 % air, and its standard error, % air a year: all that a
        vessel can explain.

    Returns
    -------
    pl.DataFrame
        Frame of `DRIFT_PATTERN`.

    Raises
    ------
    ValueError
        If an error is not above 0.

    Notes
    -----
    Each fault gives the drifts a normal distribution: its shape times an amplitude with a normal
    prior, half-normal where it takes readings up alone, integrated in closed form.  Errors of the
    points are taken as independent.
    """
    value, error = (np.asarray(each, dtype=np.float64) for each in (drifts, errors))
    if not (error > 0).all():
        raise ValueError("errors must be above 0")
    each = math.log((1 - _NOTHING) / len(PATTERNED))
    logs = [
        each + _log_evidence(cause, value, error, air_pct=air_pct, k=k, fleet=fleet)
        for cause in PATTERNED
    ]
    logs.append(math.log(_NOTHING) - float((value**2 / error**2).sum()) / 2)
    probability = np.exp(np.array(logs) - logsumexp(logs))
    best = [best_amplitude(cause, value, error, air_pct=air_pct, k=k) for cause in PATTERNED]
    rows = zip([*PATTERNED, NOTHING], probability.tolist(), [*best, 0.0], strict=True)
    weighed = pl.DataFrame(list(rows), schema=DRIFT_PATTERN, orient="row")
    return weighed.sort("probability", descending=True, maintain_order=True)


def _log_evidence(
    cause: str,
    value: Floats,
    error: Floats,
    *,
    air_pct: npt.ArrayLike,
    k: float,
    fleet: tuple[float, float],
) -> float:
    """Return how well one fault explains the drifts, but for what is alike for all."""
    shape = pattern_of(cause, air_pct, k=k)
    mean, prior = fleet if cause == "vessel_volume" else (0.0, _AMPLITUDE)
    left = value - mean * shape
    precision = 1 / prior**2 + float((shape**2 / error**2).sum())
    pull = float((shape * left / error**2).sum())
    log = -float((left**2 / error**2).sum()) / 2 + pull**2 / precision / 2
    log -= math.log(prior**2 * precision) / 2
    if cause in _UPWARDS:
        log += math.log(2) + float(log_ndtr(pull / math.sqrt(precision)))
    return log
