"""This module fits the hyper-parameters of a fleet by penalised likelihood; it forecasts nothing.

Level parameters (wander, noise, shocks) need a pass of the filter for each value.  What a meter
keeps for life (drift rate, noise scale) does not: the filter's last state says how probable each
pair of them makes the readings, so that their weights in the fleet come from one pass.
"""

from dataclasses import dataclass, replace

import numpy as np

from drift.stats.blocks import Floats, Integers
from drift.stats.forecast.grid import make_tables, walk
from drift.stats.forecast.model import (
    Grid,
    HyperParameters,
    bell_mass,
    cell_probability,
    log_rate_prior,
)
from drift.stats.forecast.visits import Visits

# Beliefs before any data, for a tolerance of 0.1 % air (they scale with the tolerance), each as
# median and standard deviation of the logarithm.  Judgement: weak, worth about one meter's say,
# so that a single meter can be forecast and ten meters outvote them.
_USUAL = 0.1
_BELIEFS = {
    "wander": (0.02, 0.8),
    "noise_sd": (0.03, 0.6),
    "shock_rate": (0.05, 1.0),
    "shock_size": (0.12, 0.5),
}
_SLAB_BELIEF = (0.08, 0.5)
_RESET_BELIEF = (0.02, 0.7)
_START_BELIEF = (0.05, 0.7)
# Pseudo-meters that do and do not drift, and that have each noise scale.
_STEADY_BELIEF = (1.5, 1.0)
_SCALES = (1.0, 1.6, 2.5)
_SCALE_BELIEF = (3.0, 0.5, 0.5)

_NAMES = tuple(_BELIEFS)
_DIFFERENCE = 0.1
_ROUNDS = 8
_LONGEST_STEP = 1.0
_BLOCK = 96


@dataclass(frozen=True, slots=True)
class Fit:
    """Hyper-parameters and how they came about.

    Attributes
    ----------
    hyper : HyperParameters
        The fitted values.
    lives : int
        Histories that they were fitted to.
    readings : int
        Readings in those.
    log_likelihood : float
        Of those readings, at the fitted values.
    rounds : int
        Steps that the maximisation took.
    """

    hyper: HyperParameters
    lives: int
    readings: int
    log_likelihood: float
    rounds: int


def make_grid(
    hyper: HyperParameters, *, resolutions: Floats, coarse: bool = False, rates: int = 12
) -> Grid:
    """Choose a grid for `hyper`: steps of a share of the noise, a window that holds its readings.

    Parameters
    ----------
    hyper : HyperParameters
        Of the fleet.
    resolutions : array
        Steps to which its dials are read, % air.
    coarse : bool
        Larger steps, for fitting.
    rates : int
        Drift rates on either side of 0.
    """
    step = (0.6 if coarse else 0.42) * hyper.noise_sd
    noisiest = max(hyper.scales) * hyper.noise_sd
    half = resolutions.max() / 2 + 2.8 * noisiest + 2 * hyper.noise_sd
    rate_step = 3.2 * hyper.slab_sd / rates
    drifts = (np.arange(2 * rates) - rates + 0.5) * rate_step
    return Grid(
        step=step,
        cells=int(2 * np.ceil(half / step)),
        drifts=np.concatenate([[0.0], drifts]),
        rate_step=rate_step,
    )


def fit_fleet(visits: Visits, *, tolerance: float, sample: int) -> Fit:
    """Fit the hyper-parameters to a fleet by maximum penalised likelihood.

    Parameters
    ----------
    visits : Visits
        The fleet.
    tolerance : float
        Largest bias that passes, % air: the scale of the beliefs.
    sample : int
        Most lives used; evenly spread over the fleet, so that the fit is repeatable.

    Notes
    -----
    Scoring steps: the curvature is the sum of squared scores of single lives (Berndt, Hall, Hall
    and Hausman, 1974) plus that of the beliefs; scores are differences of log likelihoods.
    Weights of drift and noise scale are updated by expectation–maximisation between steps.
    """
    lives = _sample(visits, sample)
    unit = tolerance / _USUAL
    hyper = _first_guess(visits, lives, unit)
    grid = make_grid(
        replace(hyper, slab_sd=max(hyper.slab_sd, 0.09 * unit)),
        resolutions=visits.resolutions[np.unique(visits.kind[lives])],
        coarse=True,
        rates=9,
    )
    hyper, evidence = _update_weights(hyper, visits, lives, grid, unit)
    best = _objective(hyper, evidence, grid, unit)
    rounds = 0
    for _ in range(_ROUNDS):
        rounds += 1
        step = _scoring_step(hyper, evidence, visits, lives, grid=grid, unit=unit)
        improved = False
        for shrink in (1.0, 0.3):
            tried = _moved(hyper, shrink * step)
            tried, tried_evidence = _update_weights(tried, visits, lives, grid, unit)
            value = _objective(tried, tried_evidence, grid, unit)
            if value > best:
                improved = True
                break
        if not improved:
            break
        gain, best = value - best, value
        hyper, evidence = tried, tried_evidence
        if gain < 0.05:
            break
    readings = int((~np.isnan(visits.found[lives])).sum() + (~np.isnan(visits.left[lives])).sum())
    total = float(_per_life(hyper, evidence, grid).sum())
    return Fit(hyper, int(lives.size), readings, total, rounds)


def _sample(visits: Visits, most: int) -> Integers:
    """Return lives to fit to, longest first: all, or evenly spread ones."""
    usable = np.flatnonzero(visits.count > 0)
    if usable.size > most:
        usable = usable[np.linspace(0, usable.size - 1, most).round().astype(np.int64)]
    return usable[np.argsort(-visits.count[usable], kind="stable")]


def _first_guess(visits: Visits, lives: Integers, unit: float) -> HyperParameters:
    """Return starting values: beliefs, with the scatter of replicates and of adjusted levels."""
    median = {
        name: belief[0] * (1.0 if name == "shock_rate" else unit)
        for name, belief in _BELIEFS.items()
    }
    noise = _replicate_noise(visits, lives, median["noise_sd"])
    started = lives[~visits.fresh[lives]]
    return HyperParameters(
        wander=median["wander"],
        noise_sd=noise,
        scales=_SCALES,
        scale_weights=tuple(np.array(_SCALE_BELIEF) / sum(_SCALE_BELIEF)),
        spike_weight=_STEADY_BELIEF[0] / sum(_STEADY_BELIEF),
        slab_sd=_SLAB_BELIEF[0] * unit,
        shock_rate=median["shock_rate"],
        shock_size=median["shock_size"],
        reset_sd=_level_spread(
            visits.left[lives].reshape(-1, visits.left.shape[2]),
            visits.kind[lives].ravel(),
            visits.resolutions,
            noise=noise,
            belief=(_RESET_BELIEF[0] * unit, _RESET_BELIEF[1]),
        ),
        start_sd=_level_spread(
            visits.found[started, 0],
            visits.kind[started, 0],
            visits.resolutions,
            noise=noise,
            belief=(_START_BELIEF[0] * unit, _START_BELIEF[1]),
        ),
    )


def _replicate_noise(visits: Visits, lives: Integers, belief: float) -> float:
    """Return a starting value for the noise: pooled scatter of replicates less that of rounding."""
    readings = visits.found[lives]
    there = ~np.isnan(readings)
    number = there.sum(axis=2)
    several = number > 1
    if not several.any():
        return belief
    mean = np.where(there, readings, 0.0).sum(axis=2) / np.maximum(number, 1)
    squares = np.where(there, readings - mean[..., None], 0.0) ** 2
    freedom = np.maximum(number - 1, 0).sum()
    rounding = visits.resolutions[visits.kind[lives]][several].mean() ** 2 / 12
    pooled = squares.sum(axis=2)[several].sum() / freedom - rounding
    # The belief counts as ten degrees of freedom; rounding may hide the scatter altogether.
    value = (max(pooled, 0.0) * freedom + 10 * belief**2) / (freedom + 10)
    return float(np.clip(np.sqrt(value), 0.3 * belief, 5 * belief))


def _level_spread(
    readings: Floats,
    kind: Integers,
    resolutions: Floats,
    *,
    noise: float,
    belief: tuple[float, float],
) -> float:
    """Return the most probable standard deviation of levels about 0 behind `readings`."""
    there = ~np.isnan(readings)
    rows = there.any(axis=1)
    candidates = belief[0] * np.exp(np.linspace(-2.0, 2.0, 17))
    score = -0.5 * (np.log(candidates / belief[0]) / belief[1]) ** 2
    if not rows.any():
        return belief[0]
    readings, there, kind = readings[rows][:2000], there[rows][:2000], kind[rows][:2000]
    step = 0.5 * min(noise, float(candidates[0]) * 2)
    levels = np.arange(-80, 81) * max(step, np.abs(np.nanmax(np.abs(readings))) / 70)
    chance = np.ones((readings.shape[0], levels.size))
    for replicate in range(readings.shape[1]):
        offset = levels - np.where(there[:, replicate], readings[:, replicate], 0.0)[:, None]
        for code in np.unique(kind):
            at = there[:, replicate] & (kind == code)
            chance[at] *= cell_probability(offset[at], resolution=resolutions[code], sd=noise)
    gap = levels[1] - levels[0]
    for place, sd in enumerate(candidates):
        prior = 0.95 * bell_mass(levels, variance=np.float64(sd**2), step=gap)
        prior += 0.05 * bell_mass(levels, variance=np.float64(9 * sd**2), step=gap)
        score[place] += np.log(chance @ prior + 1e-12).sum()
    return float(candidates[int(np.argmax(score))])


def _evidence(hyper: HyperParameters, visits: Visits, lives: Integers, grid: Grid) -> Floats:
    """Return the log likelihood of each life by drift rate and noise scale."""
    tables = make_tables(hyper, grid, resolutions=visits.resolutions)
    log = np.empty((lives.size, grid.drifts.size, len(hyper.scales)))
    with np.errstate(divide="ignore"):
        prior = np.log(tables.prior)
        for start in range(0, lives.size, _BLOCK):
            part = lives[start : start + _BLOCK]
            state = walk(visits, part, hyper=hyper, grid=grid, tables=tables)
            kept = np.log(state.mass.sum(axis=3)) - prior
            log[start : start + _BLOCK] = state.log_likelihood[:, None, None] + kept
    return log


def _per_life(hyper: HyperParameters, evidence: Floats, grid: Grid) -> Floats:
    """Return the log likelihood of each life."""
    weight = log_rate_prior(hyper, grid)[:, None] + np.log(hyper.scale_weights)
    top = evidence.max(axis=(1, 2))
    total: Floats = top + np.log(np.exp(evidence - top[:, None, None] + weight).sum(axis=(1, 2)))
    return total


def _update_weights(
    hyper: HyperParameters, visits: Visits, lives: Integers, grid: Grid, unit: float
) -> tuple[HyperParameters, Floats]:
    """Run the filter and fit the weights of drift rates and noise scales to what it says."""
    evidence = _evidence(hyper, visits, lives, grid)
    likelihood = np.exp(evidence - evidence.max(axis=(1, 2), keepdims=True))
    slabs = _SLAB_BELIEF[0] * unit * np.exp(np.linspace(-1.5, 1.2, 28))
    for _ in range(25):
        prior = np.exp(log_rate_prior(hyper, grid))[:, None] * np.array(hyper.scale_weights)
        share = likelihood * prior
        share /= share.sum(axis=(1, 2), keepdims=True)
        steady = share[:, 0].sum()
        rates = share[:, 1:].sum(axis=(0, 2))
        scales = share.sum(axis=(0, 1)) + np.array(_SCALE_BELIEF)
        moment = rates @ grid.drifts[1:] ** 2
        score = -0.5 * (np.log(slabs / (_SLAB_BELIEF[0] * unit)) / _SLAB_BELIEF[1]) ** 2
        normaliser = np.exp(-0.5 * (grid.drifts[1:] / slabs[:, None]) ** 2).sum(axis=1)
        score += -0.5 * moment / slabs**2 - rates.sum() * np.log(normaliser)
        hyper = replace(
            hyper,
            spike_weight=float((steady + _STEADY_BELIEF[0]) / (lives.size + sum(_STEADY_BELIEF))),
            slab_sd=float(slabs[int(np.argmax(score))]),
            scale_weights=tuple(float(s) for s in scales / scales.sum()),
        )
    return hyper, evidence


def _beliefs(hyper: HyperParameters, unit: float) -> tuple[Floats, Floats]:
    """Return distance from the beliefs in logarithms, and their precisions."""
    scaled = np.array([1.0 if name == "shock_rate" else unit for name in _NAMES])
    median = np.array([_BELIEFS[name][0] for name in _NAMES]) * scaled
    values = np.array([hyper.wander, hyper.noise_sd, hyper.shock_rate, hyper.shock_size])
    precision = np.array([_BELIEFS[name][1] for name in _NAMES]) ** -2.0
    return np.log(values / median), precision


def _objective(hyper: HyperParameters, evidence: Floats, grid: Grid, unit: float) -> float:
    """Return the penalised log likelihood."""
    distance, precision = _beliefs(hyper, unit)
    slab = np.log(hyper.slab_sd / (_SLAB_BELIEF[0] * unit)) / _SLAB_BELIEF[1]
    weights = (
        _STEADY_BELIEF[0] * np.log(hyper.spike_weight)
        + _STEADY_BELIEF[1] * np.log1p(-hyper.spike_weight)
        + np.array(_SCALE_BELIEF) @ np.log(hyper.scale_weights)
    )
    penalty = -0.5 * (precision @ distance**2) - 0.5 * slab**2 + weights
    return float(_per_life(hyper, evidence, grid).sum() + penalty)


def _moved(hyper: HyperParameters, step: Floats) -> HyperParameters:
    """Return `hyper` with the logarithms of the level parameters moved by `step`."""
    factor = np.exp(step)
    return replace(
        hyper,
        wander=float(hyper.wander * factor[0]),
        noise_sd=float(hyper.noise_sd * factor[1]),
        shock_rate=float(min(hyper.shock_rate * factor[2], 3.0)),
        shock_size=float(hyper.shock_size * factor[3]),
    )


def _scoring_step(
    hyper: HyperParameters,
    evidence: Floats,
    visits: Visits,
    lives: Integers,
    *,
    grid: Grid,
    unit: float,
) -> Floats:
    """Return the scoring step for the logarithms of the level parameters."""
    base = _per_life(hyper, evidence, grid)
    scores = np.empty((lives.size, len(_NAMES)))
    for place in range(len(_NAMES)):
        nudge = np.zeros(len(_NAMES))
        nudge[place] = _DIFFERENCE
        nudged = _moved(hyper, nudge)
        there = _per_life(nudged, _evidence(nudged, visits, lives, grid), grid)
        scores[:, place] = (there - base) / _DIFFERENCE
    distance, precision = _beliefs(hyper, unit)
    gradient = scores.sum(axis=0) - precision * distance
    curvature = scores.T @ scores + np.diag(precision)
    step = np.linalg.solve(curvature, gradient)
    longest = np.abs(step).max()
    limited: Floats = step * min(1.0, _LONGEST_STEP / max(longest, 1e-12))
    return limited
