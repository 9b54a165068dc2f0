"""This module weighs how much of a path's movement is wander and how much reading noise.

It gives the covariance of drift steps, fits slopes under it at each ratio of wander to noise, and
learns from a fleet how common each ratio is; it decides nothing.

A drift step is an as-found bias minus the bias left at the visit before.  With slope b, elapsed
years Δ, reading noise e of variance σ² and wander of variance τ² a year, ::

    step = b Δ + (wander over Δ) + e(found) − e(left)

so that a step's variance is 2σ² + τ²Δ.  Two consecutive steps share −σ² where the bias was carried
over from found to left, for then one reading ends the first and starts the second, and nothing
where it was read anew.  For a path that is carried over throughout this is the covariance of
noise plus random walk, with the level as a nuisance removed (restricted likelihood).

Only the ratio of wander to noise shapes the covariance; it is taken on a grid, for each series
of the fleet at once.  The fits are ours because they are batched over series and ratios; they are
tested equal to statsmodels' GLS with the whole covariance.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.arrays import Floats

# Wander of one mean interval over the noise of one step, τ²Δ̄/(2σ²).  At 0.001 a path of 40
# visits hardly shows it; at 100 the readings are exact by comparison.
RATIOS: Floats = np.concatenate([[0.0], np.geomspace(1e-3, 100.0, 16)])

# What is believed of the ratio before any meter has been seen: weight ∝ ratio^0.3, and this many
# series' worth of it.  By simulation (tests) a lone series' 95 % interval then covers 93 to
# 100 % from no wander to a strong one; an even weight would leave 86 to 91 % where it is strong.
_LEAN = 0.3
_WORTH = 4.0

# A sum of squares below this is that of rounding errors of the arithmetic, (% air)².
LEAST_SQUARES = 1e-18

# Share of each step's variance that is wander; the mean step has variance 1.
_SHARES: Floats = RATIOS / (1 + RATIOS)


@dataclass(frozen=True, slots=True)
class Factors:
    """Factors L D Lᵀ of the covariance of steps, for each series and each ratio of the grid.

    Attributes
    ----------
    pivots : array, shape (steps, series, ratios)
        Diagonal of D.
    links : array, shape (steps, series, ratios)
        Entry of L left of the diagonal; 0 in the first step.
    """

    pivots: Floats
    links: Floats


def default_weights() -> Floats:
    """Return the weight of each of `RATIOS` before any meter has been seen, shape (ratios,)."""
    placed = RATIOS.copy()
    placed[0] = RATIOS[1] ** 2 / RATIOS[2]
    weights: Floats = placed**_LEAN / (placed**_LEAN).sum()
    return weights


def factor_covariance(years: Floats, shares_start: NDArray[np.bool_]) -> Factors:
    """Factor the covariance of the steps of a block, scaled so that a mean step has variance 1.

    Parameters
    ----------
    years : array, shape (series, steps)
        Time elapsed in each step; not all zero in a series.
    shares_start : array of bool, shape (series, steps)
        Whether the reading that starts the step also ended the step before.
    """
    series, steps = years.shape
    relative = years / years.mean(axis=1, keepdims=True)
    pivots = np.empty((steps, series, RATIOS.size))
    links = np.zeros_like(pivots)
    for k in range(steps):
        pivots[k] = (1 - _SHARES) + _SHARES * relative[:, k, None]
        if k:
            shared = (_SHARES - 1) / 2 * shares_start[:, k, None]
            links[k] = shared / pivots[k - 1]
            pivots[k] -= shared * links[k]
    return Factors(pivots=pivots, links=links)


def whiten_steps(factors: Factors, columns: Floats) -> Floats:
    """Return L⁻¹ times a column of the model, shape (steps, series, ratios).

    Parameters
    ----------
    factors : Factors
    columns : array, shape (series, steps)
    """
    white = np.empty_like(factors.pivots)
    white[0] = columns[:, 0, None]
    for k in range(1, len(white)):
        white[k] = columns[:, k, None] - factors.links[k] * white[k - 1]
    return white


def fit_slopes(years: Floats, step: Floats, shares_start: NDArray[np.bool_]) -> dict[str, Floats]:
    """Fit the slope of a block of series by generalised least squares at every ratio.

    Parameters
    ----------
    years, step : array, shape (series, steps)
        Time elapsed and drift in each step; at least two steps, years not all zero.
    shares_start : array of bool, shape (series, steps)
        As in `factor_covariance`.

    Returns
    -------
    dict of str to array, shape (series, ratios)
        ``slope``; ``unit_variance``, its variance where a mean step has variance 1;
        ``squares``, the whitened sum of squares about it, with one degree of freedom fewer than
        steps; ``log_likelihood``, restricted, with slope and scale integrated out.
    """
    factors = factor_covariance(years, shares_start)
    x = whiten_steps(factors, years)
    y = whiten_steps(factors, step)
    weight = 1 / factors.pivots
    xx = (x * x * weight).sum(axis=0)
    slope = (x * y * weight).sum(axis=0) / xx
    rest = y - slope * x
    squares = np.maximum((rest * rest * weight).sum(axis=0), LEAST_SQUARES)
    freedom = len(weight) - 1
    log_determinant = np.log(factors.pivots).sum(axis=0)
    return {
        "log_likelihood": -(log_determinant + np.log(xx) + freedom * np.log(squares)) / 2,
        "slope": slope,
        "unit_variance": 1 / xx,
        "squares": squares,
    }


def ratio_posterior(log_likelihood: Floats, weights: Floats) -> Floats:
    """Return the posterior weight of each ratio for each series, shape (series, ratios)."""
    peak = log_likelihood.max(axis=1, keepdims=True)
    joint = weights * np.exp(log_likelihood - peak)
    share: Floats = joint / joint.sum(axis=1, keepdims=True)
    return share


def learn_weights(log_likelihood: Floats, *, rounds: int = 60) -> Floats:
    """Learn from a fleet how common each ratio of wander to noise is.

    Parameters
    ----------
    log_likelihood : array, shape (series, ratios)
        Restricted, with slope and scale integrated out.
    rounds : int
        Rounds of expectation and maximisation.

    Returns
    -------
    array, shape (ratios,)
        Weights that sum to 1; near `default_weights` for a fleet of a few series.

    References
    ----------
    Laird (1978), Journal of the American Statistical Association 73, 805–811 (maximum likelihood
    of a mixing distribution by EM); the default weights enter as a Dirichlet prior.
    """
    start = default_weights()
    if not len(log_likelihood):
        return start
    likelihood = np.exp(log_likelihood - log_likelihood.max(axis=1, keepdims=True))
    weights = start
    for _ in range(rounds):
        joint = likelihood * weights
        expected = (joint / joint.sum(axis=1, keepdims=True)).sum(axis=0)
        weights = (expected + _WORTH * start) / (len(likelihood) + _WORTH)
    return weights


def learn_weights_from_others(log_likelihood: Floats) -> Floats:
    """Learn for each series how common each ratio is in the rest of the fleet.

    Parameters
    ----------
    log_likelihood : array, shape (series, ratios)
        As in `learn_weights`.

    Returns
    -------
    array, shape (series, ratios)
        Each row sums to 1; `default_weights` for a fleet of one.  What a series holds besides
        wander, such as a jump that has not been found yet, so does not speak for its own wander.
    """
    share = ratio_posterior(log_likelihood, learn_weights(log_likelihood))
    return weights_of_others(
        share, total=share.sum(axis=0), count=len(share), among=np.ones(len(share), dtype=bool)
    )


def weights_of_others(
    share: Floats, *, total: Floats, count: int, among: NDArray[np.bool_]
) -> Floats:
    """Return for each series how common each ratio is among others, shape (series, ratios).

    Parameters
    ----------
    share : array, shape (series, ratios)
        Posterior of each series, by `ratio_posterior`.
    total : array, shape (ratios,)
        Sum of the posteriors of those that it is learnt from.
    count : int
        How many these are.
    among : array of bool, shape (series,)
        Whether a series is one of them.
    """
    others = total - share * among[:, None]
    weights: Floats = (others + _WORTH * default_weights()) / (count - among[:, None] + _WORTH)
    return weights
