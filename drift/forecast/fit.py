"""This module fits the hyper-parameters of a fleet by penalised likelihood.

Level parameters (wander, noise, shocks) need a pass of the filter for each value; the weights of
drift rates and kinds come with each pass, see `drift.forecast.marginal_likelihood`.
"""

from dataclasses import dataclass, replace

import numpy as np

from drift.arrays import Floats, Integers
from drift.forecast.beliefs import KIND_WEIGHTS
from drift.forecast.grid.content import in_order_of_content
from drift.forecast.grid.model import Grid, HyperParameters, make_grid
from drift.forecast.grid.visits import Visits
from drift.forecast.habits import learn_habit
from drift.forecast.marginal_likelihood import (
    FitSample,
    Point,
    evaluate,
    first_guess,
    level_values,
    likelihood,
    nudged_lives,
    per_life,
    scaled,
    weighted_kinds,
)

# The level parameters, always fitted.
_LEVEL = ("wander", "noise_sd", "shock_rate", "shock_size")
# Change of a logarithm over which a score is taken; longest step of one round.
_DIFFERENCE = 0.02
_LONGEST_STEP = 1.0
# A gain of log likelihood that no data can tell from none.
_LEAST_GAIN = 0.1
# The same for some lives that only lead the search: the others will move its top anyway.
_LEADING_GAIN = 1.0
# Visits of some lives that lead the search most of the way, or this share of all; up to twice as
# many visits are taken at once.
_LEADING, _LEADING_SHARE = 1000, 1 / 3
# Spreads them evenly over lives in any order (additive recurrence of the golden ratio).
_GOLDEN = (5**0.5 - 1) / 2
# A shared error of a visit is looked for at this share of the noise.
_SHARED_TRIAL = 0.4
# Noises that are tried at the start, as shares of the first guess.
_NOISE_TRIALS = (0.4, 0.65, 1.5)
# Gain of log likelihood that one more parameter must bring.
_WORTH = 2.0
# Step of the fitting grid in noise, its drift rates on either side of 0, its parts of a step.
_COARSE = 0.7
_COARSE_RATES = 6
_COARSE_FINENESS = 16
# How far its step may come to lie from that share before it is made anew.
_FITTING = (0.75, 1.35)


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
    converged : bool
        It ended where no step gains anything worth telling; False where its steps ran out first.
    """

    hyper: HyperParameters
    lives: int
    readings: int
    log_likelihood: float
    rounds: int
    converged: bool


@dataclass(frozen=True, slots=True)
class Climb:
    """Where a search ended, after how many steps, and whether at a top."""

    point: Point
    rounds: int
    converged: bool


def fit_fleet(
    visits: Visits,
    *,
    tolerance: float,
    sample: int,
    start: HyperParameters | None = None,
    rounds: int = 40,
) -> Fit:
    """Fit the hyper-parameters to a fleet by maximum penalised likelihood.

    Parameters
    ----------
    visits : Visits
        The fleet; where no life has a visit, the beliefs come back.
    tolerance : float
        Largest bias that passes, % air: the scale of the beliefs.
    sample : int
        Most visits used: those of lives evenly spread over the fleet in an order fixed by what they
        are, so that neither names nor the order of rows decide.
    start : HyperParameters, optional
        Where to start from, such as the fit to an earlier part of the same history.
    rounds : int
        Most scoring steps; few will do from a good start.

    Notes
    -----
    Quasi-Newton steps: the curvature is the sum of squared scores of single lives (Berndt, Hall,
    Hall and Hausman, 1974, Annals of Economic and Social Measurement 3, 653–665) plus that of the
    beliefs, put right along the last step by what the slope did there (Broyden, Fletcher, Goldfarb,
    Shanno; Nocedal and Wright, Numerical Optimization, section 6.1); scores are differences of log
    likelihoods.  Weights of drift rates and kinds are updated by expectation–maximisation between
    steps.  An error that all readings of a visit share is let in where the likelihood asks for it;
    single readings cannot tell it from noise.
    """
    visits = in_order_of_content(visits)
    lives = _choose(visits, sample)
    hyper = start or first_guess(visits, lives, tolerance=tolerance)
    if lives.size == 0:
        return Fit(hyper, 0, 0, 0.0, 0, converged=True)
    unseen = _resets_unseen(visits, lives)
    taken, leading = 0, _leading(visits, lives)
    if start is None and leading.size < lives.size:
        some = FitSample(visits, leading, tolerance, unseen)
        led = _search(hyper, some, rounds, enough=_LEADING_GAIN)
        hyper, taken = led.point.hyper, led.rounds
    made = _search(hyper, FitSample(visits, lives, tolerance, unseen), rounds, led=taken > 0)
    found, left = visits.found[lives], visits.left[lives]
    readings = int((~np.isnan(found)).sum() + (~np.isnan(left)).sum())
    return Fit(
        hyper=made.point.hyper,
        lives=int(lives.size),
        readings=readings,
        log_likelihood=likelihood(made.point),
        rounds=taken + made.rounds,
        converged=made.converged,
    )


def _search(
    hyper: HyperParameters,
    data: FitSample,
    rounds: int,
    *,
    led: bool = False,
    enough: float = _LEAST_GAIN,
) -> Climb:
    """Climb from `hyper`, with an error shared by a visit's readings where they ask for it.

    It is asked for at the start, which saves steps, unless `led` there by a part of the lives, and
    again at the end, which decides.
    """
    hyper = _moved(hyper, (), np.empty(0), unseen=data.unseen)
    hyper, data = learn_habit(hyper, _fitting_grid(hyper, data), data)
    point = evaluate(hyper, _fitting_grid(hyper, data), data)
    if not led:
        point = _likeliest_noise(point, data)
    if not _has_replicates(data.visits, data.lives):
        return _climb(point, data, rounds, enough=enough)
    if not led:
        point = _likelier(point, _other(point, data))
    climb = _climb(point, data, rounds, enough=enough)
    other = _likelier(climb.point, _other(climb.point, data))
    if other is climb.point:
        return climb
    more = _climb(other, data, rounds, enough=enough)
    return replace(more, rounds=climb.rounds + more.rounds)


def _likeliest_noise(point: Point, data: FitSample) -> Point:
    """Return `point`, or one of less or more noise where the readings are likelier from there.

    A few meters may be plain ones with much noise, or noisy ones among plain: two tops.
    """
    best = point
    for factor in _NOISE_TRIALS:
        hyper = replace(point.hyper, noise_sd=factor * point.hyper.noise_sd)
        other = evaluate(hyper, _fitting_grid(hyper, data), data)
        best = other if other.value > best.value else best
    return best


def _names(point: Point, data: FitSample) -> tuple[str, ...]:
    """Return the parameters that the readings can tell."""
    visits, lives = data.visits, data.lives
    adjusted = (visits.reset[lives] | visits.mixed[lives]).any()
    return (
        *_LEVEL,
        *(("visit_sd",) if point.hyper.visit_sd > 0 else ()),
        *(("reset_sd",) if adjusted and not data.unseen else ()),
    )


def _other(point: Point, data: FitSample) -> Point:
    """Return `point` with a shared error where it has none, without where it has one."""
    shared = 0.0 if point.hyper.visit_sd > 0 else _SHARED_TRIAL * point.hyper.noise_sd
    return evaluate(replace(point.hyper, visit_sd=shared), point.grid, data)


def _likelier(one: Point, other: Point) -> Point:
    """Return the likelier of two points; a shared error must be worth its parameter."""
    handicap = _WORTH if other.hyper.visit_sd > 0 else -_WORTH
    return other if likelihood(other) > likelihood(one) + handicap else one


def _choose(visits: Visits, most: int) -> Integers:
    """Return lives of at most `most` visits to fit to, evenly spread, longest first."""
    usable = np.flatnonzero(visits.count > 0)
    total = visits.count[usable].sum()
    if total > most:
        number = max(1, int(usable.size * most / total))
        usable = usable[np.linspace(0, usable.size - 1, number).round().astype(np.int64)]
    return usable[np.argsort(-visits.count[usable], kind="stable")]


def _leading(visits: Visits, lives: Integers) -> Integers:
    """Return the lives that lead the search, spread evenly over `lives` and in their order."""
    total = visits.count[lives].sum()
    if total <= 2 * _LEADING:
        return lives
    wanted = max(_LEADING, _LEADING_SHARE * total)
    order = np.argsort(np.arange(lives.size) * _GOLDEN % 1.0)
    number = int(np.searchsorted(np.cumsum(visits.count[lives[order]]), wanted)) + 1
    return lives[np.sort(order[:number])]


def _resets_unseen(visits: Visits, lives: Integers) -> bool:
    """Return whether most adjustments were left without as-left readings."""
    reset = visits.reset[lives]
    seen = reset & ~np.isnan(visits.left[lives]).all(axis=2)
    return bool(2 * seen.sum() < reset.sum())


def _has_replicates(visits: Visits, lives: Integers) -> bool:
    """Return whether at least a quarter of the visits read with replicates."""
    number = (~np.isnan(visits.found[lives])).sum(axis=2)
    return bool(4 * (number > 1).sum() >= (number > 0).sum() > 0)


def _fitting_grid(hyper: HyperParameters, data: FitSample) -> Grid:
    """Return a coarse grid with room for faster drifts than `hyper` has."""
    roomy = max(hyper.slab_sd, 1.1 * scaled("slab_sd", tolerance=data.tolerance).median)
    kinds = np.unique(data.visits.kind[data.lives])
    return make_grid(
        replace(hyper, slab_sd=roomy, visit_sd=hyper.visit_sd + 0.3 * hyper.noise_sd),
        resolutions=data.visits.resolutions[kinds],
        share=_COARSE,
        rates=_COARSE_RATES,
        fineness=_COARSE_FINENESS,
    )


def _climb(point: Point, data: FitSample, rounds: int, *, enough: float) -> Climb:
    """Take quasi-Newton steps in logarithms of parameters until none gains `enough` more.

    That is so, too, where a step gains what its parabola foretold: the next would start at the top.
    """
    names = _names(point, data)
    slope, step, shrink = None, np.zeros(len(names)), 1.0
    for number in range(1, rounds + 1):
        gradient, scored = _slope(point, names, data)
        curvature = _corrected(scored, slope if shrink == 1.0 else None, gradient, step)
        step, foretold = _step(gradient, curvature)
        if foretold < enough:
            return Climb(point, number, converged=True)
        better, shrink = _tried(point, names, step, data)
        if better is None:
            # Nothing better lies ahead: a top, unless the curvature promised much.
            if curvature is scored or foretold < _WORTH:
                return Climb(point, number, converged=foretold < _WORTH)
            continue
        gain, slope, step = better.value - point.value, gradient, shrink * step
        point = _plainest_first(better, data)
        if point is not better:
            slope = None
        elif shrink == 1.0 and max(gain, abs(gain - foretold)) < enough:
            return Climb(point, number, converged=True)
    return Climb(point, rounds, converged=False)


def _corrected(curvature: Floats, before: Floats | None, gradient: Floats, step: Floats) -> Floats:
    """Return `curvature` with what the slope did over `step` (Broyden–Fletcher–Goldfarb–Shanno).

    As it is where nothing is known of that, or the slope did not fall.
    """
    if before is None:
        return curvature
    fall, felt = before - gradient, curvature @ step
    if fall @ step <= 0.05 * (step @ felt):
        return curvature
    return curvature + np.outer(fall, fall) / (fall @ step) - np.outer(felt, felt) / (step @ felt)


def _tried(
    point: Point, names: tuple[str, ...], step: Floats, data: FitSample
) -> tuple[Point | None, float]:
    """Return a better point along `step`, None where there is none, and the share taken of it."""
    for shrink in (1.0, 0.4, 0.1):
        moved = _moved(point.hyper, names, shrink * step, unseen=data.unseen)
        fineness = point.grid.step / (_COARSE * moved.noise_sd)
        fits = _FITTING[0] < fineness < _FITTING[1]
        tried = evaluate(moved, point.grid if fits else _fitting_grid(moved, data), data)
        if tried.value > point.value:
            return tried, shrink
    return None, 0.0


def _plainest_first(point: Point, data: FitSample) -> Point:
    """Return `point`, or one much like it in which most meters are not noisy ones.

    A fleet of noisy meters without plain ones is a fleet of plain meters with more noise.
    """
    noisy = max(point.hyper.kinds, key=lambda kind: kind.noise)
    if noisy.weight < 0.5:
        return point
    hyper = replace(
        point.hyper,
        noise_sd=point.hyper.noise_sd * noisy.noise,
        kinds=weighted_kinds(np.array(KIND_WEIGHTS)),
    )
    other = evaluate(hyper, _fitting_grid(hyper, data), data)
    return other if other.value > point.value - _WORTH else point


def _moved(
    hyper: HyperParameters, names: tuple[str, ...], step: Floats, *, unseen: bool
) -> HyperParameters:
    """Return `hyper` with the logarithms of `names` moved by `step`.

    Where adjustments are left unread, readings cannot tell how good they are: as good as one
    reading, it is taken.
    """
    values = level_values(hyper)
    for name, change in zip(names, step, strict=True):
        values[name] *= float(np.exp(change))
    # More than three shocks a year are not rare; the model would have no meaning.
    values["shock_rate"] = min(values["shock_rate"], 3.0)
    if unseen:
        values["reset_sd"] = values["noise_sd"]
    return replace(hyper, **values)  # type: ignore[arg-type]  # names of float fields


def _slope(point: Point, names: tuple[str, ...], data: FitSample) -> tuple[Floats, Floats]:
    """Return slope and scored curvature of the value for the logarithms of `names`."""
    base = per_life(point.hyper, point.evidence, point.grid)
    nudged = tuple(
        _moved(point.hyper, names, nudge, unseen=data.unseen)
        for nudge in _DIFFERENCE * np.eye(len(names))
    )
    scores = (nudged_lives(point, nudged, data) - base).T / _DIFFERENCE
    beliefs = [scaled(name, tolerance=data.tolerance) for name in names]
    values = level_values(point.hyper)
    away = np.array(
        [np.log(values[name] / belief.median) for name, belief in zip(names, beliefs, strict=True)]
    )
    precision = np.array([belief.spread**-2 for belief in beliefs])
    return scores.sum(axis=0) - precision * away, scores.T @ scores + np.diag(precision)


def _step(gradient: Floats, curvature: Floats) -> tuple[Floats, float]:
    """Return the step that should lead to the top, kept short, and what it should gain."""
    step: Floats = np.asarray(np.linalg.solve(curvature, gradient), dtype=np.float64)
    step = step * min(1.0, _LONGEST_STEP / max(float(np.abs(step).max()), 1e-12))
    return step, float(gradient @ step - step @ curvature @ step / 2)
