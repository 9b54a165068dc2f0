"""This module sets what a meter shows over 0, 5 and 10 % air against what each fault does there.

It serves two patterns: the biases of a meter that was left alone, and, where adjustments take each
bias back before it shows, the yearly drifts of its path without adjustments.  A hint for the bench,
never a diagnosis.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.special import log_ndtr, logsumexp, stdtrit

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


# Error probability left outside an interval, both sides together.
_LEVEL = 0.05
# Air contents along a curve, % air.
_ALONG = np.linspace(0.0, 10.0, 11)


@dataclass(frozen=True, slots=True)
class FaultPattern:
    """What a meter shows at its points: biases, % air, or drifts, % air a year.

    Attributes
    ----------
    air_pct : tuple of float
        The points, % air.
    values, errors : tuple of float
        At each point, with standard errors above 0.
    low, high : tuple of float
        95 % intervals.
    """

    air_pct: tuple[float, ...]
    values: tuple[float, ...]
    errors: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


def pattern_of_biases(biases: Sequence[tuple[float, Sequence[float]]]) -> FaultPattern:
    """Return the mean bias of each point at visits of one state of a meter.

    Parameters
    ----------
    biases : sequence of (float, sequence of float)
        Each point, % air, with its biases, at least two of them.

    Raises
    ------
    ValueError
        If a point has fewer than two biases.

    Notes
    -----
    The points of one meter are taken to scatter alike from visit to visit: their variances are
    pooled, and the interval of each mean is Student's.
    """
    if not biases or min(len(values) for _, values in biases) < 2:
        raise ValueError("two biases a point are needed")
    freedom = sum(len(values) - 1 for _, values in biases)
    squares = sum(float(np.var(values)) * len(values) for _, values in biases)
    spread = max(math.sqrt(squares / freedom), 1e-4)
    reach = float(stdtrit(freedom, 1 - _LEVEL / 2))
    means = [float(np.mean(values)) for _, values in biases]
    errors = [spread / math.sqrt(len(values)) for _, values in biases]
    return FaultPattern(
        air_pct=tuple(at for at, _ in biases),
        values=tuple(means),
        errors=tuple(errors),
        low=tuple(mean - reach * error for mean, error in zip(means, errors, strict=True)),
        high=tuple(mean + reach * error for mean, error in zip(means, errors, strict=True)),
    )


def pattern_of_drifts(drifts: Sequence[tuple[float, float, float, float]]) -> FaultPattern:
    """Return the yearly drift of each point.

    Parameters
    ----------
    drifts : sequence of (float, float, float, float)
        Each point, % air, its drift and both ends of its 95 % interval, % air a year.
    """
    width = 2 * float(stdtrit(np.inf, 1 - _LEVEL / 2))
    return FaultPattern(
        air_pct=tuple(at for at, *_ in drifts),
        values=tuple(drift for _, drift, _, _ in drifts),
        errors=tuple(max((high - low) / width, 1e-6) for *_, low, high in drifts),
        low=tuple(low for *_, low, _ in drifts),
        high=tuple(high for *_, high in drifts),
    )


def fitted_curve(cause: str, pattern: FaultPattern, *, k: float) -> list[tuple[float, float]]:
    """Return what a fault does along the air content, scaled to fit a pattern best.

    Parameters
    ----------
    cause : str
        One of `PATTERNED`, or `NOTHING`; any other has no curve.
    pattern : FaultPattern
    k : float
        Chamber scale, % air.

    Returns
    -------
    list of (float, float)
        Air content, % air, and what the fault does there, in the unit of the pattern.
    """
    if cause == NOTHING:
        return [(at, 0.0) for at in _ALONG.tolist()]
    if cause not in PATTERNED:
        return []
    amplitude = best_amplitude(cause, pattern.values, pattern.errors, air_pct=pattern.air_pct, k=k)
    curve = amplitude * pattern_of(cause, _ALONG, k=k)
    return list(zip(_ALONG.tolist(), curve.tolist(), strict=True))


def growth_of(cause: str, *, k: float) -> list[float]:
    """Return how a fault grows from 0 over 5 to 10 % air, the least above 0 as one."""
    if cause not in PATTERNED:
        return []
    shape = [each for each in pattern_of(cause, [0.0, 5.0, 10.0], k=k).tolist() if each > 0]
    return [each / min(shape) for each in shape]


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
    pattern: FaultPattern, *, k: float, fleet: tuple[float, float]
) -> pl.DataFrame:
    """Return the probability of each fault, given a meter's yearly drift at its points.

    Parameters
    ----------
    pattern : FaultPattern
        Drifts of the path without adjustments at each point, % air a year.
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
    value, error = np.array(pattern.values), np.array(pattern.errors)
    air_pct = np.array(pattern.air_pct)
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
