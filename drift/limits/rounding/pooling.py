"""This module pools spread over similar meters.

Each meter's own data say how likely every spread on a grid is.  Across the fleet these say what
spread is typical and how much meters differ in it, and that in turn says what to hold of a meter
with little data of its own.  With normal data and a scaled inverse χ² law for the variances the
ratio of a meter's variance to the typical one follows F, which is the test of being alike.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import fdtrc

from drift.arrays import Flags, Floats

# Coefficients of variation of σ between similar meters that are weighed against each other.
_VARIATIONS = np.array([0.0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.6])
# Before its own data speak, a meter is held as likely to scatter like the typical meter as up to
# this many coefficients of variation more: a fleet's noisy meters then keep their nominal rate too
# (simulated in tests/benchmarks/false_alarms.py).
_CAUTION = 1.3
# Points between two nodes of the grid on which laws are laid out, and typical spreads tried.
_PER_NODE, _PER_TYPICAL = 12, 6
# Hypotheses so much less likely than the best, in log-likelihood, are dropped.
_FORGOTTEN = 16.0
_TINY = 1e-300
# Logarithms of densities are cut here, far from the smallest numbers, which take a processor long.
_LEAST_LOG = -500.0
# Fewest meters, and fewest degrees of freedom together, from which spread is pooled.
FEWEST_METERS = 5
FEWEST_DF = 20


@dataclass(frozen=True, slots=True)
class Population:
    """What the fleet says of the spread of its meters.

    Attributes
    ----------
    typical : float
        Typical standard deviation.
    variation : float
        Coefficient of variation of the standard deviation between meters.
    df : float
        Degrees of freedom with which `typical` is known as a prediction of one meter's.
    weights : array, shape (hypotheses,)
        Posterior probabilities of pairs of typical spread and variation.
    laws, cautious : array, shape (hypotheses, nodes)
        Law of a meter's spread under each pair, and its cautious form.
    """

    typical: float
    variation: float
    df: float
    weights: Floats
    laws: Floats
    cautious: Floats


def grid_of_spreads(lowest: float, highest: float, *, ratio: float) -> Floats:
    """Return spreads from `lowest` to at least `highest`, each `ratio` times the one before."""
    number = int(np.ceil(np.log(highest / lowest) / np.log(ratio))) + 1
    return np.asarray(lowest * ratio ** np.arange(number))


def learn_population(likelihoods: Floats, *, nodes: Floats, df: float) -> Population:
    """Learn from the likelihoods of many meters what spread is typical and how it varies.

    Parameters
    ----------
    likelihoods : array, shape (meters, nodes)
        Likelihood of each spread on the grid, centre integrated out, any scale per meter.
    nodes : array, shape (nodes,)
        Spreads, evenly spaced in their logarithm.
    df : float
        Degrees of freedom of all meters together.

    References
    ----------
    G. K. Smyth (2004), Statist. Appl. Genet. Mol. Biol. 3(1), 3: moderated variances and their F
    law (from memory); here with grids in place of moments, since rounded data have no s².
    """
    laws, cautious, centres, variation = _hypotheses(len(nodes), float(np.log(nodes[1] / nodes[0])))
    typical = nodes[0] * np.exp(centres)
    evidence = np.log(np.maximum(likelihoods @ laws.T, _TINY)).sum(axis=0)
    kept = evidence > evidence.max() - _FORGOTTEN
    weights = np.exp(evidence[kept] - evidence.max())
    weights /= weights.sum()
    typical, variation = typical[kept], variation[kept]
    spread = float(weights @ variation)
    return Population(
        typical=float(np.exp(weights @ np.log(typical))),
        variation=spread,
        df=1 / (2 * spread**2 + 1 / max(df, 1.0)),
        weights=weights,
        laws=laws[kept],
        cautious=cautious[kept],
    )


def posterior_of_spread(
    likelihoods: Floats, *, population: Population | None, share: Floats | None = None
) -> Floats:
    """Return each meter's probabilities of the spreads on the grid.

    Parameters
    ----------
    likelihoods : array, shape (meters, nodes)
        As for `learn_population`.
    population : Population or None
        None for a meter on its own: every spread is then equally likely on a logarithmic scale
        before its data, which with normal data gives Student's t.
    share : array, shape (meters,), or None
        How much of each meter's data the population was learnt from, from 0 to 1; None for all.
    """
    if population is None:
        weighted = likelihoods
    else:
        evidence = np.maximum(likelihoods @ population.laws.T, _TINY)
        # A meter helped to find the weights; its own part is taken out before it is used again.
        known = 1.0 if share is None else share[:, None]
        rest = population.weights / evidence**known
        rest /= rest.sum(axis=1, keepdims=True)
        weighted = likelihoods * (rest @ population.cautious)
    total = np.maximum(weighted.sum(axis=1, keepdims=True), _TINY)
    return np.asarray(weighted / total)


def own_spread(likelihoods: Floats, *, nodes: Floats) -> tuple[Floats, Flags]:
    """Return each meter's own most likely spread, and whether its data determine one.

    The peak is found by a parabola through the highest node and its neighbours; a likelihood
    that is highest at the lowest node leaves the spread undetermined.
    """
    best = likelihoods.argmax(axis=1)
    inner = np.clip(best, 1, likelihoods.shape[1] - 2)
    rows = np.arange(len(best))
    left, middle, right = (
        np.log(np.maximum(likelihoods[rows, inner + shift], _TINY)) for shift in (-1, 0, 1)
    )
    bend = left - 2 * middle + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, 1), 0.0)
    step = np.log(nodes[1] / nodes[0])
    spread = nodes[inner] * np.exp(step * np.clip(shift, -1, 1))
    return spread, (best > 0) & (bend < 0)


def unlike(spread: Floats, *, df: Floats, population: Population, level: float) -> Flags:
    """Say by an F test which meters scatter more than similar meters do.

    Parameters
    ----------
    spread, df : array, shape (meters,)
        Each meter's own standard deviation and its degrees of freedom.
    population : Population
        What the fleet says.
    level : float
        Chance that a meter like the others is found unlike them.
    """
    ratio = (spread / population.typical) ** 2
    return np.asarray(fdtrc(np.maximum(df, 1e-9), population.df, ratio) < level)


@lru_cache(maxsize=16)
def _hypotheses(number: int, step: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Return laws of log σ, from 0 in so many steps, for pairs of typical spread and variation."""
    logs = step * np.arange(number)
    fine = np.arange(logs[0], logs[-1] + step / (2 * _PER_NODE), step / _PER_NODE)
    # Hat functions share the mass between two nodes among them, so that narrow laws are not lost.
    share = np.maximum(1 - np.abs(fine[:, None] - logs) / step, 0)
    typical = fine[:: _PER_NODE // _PER_TYPICAL]
    laws, cautious = (
        np.stack([_laws(fine, typical, each, caution) @ share for each in _VARIATIONS], axis=1)
        for caution in (0.0, _CAUTION)
    )
    centres, variations = np.meshgrid(typical, _VARIATIONS, indexing="ij")
    return (
        laws.reshape(-1, len(logs)),
        cautious.reshape(-1, len(logs)),
        centres.ravel(),
        variations.ravel(),
    )


def _laws(logs: Floats, centres: Floats, variation: float, caution: float) -> Floats:
    """Return laws of log σ: scaled inverse χ², flat from each peak to `caution` variations up."""
    past = logs - centres[:, None]
    if variation == 0:
        nearest = np.zeros_like(past)
        nearest[np.arange(len(centres)), np.abs(past).argmin(axis=1)] = 1
        return nearest
    df = 1 / (2 * variation**2)
    beyond = np.where(past > 0, np.maximum(past - caution * variation, 0), past)
    density = np.exp(np.maximum(-df * beyond + df / 2 * (1 - np.exp(-2 * beyond)), _LEAST_LOG))
    return np.asarray(density / density.sum(axis=1, keepdims=True))
