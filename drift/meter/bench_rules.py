"""This module reads one sitting at the bench by the law of the dial.

From the readings of one visit at 0, 5 and 10 % it works out how far to move the initial pressure
mark so that a bowl full of water reads zero, what that move does at the other points, and which
fault the pattern points to.  It is a hint before anything is unscrewed, never a diagnosis, and
knows nothing of earlier visits; `drift.meter.causes` weighs a whole segment.

The page of the bench has the same rules in `reports/bench_law.js`; the two are tested equal.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import erfc

from drift.arrays import Flags, Floats
from drift.meter.dial import (
    STATED_AT_PCT,
    pressure_error_of_move,
    shape_of_hand,
    shape_of_mark,
    shape_of_volume,
)
from drift.meter.tolerance import PLACES

# Faults that may be behind a pattern, with what is believed of each beforehand.  Our choice, no
# source: most meters on a bench are in order, and one fault is likelier than two.
FAULTS: dict[str, float] = {
    "nothing": 0.30,
    "mark": 0.25,
    "hand": 0.15,
    "volume": 0.15,
    "leak": 0.05,
    "mark_and_hand": 0.05,
    "mark_and_volume": 0.05,
}
# Prior standard deviations at 5 % air, % air: as in `drift.meter.cause_likelihood` (judgement), the
# mark's twice that, since half a per cent at zero is one at 5 %.
SPREADS: dict[str, float] = {"mark": 0.30, "hand": 0.15, "volume": 0.15}
# A leak: its size and how it differs from one reading to the next, at 5 % air, % air; graduation
# errors of a sound dial at each point, % air.  Judgement, no source.
LEAK_SPREAD, LEAK_ERRATIC, GRADUATION = 0.15, 0.15, 0.01
# Nodes of the logarithm of the chamber scale, in its standard deviations.
NODES = tuple(round(-2.8 + 0.4 * step, 1) for step in range(15))
# Probability from which one fault is named, as in `drift.meter.causes`.
NAMED_FROM = 0.5

# Prior variance of each part (mark, hand, volume) under each fault, at 5 % air.
_VARIANCES = np.array(
    [
        [SPREADS[part] ** 2 if part in fault.split("_and_") else 0.0 for part in SPREADS]
        for fault in FAULTS
    ]
)
_LEAK = list(FAULTS).index("leak")
_STAYS = np.array([fault != "leak" for fault in FAULTS])


@dataclass(frozen=True, slots=True)
class BenchPoint:
    """What was read at one point of a visit.

    Attributes
    ----------
    air_pct : float
        Correct air content, % air.
    biases_pct : tuple of float
        Biases of its readings, at least one, % air.
    resolution_pct : float
        Step of the dial there, % air.
    """

    air_pct: float
    biases_pct: tuple[float, ...]
    resolution_pct: float


@dataclass(frozen=True, slots=True)
class BenchDial:
    """What is known of a meter beforehand.

    Attributes
    ----------
    k, k_sd : float
        Chamber scale 100·Vc/Vb and its standard deviation, % air; see `drift.meter.dial.dials_of`.
    repeatability : float
        Standard deviation of one reading before rounding, % air, above 0.
    mark : float or None
        Where the mark stands, None where nobody knows.
    mark_unit : str
        ``dial_pct``, ``kpa`` or ``psi``.
    """

    k: float
    k_sd: float
    repeatability: float
    mark: float | None
    mark_unit: str = "dial_pct"


@dataclass(frozen=True, slots=True)
class MarkAdvice:
    """Where to put the mark.

    Attributes
    ----------
    exact, sd : float
        What the readings ask for and its standard deviation, in the mark's unit.
    to : float
        The nearest position that can be set.
    changes_pct : tuple of float
        What moving there does at each point, in the points' order, % air.
    zero_after_pct, zero_after_sd : float
        What zero should read then, and its standard deviation, % air.
    """

    exact: float
    sd: float
    to: float
    changes_pct: tuple[float, ...]
    zero_after_pct: float
    zero_after_sd: float


@dataclass(frozen=True, slots=True)
class _Weighed:
    """Every fault at every chamber scale.

    Attributes
    ----------
    k : array (nodes,)
        Chamber scales, % air.
    logs : array (nodes, faults)
        Log weights, up to one constant.
    zero, zero_var : array (nodes, faults)
        Posterior mean and variance of what the dial shows at zero, % air.
    """

    k: Floats
    logs: Floats
    zero: Floats
    zero_var: Floats


def weigh_faults(points: Sequence[BenchPoint], dial: BenchDial) -> dict[str, float]:
    """Return the probability of each fault of `FAULTS`.

    Parameters
    ----------
    points : sequence of BenchPoint
        What was read as found; one at least.
    dial : BenchDial
        Of the meter.

    Notes
    -----
    Under each fault the means are jointly normal with the shapes of `drift.meter.dial`; the
    chamber scale is summed over nodes of its log-normal prior.  A leak has the mark's shape, reads
    high and differs from one reading to the next.
    """
    logs = _weigh(tuple(points), dial).logs
    weights = np.exp(logs - logs.max()).sum(axis=0)
    return dict(zip(FAULTS, (weights / weights.sum()).tolist(), strict=True))


def advise_move(
    points: Sequence[BenchPoint], dial: BenchDial, *, set_step: float
) -> MarkAdvice | None:
    """Work out where to put the initial pressure mark so that zero reads zero.

    Parameters
    ----------
    points : sequence of BenchPoint
        What was read since the last adjustment; one of them at 0 % air.
    dial : BenchDial
        Of the meter.
    set_step : float
        Finest step to which a mark can be put, in its unit.

    Returns
    -------
    MarkAdvice or None
        None where zero was not read or nobody knows where the mark stands.

    Notes
    -----
    A dial that reads z on a bowl full of water was pumped to k/(k + z) of the pressure it should
    have had, so that the pressure must grow by ρ = (k + z)/k; the graduation m stands at a pressure
    of pI/(1 + m/k), which gives m' = (k + m)/ρ − k.  A reading r becomes (r + k)/ρ − k.  z is not
    the bare reading but its posterior mean from all points, with faults that do not move zero
    allowed for; both are averaged over the chamber scale.
    """
    zero_read = any(point.air_pct == 0 for point in points)
    if dial.mark is None or not zero_read or not math.isfinite(dial.mark):
        return None
    mark, on_dial = dial.mark, dial.mark_unit == "dial_pct"
    weighed = _weigh(tuple(points), dial)
    usable = weighed.k + mark > 0 if on_dial else np.full(weighed.k.shape, mark > 0)
    if not usable.any():
        return None
    weights, k, zero, zero_var = _without_leak(weighed, usable)
    rho = (k + zero) / k
    wanted = (k + mark) / rho - k if on_dial else mark * rho
    slope = (k + mark) / (rho**2 * k) if on_dial else mark / k
    exact = float(weights @ wanted)
    sd = math.sqrt(float(weights @ ((wanted - exact) ** 2 + slope**2 * zero_var)))
    to = round(math.floor(exact / set_step + 0.5) * set_step, PLACES)
    put = 1 + pressure_error_of_move(mark, to, k=k) if on_dial else to / mark + 0 * k
    changes = []
    for point in points:
        level = float(np.mean(point.biases_pct))
        changes.append(float(weights @ ((point.air_pct + level + k) * (1 / put - 1))))
    after = (zero + k) / put - k
    zero_after = float(weights @ after)
    spread = float(weights @ ((after - zero_after) ** 2 + zero_var))
    return MarkAdvice(exact, sd, to, tuple(changes), zero_after, math.sqrt(spread))


def hand_changes(points: Sequence[BenchPoint], *, k: float) -> tuple[float, ...]:
    """Return what resetting the hand does at each point if it is right at the one nearest 5 %.

    Parameters
    ----------
    points : sequence of BenchPoint
        One of them above 0 % air.
    k : float
        Chamber scale, % air.
    """
    spans = [point for point in points if point.air_pct > 0]
    about = min(spans, key=lambda point: abs(point.air_pct - STATED_AT_PCT))
    off = float(np.mean(about.biases_pct))
    unit = float(shape_of_hand(about.air_pct, k=k))
    return tuple(-off * float(shape_of_hand(point.air_pct, k=k)) / unit for point in points)


def _without_leak(weighed: _Weighed, usable: Flags) -> tuple[Floats, Floats, Floats, Floats]:
    """Return weights, chamber scales, levels at zero and their variances, a leak left out.

    A leak is found and shut, not met by moving the mark.
    """
    chosen = np.ix_(usable, _STAYS)
    logs = weighed.logs[chosen]
    weights = np.exp(logs - logs.max())
    k = np.broadcast_to(weighed.k[usable, None], logs.shape)
    zero, variance = weighed.zero[chosen], weighed.zero_var[chosen]
    return (weights / weights.sum()).ravel(), k.ravel(), zero.ravel(), variance.ravel()


@lru_cache(maxsize=4)
def _weigh(points: tuple[BenchPoint, ...], dial: BenchDial) -> _Weighed:
    """Weigh every fault at every chamber scale; arrays are nodes, faults, points, points."""
    steps = np.array(NODES)
    k = dial.k * np.exp(steps * dial.k_sd / dial.k)
    air = np.array([point.air_pct for point in points])
    means = np.array([np.mean(point.biases_pct) for point in points])
    mark = shape_of_mark(air, k=k[:, None])
    volume = np.broadcast_to(shape_of_volume(air), mark.shape)
    shapes = np.stack([mark, shape_of_hand(air, k=k[:, None]), volume], axis=1)
    cov = np.einsum("fp,kpi,kpj->kfij", _VARIANCES, shapes, shapes)
    cov[:, _LEAK] += LEAK_SPREAD**2 * mark[:, :, None] * mark[:, None, :]
    logs = np.empty(cov.shape[:2])
    on = np.arange(air.size)
    for fault in range(len(FAULTS)):
        erratic = LEAK_ERRATIC**2 * mark**2 if fault == _LEAK else 0 * mark
        logs[:, fault], noise = _scatter(points, dial.repeatability, erratic)
        cov[:, fault, on, on] += noise + GRADUATION**2
    root = np.linalg.cholesky(cov)
    solved = np.linalg.solve(cov, np.broadcast_to(means, cov.shape[:3])[..., None])[..., 0]
    logs -= np.log(root[..., on, on]).sum(axis=-1) + solved @ means / 2
    logs += np.log(list(FAULTS.values())) - steps[:, None] ** 2 / 2
    logs[:, _LEAK] += _log_reads_high(mark, cov[:, _LEAK], means)
    # What the level at zero has in common with each mean, and its own variance.
    pull = shape_of_mark(0.0, k=k)[:, None] * _VARIANCES[:, 0]
    reach = pull[..., None] * mark[:, None, :] + (air == 0) * GRADUATION**2
    known = np.linalg.solve(cov, reach[..., None])[..., 0]
    own = pull * shape_of_mark(0.0, k=k)[:, None] + GRADUATION**2
    variance = np.maximum(own - (reach * known).sum(axis=-1), 0.0)
    return _Weighed(k, logs, (reach * solved).sum(axis=-1), variance)


def _scatter(
    points: Sequence[BenchPoint], repeatability: float, erratic: Floats
) -> tuple[Floats, Floats]:
    """Return the log likelihood of the scatter within points, and the variance of each mean.

    What rounding does to a mean is not divided by the number of readings: a hand that stands still
    is rounded the same way every time.
    """
    count = np.array([len(point.biases_pct) for point in points])
    squares = np.array([np.var(point.biases_pct) for point in points]) * count
    rounding = np.array([point.resolution_pct**2 / 12 for point in points])
    own = repeatability**2 + erratic
    each = own + rounding
    log = -((count - 1) / 2 * np.log(each) + squares / (2 * each)).sum(axis=-1)
    return log, own / count + rounding


def _log_reads_high(shape: Floats, cov: Floats, means: Floats) -> Floats:
    """Return the log of twice the probability that a leak's size is above 0, as it must be."""
    solved = np.linalg.solve(cov, shape[..., None])[..., 0]
    mean = LEAK_SPREAD**2 * solved @ means
    variance = LEAK_SPREAD**2 - LEAK_SPREAD**4 * (solved * shape).sum(axis=-1)
    return np.asarray(np.log(np.maximum(erfc(-mean / np.sqrt(2 * variance)), 1e-300)))
