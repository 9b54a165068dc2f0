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
    bell_mass,
    cell_probability,
    learnt_tilt,
    log_rate_prior,
    log_tilt_prior,
)
from drift.forecast.grid.rates import between_rates
from drift.forecast.grid.reading_likelihood import Tables, make_tables
from drift.forecast.grid.visits import Visits

# Lives filtered together, and rounds of expectation and maximisation.
_BLOCK = 128
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


def nudged_lives(point: Point, hyper: HyperParameters, data: FitSample) -> Floats:
    """Return the log likelihood of each life with `hyper` near `point`, weights left alone."""
    alike = hyper.noise_sd == point.hyper.noise_sd
    tables = make_tables(
        hyper,
        point.grid,
        resolutions=data.visits.resolutions,
        reading=point.reading if alike else None,
    )
    return per_life(hyper, life_evidence(hyper, point.grid, data, tables=tables), point.grid)


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
# A level that counts less than this is left out.
_LEAST_WEIGHT = 0.01


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


def adjusted_spread(
    visits: Visits, lives: Integers, adjusted: Floats, *, noise: float, belief: Belief
) -> float:
    """Return the most probable spread of levels after adjustments.

    Parameters
    ----------
    visits, lives
        The fleet, and positions in it.
    adjusted : array, shape (lives, visits)
        Probability that each visit adjusted.
    noise, belief
        As for `level_spread`.
    """
    return level_spread(
        visits.left[lives].reshape(-1, visits.left.shape[2]),
        visits.kind[lives].ravel(),
        visits.resolutions,
        noise=noise,
        belief=belief,
        weight=adjusted.ravel(),
    )


def replicate_noise(visits: Visits, lives: Integers, belief: Belief) -> float:
    """Return the most probable noise of a reading behind the replicates of each visit.

    By the rounding likelihood with any level held equally likely, so that a dial that hides the
    scatter leaves the belief standing; a life is noisy or not as a whole.
    """
    readings = visits.found[lives]
    several = (~np.isnan(readings)).sum(axis=2) > 1
    if not several.any():
        return belief.median
    life = np.broadcast_to(np.arange(lives.size)[:, None], several.shape)[several]
    step = visits.resolutions[visits.kind[lives]][several]
    away = readings[several] - readings[several][:, :1]
    # What counts is the pattern of a visit, and there are few of them.
    table = np.column_stack([step, np.where(np.isnan(away), np.inf, np.rint(away * 1e7) / 1e7)])
    patterns, place = np.unique(table, axis=0, return_inverse=True)
    candidates = belief.median * np.exp(np.linspace(-1.6, 1.6, 17))
    factors = sorted({noise for noise, _ in KIND_FACTORS})
    weights = [
        sum(w for (noise, _), w in zip(KIND_FACTORS, KIND_WEIGHTS, strict=True) if noise == factor)
        for factor in factors
    ]
    score = -0.5 * (np.log(candidates / belief.median) / belief.spread) ** 2
    for number, sd in enumerate(candidates):
        by_life = np.stack(
            [
                np.bincount(
                    life,
                    weights=_pattern_chances(patterns, factor * sd)[place.ravel()],
                    minlength=lives.size,
                )
                for factor in factors
            ]
        )
        top = by_life.max(axis=0)
        score[number] += (top + np.log(np.array(weights) @ np.exp(by_life - top))).sum()
    return float(candidates[int(np.argmax(score))])


def _pattern_chances(patterns: Floats, sd: float) -> Floats:
    """Return the log likelihood of patterns of replicates, any level held equally likely."""
    away = patterns[:, 1:]
    there = np.isfinite(away)
    spread = np.where(there, np.abs(away), 0.0).max(axis=1)
    half = spread + patterns[:, 0] / 2 + 4 * sd
    share = np.linspace(-1.0, 1.0, 121)
    level = half[:, None] * share
    chance = np.ones(level.shape)
    for step in np.unique(patterns[:, 0]):
        for replicate in range(away.shape[1]):
            at = (patterns[:, 0] == step) & there[:, replicate]
            offset = level[at] - away[at, replicate][:, None]
            chance[at] *= cell_probability(offset, resolution=float(step), sd=sd)
    log: Floats = np.log((chance.sum(axis=1) * half) + 1e-300)
    return log


def level_spread(
    readings: Floats,
    kind: Integers,
    resolutions: Floats,
    *,
    noise: float,
    belief: Belief,
    weight: Floats | None = None,
) -> float:
    """Return the most probable standard deviation of levels about 0 behind rounded readings.

    Parameters
    ----------
    readings : array, shape (levels, replicates)
        Readings of each level, % air, NaN where there are none.
    kind : array, shape (levels,)
        Position of each level's resolution in `resolutions`.
    resolutions : array
        Steps of the dials, % air.
    noise : float
        Standard deviation of a reading, % air.
    belief : Belief
        In the answer; the answer lies within two logarithmic units of its median.
    weight : array, shape (levels,), optional
        How much each level counts, all alike by default.
    """
    there = ~np.isnan(readings)
    weight = np.ones(kind.size) if weight is None else weight
    rows = there.any(axis=1) & (weight > _LEAST_WEIGHT)
    if not rows.any():
        return belief.median
    candidates = belief.median * np.exp(np.linspace(-2.0, 2.0, 17))
    score = -0.5 * (np.log(candidates / belief.median) / belief.spread) ** 2
    # Two thousand levels say all there is to say.
    some = np.flatnonzero(rows)[:2000]
    readings, there, kind, weight = readings[some], there[some], kind[some], weight[some]
    gap = max(0.5 * noise, float(np.nanmax(np.abs(readings))) / 70)
    levels = gap * np.arange(-80, 81, dtype=np.float64)
    chance = np.ones((readings.shape[0], levels.size))
    for replicate in range(readings.shape[1]):
        offset = levels - np.where(there[:, replicate], readings[:, replicate], 0.0)[:, None]
        for code in np.unique(kind):
            at = there[:, replicate] & (kind == code)
            chance[at] *= cell_probability(offset[at], resolution=resolutions[code], sd=noise)
    for place, sd in enumerate(candidates):
        # One level in twenty may be three times as far off: a slip must not set the spread.
        prior = 0.95 * bell_mass(levels, variance=np.square(sd), step=gap)
        prior += 0.05 * bell_mass(levels, variance=np.square(3 * sd), step=gap)
        score[place] += weight @ np.log(chance @ prior + 1e-12)
    return float(candidates[int(np.argmax(score))])
