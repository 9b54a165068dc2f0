"""This module fits the hyper-parameters of a fleet by penalised likelihood; it forecasts nothing.

Level parameters (wander, noise, shocks) need a pass of the filter for each value.  What a meter
keeps for life (drift rate, kind) does not: the filter's last state says how probable each pair of
them makes the readings, so that their weights in the fleet come from one pass.
"""

from dataclasses import dataclass, replace

import numpy as np

from drift.stats.blocks import Floats, Integers
from drift.stats.forecast.beliefs import (
    KIND_WEIGHTS,
    MEAN_RATE_SD,
    STEADY,
    first_guess,
    scaled,
    weighted_kinds,
)
from drift.stats.forecast.grid import walk
from drift.stats.forecast.model import Grid, HyperParameters, log_rate_prior
from drift.stats.forecast.rates import between_rates
from drift.stats.forecast.readings import make_tables
from drift.stats.forecast.visits import Visits

# The level parameters, always fitted.
_LEVEL = ("wander", "noise_sd", "shock_rate", "shock_size")
# Change of a logarithm over which a score is taken; longest step of one round.
_DIFFERENCE = 0.1
_LONGEST_STEP = 1.0
# A gain of log likelihood that no data can tell from none.
_LEAST_GAIN = 0.3
_BLOCK = 128
# Visits up to which all are taken at once.
_EASY = 3000
# A shared error of a visit is looked for at this share of the noise.
_SHARED_TRIAL = 0.4
# Gain of log likelihood that one more parameter must bring.
_WORTH = 2.0
_UPDATES = 25
# Step of the fitting grid in noise, and its drift rates on either side of 0.
_COARSE = 0.7
_RATES = 16
_COARSE_RATES = 7


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


@dataclass(frozen=True, slots=True)
class _Sample:
    """What the hyper-parameters are fitted to."""

    visits: Visits
    lives: Integers
    tolerance: float
    unseen: bool


@dataclass(frozen=True, slots=True)
class _Point:
    """Hyper-parameters, what the filter says with them, and their penalised log likelihood."""

    hyper: HyperParameters
    grid: Grid
    evidence: Floats
    value: float


def make_grid(
    hyper: HyperParameters, *, resolutions: Floats, coarse: bool = False, rates: int | None = None
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
    rates : int, optional
        Drift rates on either side of 0; by default enough for long histories.
    """
    rates = rates or _RATES
    step = (_COARSE if coarse else 0.5) * hyper.noise_sd
    noisiest = max(kind.noise for kind in hyper.kinds) * hyper.noise_sd
    half = resolutions.max() / 2 + 2 * (noisiest + hyper.visit_sd + hyper.noise_sd)
    rate_step = (2.6 * hyper.slab_sd + abs(hyper.slab_mean)) / rates
    drifts = (np.arange(2 * rates) - rates + 0.5) * rate_step
    return Grid(
        step=step,
        cells=int(2 * np.ceil(half / step)),
        drifts=np.concatenate([[0.0], drifts]),
        rate_step=rate_step,
    )


def fit_fleet(
    visits: Visits,
    *,
    tolerance: float,
    sample: int,
    start: HyperParameters | None = None,
    rounds: int = 8,
) -> Fit:
    """Fit the hyper-parameters to a fleet by maximum penalised likelihood.

    Parameters
    ----------
    visits : Visits
        The fleet; where no life has a visit, the beliefs come back.
    tolerance : float
        Largest bias that passes, % air: the scale of the beliefs.
    sample : int
        Most visits used: those of lives evenly spread over the fleet, so that it is repeatable.
    start : HyperParameters, optional
        Where to start from, such as the fit to an earlier part of the same history.
    rounds : int
        Most scoring steps; few will do from a good start.

    Notes
    -----
    Scoring steps: the curvature is the sum of squared scores of single lives (Berndt, Hall, Hall
    and Hausman, 1974, Annals of Economic and Social Measurement 3, 653–665) plus that of the
    beliefs; scores are differences of log likelihoods.  Weights of drift rates and kinds are
    updated by expectation–maximisation between steps.  An error that all readings of a visit
    share is let in where the likelihood asks for it; single readings cannot tell it from noise.
    """
    lives = _choose(visits, sample)
    hyper = start or first_guess(visits, lives, tolerance=tolerance)
    if lives.size == 0:
        return Fit(hyper, 0, 0, 0.0, 0)
    unseen = _resets_unseen(visits, lives)
    taken = 0
    if start is None and visits.count[lives].sum() > _EASY:
        # A third of the lives leads most of the way for a third of the price.
        point, taken = _search(hyper, _Sample(visits, lives[::3], tolerance, unseen), rounds)
        hyper = point.hyper
    point, more = _search(hyper, _Sample(visits, lives, tolerance, unseen), rounds)
    found, left = visits.found[lives], visits.left[lives]
    readings = int((~np.isnan(found)).sum() + (~np.isnan(left)).sum())
    return Fit(point.hyper, int(lives.size), readings, _likelihood(point), taken + more)


def _search(hyper: HyperParameters, data: _Sample, rounds: int) -> tuple[_Point, int]:
    """Climb from `hyper`; let a shared error of visits in where the likelihood asks for it."""
    hyper = _moved(hyper, (), np.empty(0), unseen=data.unseen)
    point = _evaluate(hyper, _fitting_grid(hyper, data), data)
    names = (*_LEVEL, "visit_sd") if hyper.visit_sd > 0 else _LEVEL
    point, taken = _climb(point, names, data, rounds)
    if point.hyper.visit_sd <= 0 and _has_replicates(data.visits, data.lives):
        shared = replace(point.hyper, visit_sd=_SHARED_TRIAL * point.hyper.noise_sd)
        trial = _evaluate(shared, point.grid, data)
        if _likelihood(trial) > _likelihood(point) + _WORTH:
            point, more = _climb(trial, (*_LEVEL, "visit_sd"), data, rounds)
            taken += more
    return point, taken


def _choose(visits: Visits, most: int) -> Integers:
    """Return lives of at most `most` visits to fit to, evenly spread, longest first."""
    usable = np.flatnonzero(visits.count > 0)
    total = visits.count[usable].sum()
    if total > most:
        number = max(1, int(usable.size * most / total))
        usable = usable[np.linspace(0, usable.size - 1, number).round().astype(np.int64)]
    return usable[np.argsort(-visits.count[usable], kind="stable")]


def _resets_unseen(visits: Visits, lives: Integers) -> bool:
    """Return whether most adjustments were left without as-left readings."""
    reset = visits.reset[lives]
    seen = reset & ~np.isnan(visits.left[lives]).all(axis=2)
    return bool(2 * seen.sum() < reset.sum())


def _has_replicates(visits: Visits, lives: Integers) -> bool:
    """Return whether at least a quarter of the visits read with replicates."""
    number = (~np.isnan(visits.found[lives])).sum(axis=2)
    return bool(4 * (number > 1).sum() >= (number > 0).sum() > 0)


def _fitting_grid(hyper: HyperParameters, data: _Sample) -> Grid:
    """Return a coarse grid with room for faster drifts than `hyper` has."""
    roomy = max(hyper.slab_sd, 1.1 * scaled("slab_sd", tolerance=data.tolerance).median)
    kinds = np.unique(data.visits.kind[data.lives])
    return make_grid(
        replace(hyper, slab_sd=roomy, visit_sd=hyper.visit_sd + 0.3 * hyper.noise_sd),
        resolutions=data.visits.resolutions[kinds],
        coarse=True,
        rates=_COARSE_RATES,
    )


def _climb(point: _Point, names: tuple[str, ...], data: _Sample, rounds: int) -> tuple[_Point, int]:
    """Take scoring steps in the logarithms of `names` until they gain next to nothing."""
    for number in range(1, rounds + 1):
        step = _scoring_step(point, names, data)
        better = None
        for shrink in (1.0, 0.4, 0.1):
            tried = _evaluate(
                _moved(point.hyper, names, shrink * step, unseen=data.unseen), point.grid, data
            )
            if tried.value > point.value:
                better = tried
                break
        if better is None:
            return point, number
        gain, point = better.value - point.value, better
        fineness = point.grid.step / (_COARSE * point.hyper.noise_sd)
        if not 0.75 < fineness < 1.35:
            point = _evaluate(point.hyper, _fitting_grid(point.hyper, data), data)
        elif gain < _LEAST_GAIN:
            return point, number
    return point, rounds


def _level_values(hyper: HyperParameters) -> dict[str, float]:
    """Return the parameters that scoring steps may move, by name."""
    return {
        "wander": hyper.wander,
        "noise_sd": hyper.noise_sd,
        "shock_rate": hyper.shock_rate,
        "shock_size": hyper.shock_size,
        "reset_sd": hyper.reset_sd,
        "visit_sd": hyper.visit_sd,
    }


def _moved(
    hyper: HyperParameters, names: tuple[str, ...], step: Floats, *, unseen: bool
) -> HyperParameters:
    """Return `hyper` with the logarithms of `names` moved by `step`.

    Where adjustments are left unread, readings cannot tell how good they are: as good as one
    reading, it is taken.
    """
    values = _level_values(hyper)
    for name, change in zip(names, step, strict=True):
        values[name] *= float(np.exp(change))
    # More than three shocks a year are not rare; the model would have no meaning.
    values["shock_rate"] = min(values["shock_rate"], 3.0)
    if unseen:
        values["reset_sd"] = values["noise_sd"]
    return replace(hyper, **values)  # type: ignore[arg-type]  # names of float fields


def _scoring_step(point: _Point, names: tuple[str, ...], data: _Sample) -> Floats:
    """Return the scoring step for the logarithms of `names`."""
    base = _per_life(point.hyper, point.evidence, point.grid)
    scores = np.empty((data.lives.size, len(names)))
    for place in range(len(names)):
        nudge = np.zeros(len(names))
        nudge[place] = _DIFFERENCE
        nudged = _moved(point.hyper, names, nudge, unseen=data.unseen)
        there = _per_life(nudged, _evidence(nudged, point.grid, data), point.grid)
        scores[:, place] = (there - base) / _DIFFERENCE
    beliefs = [scaled(name, tolerance=data.tolerance) for name in names]
    values = _level_values(point.hyper)
    away = np.array(
        [np.log(values[name] / belief.median) for name, belief in zip(names, beliefs, strict=True)]
    )
    precision = np.array([belief.spread**-2 for belief in beliefs])
    gradient = scores.sum(axis=0) - precision * away
    step = np.linalg.solve(scores.T @ scores + np.diag(precision), gradient)
    limited: Floats = step * min(1.0, _LONGEST_STEP / max(float(np.abs(step).max()), 1e-12))
    return limited


def _evidence(hyper: HyperParameters, grid: Grid, data: _Sample) -> Floats:
    """Return the log likelihood of each life by kind and drift rate."""
    tables = make_tables(hyper, grid, resolutions=data.visits.resolutions)
    log = np.empty((data.lives.size, len(hyper.kinds), grid.drifts.size))
    with np.errstate(divide="ignore"):
        prior = np.log(tables.prior)
    for start in range(0, data.lives.size, _BLOCK):
        part = data.lives[start : start + _BLOCK]
        state = walk(data.visits, part, hyper=hyper, grid=grid, tables=tables)
        kept = np.log(state.mass.sum(axis=3, dtype=np.float64)) - prior
        kept += np.log(between_rates(kept).factor)
        log[start : start + _BLOCK] = state.log_likelihood[:, None, None] + kept
    return log


def _log_prior(hyper: HyperParameters, grid: Grid) -> Floats:
    """Return the log prior of kinds and drift rates, shape (kinds, rates)."""
    kinds = np.log([kind.weight for kind in hyper.kinds])
    prior: Floats = kinds[:, None] + log_rate_prior(hyper, grid)
    return prior


def _per_life(hyper: HyperParameters, evidence: Floats, grid: Grid) -> Floats:
    """Return the log likelihood of each life."""
    top = evidence.max(axis=(1, 2))
    weighed = np.exp(evidence - top[:, None, None] + _log_prior(hyper, grid))
    total: Floats = top + np.log(weighed.sum(axis=(1, 2)))
    return total


def _likelihood(point: _Point) -> float:
    """Return the log likelihood of the sample."""
    return float(_per_life(point.hyper, point.evidence, point.grid).sum())


def _evaluate(hyper: HyperParameters, grid: Grid, data: _Sample) -> _Point:
    """Run the filter, fit the weights of kinds and drift rates to what it says, and value it."""
    evidence = _evidence(hyper, grid, data)
    hyper = _fit_weights(hyper, evidence, grid, data)
    value = float(_per_life(hyper, evidence, grid).sum()) + _log_belief(hyper, data.tolerance)
    return _Point(hyper, grid, evidence, value)


def _fit_weights(
    hyper: HyperParameters, evidence: Floats, grid: Grid, data: _Sample
) -> HyperParameters:
    """Return `hyper` with the most probable weights of kinds and distribution of drift rates."""
    likelihood = np.exp(evidence - evidence.max(axis=(1, 2), keepdims=True))
    belief = scaled("slab_sd", tolerance=data.tolerance)
    slabs = belief.median * np.exp(np.linspace(-1.5, 1.2, 28))
    believed = -0.5 * (np.log(slabs / belief.median) / belief.spread) ** 2
    mean_sd = MEAN_RATE_SD * belief.median / 0.08
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
        hyper = replace(
            hyper,
            spike_weight=float((steady + STEADY[0]) / (data.lives.size + sum(STEADY))),
            slab_mean=mean,
            slab_sd=float(slabs[int(np.argmax(score))]),
            kinds=weighted_kinds(kinds),
        )
    return hyper


def _log_belief(hyper: HyperParameters, tolerance: float) -> float:
    """Return the log density of the beliefs at `hyper`, up to a constant."""
    values = _level_values(hyper) | {"slab_sd": hyper.slab_sd}
    if hyper.visit_sd <= 0:
        del values["visit_sd"]
    total = 0.0
    for name, value in values.items():
        belief = scaled(name, tolerance=tolerance)
        total -= 0.5 * (np.log(value / belief.median) / belief.spread) ** 2
    mean_sd = MEAN_RATE_SD * scaled("slab_sd", tolerance=tolerance).median / 0.08
    total -= 0.5 * (hyper.slab_mean / mean_sd) ** 2
    total += STEADY[0] * np.log(hyper.spike_weight) + STEADY[1] * np.log1p(-hyper.spike_weight)
    total += np.array(KIND_WEIGHTS) @ np.log([kind.weight for kind in hyper.kinds])
    return float(total)
