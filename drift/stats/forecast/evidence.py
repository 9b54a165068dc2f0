"""This module values hyper-parameters by what the filter says with them; it moves none of them.

What a meter keeps for life (drift rate, kind) needs no search: the filter's last state says how
probable each pair of them makes the readings, so that their weights come from one pass.
"""

from dataclasses import dataclass, replace

import numpy as np

from drift.stats.blocks import Floats, Integers
from drift.stats.forecast.beliefs import (
    BELIEFS,
    KIND_WEIGHTS,
    MEAN_RATE_SD,
    STEADY,
    TILT_WORTH,
    scaled,
    weighted_kinds,
)
from drift.stats.forecast.grid import walk
from drift.stats.forecast.model import (
    TILT_KNOTS,
    Grid,
    HyperParameters,
    Masses,
    log_rate_prior,
    slab_parts,
)
from drift.stats.forecast.rates import between_rates
from drift.stats.forecast.readings import Tables, make_tables
from drift.stats.forecast.visits import Visits

# Lives filtered together, and rounds of expectation and maximisation.
_BLOCK = 128
_UPDATES = 25
# A share of the drift rates that is none.
_LEAST = 1e-300


@dataclass(frozen=True, slots=True)
class Sample:
    """What the hyper-parameters are fitted to."""

    visits: Visits
    lives: Integers
    tolerance: float
    unseen: bool


@dataclass(frozen=True, slots=True)
class Point:
    """Hyper-parameters, what the filter says with them, and their penalised log likelihood.

    `reading` is the filter's table of readings, which depends on the noise alone.
    """

    hyper: HyperParameters
    grid: Grid
    reading: Masses
    evidence: Floats
    value: float


def level_values(hyper: HyperParameters) -> dict[str, float]:
    """Return the parameters that scoring steps may move, by name."""
    return {
        "wander": hyper.wander,
        "noise_sd": hyper.noise_sd,
        "shock_rate": hyper.shock_rate,
        "shock_size": hyper.shock_size,
        "reset_sd": hyper.reset_sd,
        "visit_sd": hyper.visit_sd,
    }


def life_evidence(
    hyper: HyperParameters,
    grid: Grid,
    data: Sample,
    tables: Tables,
    ratios: Floats | None = None,
) -> Floats:
    """Return the log likelihood of each life by kind and drift rate; `ratios` as in `walk`."""
    log = np.empty((data.lives.size, len(hyper.kinds), grid.drifts.size))
    with np.errstate(divide="ignore"):
        prior = np.log(tables.prior)
    for start in range(0, data.lives.size, _BLOCK):
        part = data.lives[start : start + _BLOCK]
        state = walk(data.visits, part, hyper=hyper, grid=grid, tables=tables, ratios=ratios)
        kept = np.log(state.mass.sum(axis=3, dtype=np.float64)) - prior
        kept += np.log(between_rates(kept).factor)
        log[start : start + _BLOCK] = state.log_likelihood[:, None, None] + kept
    return log


def _log_prior(hyper: HyperParameters, grid: Grid) -> Floats:
    """Return the log prior of kinds and drift rates, shape (kinds, rates)."""
    kinds = np.log([kind.weight for kind in hyper.kinds])
    prior: Floats = kinds[:, None] + log_rate_prior(hyper, grid)
    return prior


def per_life(hyper: HyperParameters, evidence: Floats, grid: Grid) -> Floats:
    """Return the log likelihood of each life."""
    top = evidence.max(axis=(1, 2))
    weighed = np.exp(evidence - top[:, None, None] + _log_prior(hyper, grid))
    total: Floats = top + np.log(weighed.sum(axis=(1, 2)))
    return total


def likelihood(point: Point) -> float:
    """Return the log likelihood of the sample."""
    return float(per_life(point.hyper, point.evidence, point.grid).sum())


def nudged_lives(point: Point, hyper: HyperParameters, data: Sample) -> Floats:
    """Return the log likelihood of each life with `hyper` near `point`, weights left alone."""
    alike = hyper.noise_sd == point.hyper.noise_sd
    tables = make_tables(
        hyper,
        point.grid,
        resolutions=data.visits.resolutions,
        reading=point.reading if alike else None,
    )
    return per_life(hyper, life_evidence(hyper, point.grid, data, tables), point.grid)


def evaluate(hyper: HyperParameters, grid: Grid, data: Sample) -> Point:
    """Run the filter, fit the weights of kinds and drift rates to what it says, and value it."""
    tables = make_tables(hyper, grid, resolutions=data.visits.resolutions)
    evidence = life_evidence(hyper, grid, data, tables)
    hyper = _fit_weights(hyper, evidence, grid, data)
    value = float(per_life(hyper, evidence, grid).sum()) + _log_belief(hyper, grid, data.tolerance)
    return Point(hyper, grid, tables.reading, evidence, value)


def _fit_weights(
    hyper: HyperParameters, evidence: Floats, grid: Grid, data: Sample
) -> HyperParameters:
    """Return `hyper` with the most probable weights of kinds and distribution of drift rates."""
    likelihood = np.exp(evidence - evidence.max(axis=(1, 2), keepdims=True))
    belief = scaled("slab_sd", tolerance=data.tolerance)
    slabs = belief.median * np.exp(np.linspace(-1.5, 1.2, 28))
    believed = -0.5 * (np.log(slabs / belief.median) / belief.spread) ** 2
    mean_sd = _mean_sd(data.tolerance)
    drifts = grid.drifts[1:]
    for _ in range(_UPDATES):
        share = likelihood * np.exp(_log_prior(hyper, grid))
        share /= share.sum(axis=(1, 2), keepdims=True)
        steady = share[:, :, 0].sum()
        rates = share[:, :, 1:].sum(axis=(0, 1))
        kinds = share.sum(axis=(0, 2)) + np.array(KIND_WEIGHTS)
        mean = float((rates @ drifts) / (rates.sum() + (hyper.slab_sd / mean_sd) ** 2))
        bells = np.exp(-0.5 * ((drifts - mean) / slabs[:, None]) ** 2)
        score = believed - 0.5 * (rates @ (drifts - mean) ** 2) / slabs**2
        score -= rates.sum() * np.log(bells.sum(axis=1))
        hyper = replace(hyper, slab_tilt=_tilt(hyper, rates, grid))
        hyper = replace(
            hyper,
            spike_weight=float((steady + STEADY[0]) / (data.lives.size + sum(STEADY))),
            slab_mean=mean,
            slab_sd=float(slabs[int(np.argmax(score))]),
            kinds=weighted_kinds(kinds),
        )
    return hyper


def _tilt(hyper: HyperParameters, rates: Floats, grid: Grid) -> tuple[float, ...]:
    """Return the most probable tilt of the slab where so many meters drift at each of its rates."""
    parts = slab_parts(hyper, grid)
    normal = parts.sum(axis=1)
    tilted = _tilts(hyper)[:, None] * parts
    drifting = (tilted / np.maximum(tilted.sum(axis=0), _LEAST)) @ rates
    share = (drifting + TILT_WORTH * normal) / (rates.sum() + TILT_WORTH)
    tilt = np.where(normal > _LEAST, share / np.maximum(normal, _LEAST), 1.0)
    return tuple(float(each) for each in tilt)


def _tilts(hyper: HyperParameters) -> Floats:
    """Return how many times as common as normal ones rates are at each of `TILT_KNOTS`."""
    return np.array(hyper.slab_tilt or np.ones(TILT_KNOTS.size))


def _mean_sd(tolerance: float) -> float:
    """Return the spread of the belief in the mean drift rate, % air per year."""
    return MEAN_RATE_SD * scaled("slab_sd", tolerance=tolerance).median / BELIEFS["slab_sd"].median


def _log_belief(hyper: HyperParameters, grid: Grid, tolerance: float) -> float:
    """Return the log density of the beliefs at `hyper`, up to a constant."""
    values = level_values(hyper) | {"slab_sd": hyper.slab_sd}
    if hyper.visit_sd <= 0:
        del values["visit_sd"]
    total = 0.0
    for name, value in values.items():
        belief = scaled(name, tolerance=tolerance)
        total -= 0.5 * (np.log(value / belief.median) / belief.spread) ** 2
    total -= 0.5 * (hyper.slab_mean / _mean_sd(tolerance)) ** 2
    total += STEADY[0] * np.log(hyper.spike_weight) + STEADY[1] * np.log1p(-hyper.spike_weight)
    total += TILT_WORTH * float(slab_parts(hyper, grid).sum(axis=1) @ np.log(_tilts(hyper)))
    total += np.array(KIND_WEIGHTS) @ np.log([kind.weight for kind in hyper.kinds])
    return float(total)
