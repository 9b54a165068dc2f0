"""This module scores hyper-parameters: the likelihood that the filter gives them, and their prior.

What a meter keeps for life (drift rate, kind) needs no search: the filter's last state says how
probable each pair of them makes the readings, so that their weights come from one pass.
"""

from dataclasses import dataclass, replace

import numpy as np

from drift.arrays import Floats, Integers, Masses
from drift.forecast.beliefs import (
    BELIEFS,
    KIND_FACTORS,
    KIND_WEIGHTS,
    MEAN_RATE_SD,
    STEADY,
    Belief,
)
from drift.forecast.grid.filter import walk
from drift.forecast.grid.model import (
    Grid,
    Habit,
    HyperParameters,
    Kind,
    learnt_tilt,
    log_rate_prior,
    log_tilt_prior,
)
from drift.forecast.grid.rates import between_rates
from drift.forecast.grid.reading_likelihood import Tables, join_tables, make_tables
from drift.forecast.grid.route import ways_of
from drift.forecast.grid.state import State
from drift.forecast.grid.visits import Visits
from drift.forecast.scatter import adjusted_spread, level_spread, replicate_noise

# Series filtered together, and rounds of expectation and maximisation.
_BLOCK = 192
_UPDATES = 25

_USUAL_TOLERANCE = 0.1


@dataclass(frozen=True, slots=True)
class FitSample:
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
    data: FitSample,
    *,
    tables: Tables,
    ratios: Floats | None = None,
) -> Floats:
    """Return the log likelihood of each life by kind and drift rate; `ratios` as in `walk`."""
    log = np.empty((data.lives.size, len(hyper.kinds), grid.drifts.size))
    for start in range(0, data.lives.size, _BLOCK):
        part = data.lives[start : start + _BLOCK]
        state = walk(data.visits, part, hyper=hyper, grid=grid, tables=tables, ratios=ratios)
        log[start : start + _BLOCK] = _evidence(state, tables)
    return log


def _evidence(state: State, tables: Tables) -> Floats:
    """Return the log likelihood of each series by kind and drift rate."""
    with np.errstate(divide="ignore"):
        prior = np.log(tables.prior)
    kept = np.log(state.mass.sum(axis=3, dtype=np.float64)) - prior
    kept += np.log(between_rates(kept).factor)
    evidence: Floats = state.log_likelihood[:, None, None] + kept
    return evidence


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


def nudged_lives(point: Point, hypers: tuple[HyperParameters, ...], data: FitSample) -> Floats:
    """Return the log likelihood of each life with each of `hypers` near `point`.

    The array has the shape (number of `hypers`, lives).  All are one walk of the filter; weights
    of kinds and drift rates are left as they are.
    """
    grid, number = point.grid, len(hypers)
    like = make_tables(
        point.hyper, grid, resolutions=data.visits.resolutions, reading=point.reading
    )
    joined = join_tables(
        (point.hyper, *hypers), grid, resolutions=data.visits.resolutions, like=like
    )
    lives = np.empty((number, data.lives.size))
    at_once = max(1, _BLOCK // number)
    for start in range(0, data.lives.size, at_once):
        part = data.lives[start : start + at_once]
        place = np.tile(np.arange(1, number + 1), part.size)
        state = walk(
            data.visits,
            np.repeat(part, number),
            hyper=point.hyper,
            grid=grid,
            tables=joined,
            ways=ways_of((point.hyper, *hypers), place),
        )
        evidence = _evidence(state, joined)
        lives[:, start : start + at_once] = (
            per_life(point.hyper, evidence, grid).reshape(part.size, number).T
        )
    return lives


def evaluate(hyper: HyperParameters, grid: Grid, data: FitSample) -> Point:
    """Run the filter, fit the weights of kinds and drift rates to what it says, and value it."""
    tables = make_tables(hyper, grid, resolutions=data.visits.resolutions)
    evidence = life_evidence(hyper, grid, data, tables=tables)
    hyper = _fit_weights(hyper, evidence, grid, data)
    value = float(per_life(hyper, evidence, grid).sum()) + _log_belief(hyper, grid, data.tolerance)
    return Point(hyper, grid, tables.reading, evidence, value)


def _fit_weights(
    hyper: HyperParameters, evidence: Floats, grid: Grid, data: FitSample
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
        hyper = replace(hyper, slab_tilt=learnt_tilt(hyper, grid, rates))
        hyper = replace(
            hyper,
            spike_weight=float((steady + STEADY[0]) / (data.lives.size + sum(STEADY))),
            slab_mean=mean,
            slab_sd=float(slabs[int(np.argmax(score))]),
            kinds=weighted_kinds(kinds),
        )
    return hyper


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
    total += log_tilt_prior(hyper, grid)
    total += np.array(KIND_WEIGHTS) @ np.log([kind.weight for kind in hyper.kinds])
    return float(total)


# Where the share of visits that adjust without a record may change, in tolerances found off; the
# share believed between, and the visits that this belief is worth.
HABIT_EDGES = (0.25, 0.4, 0.5, 0.6, 0.75, 0.9, 1.0, 1.25)
HABIT_SHARES = (0.1, 0.2, 0.2, 0.3, 0.3, 0.4, 0.4, 0.8, 0.9)
HABIT_WORTH = 1.0


def usual_habit(tolerance: float) -> Habit:
    """Return when a laboratory is believed to adjust without a record, for a tolerance, % air."""
    return Habit(tuple(tolerance * edge for edge in HABIT_EDGES), HABIT_SHARES)


def scaled(name: str, *, tolerance: float) -> Belief:
    """Return the belief in one parameter for a tolerance, % air."""
    unit = 1.0 if name == "shock_rate" else tolerance / _USUAL_TOLERANCE
    return Belief(BELIEFS[name].median * unit, BELIEFS[name].spread)


def weighted_kinds(weights: Floats) -> tuple[Kind, ...]:
    """Return the kinds with `weights`, which need not sum to 1."""
    shares = weights / weights.sum()
    return tuple(
        Kind(noise=noise, shocks=shocks, weight=float(share))
        for (noise, shocks), share in zip(KIND_FACTORS, shares, strict=True)
    )


def first_guess(visits: Visits, lives: Integers, *, tolerance: float) -> HyperParameters:
    """Return starting values: beliefs, with the scatter of replicates and of adjusted levels."""
    usual = {name: scaled(name, tolerance=tolerance) for name in BELIEFS}
    noise = replicate_noise(visits, lives, usual["noise_sd"])
    started = lives[~visits.fresh[lives]]
    habit = usual_habit(tolerance)
    adjusted = np.where(visits.mixed[lives], habit.share(visits.off[lives]), visits.reset[lives])
    return HyperParameters(
        wander=usual["wander"].median,
        noise_sd=noise,
        visit_sd=0.0,
        kinds=weighted_kinds(np.array(KIND_WEIGHTS)),
        spike_weight=STEADY[0] / sum(STEADY),
        slab_mean=0.0,
        slab_sd=usual["slab_sd"].median,
        shock_rate=usual["shock_rate"].median,
        shock_size=usual["shock_size"].median,
        reset_sd=adjusted_spread(visits, lives, adjusted, noise=noise, belief=usual["reset_sd"]),
        start_sd=level_spread(
            visits.found[started, 0],
            visits.kind[started, 0],
            visits.resolutions,
            noise=noise,
            belief=usual["start_sd"],
        ),
        habit=habit,
    )
