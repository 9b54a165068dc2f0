"""This module gives probabilities and quantiles of mixtures of t distributions."""

from dataclasses import dataclass

import numpy as np
from scipy import special

from drift.arrays import Floats, Integers

_MOST_STEPS = 80
# Settled when a step is this small against the bracket.
_NEAR = 1e-10


@dataclass(frozen=True, slots=True)
class Mixtures:
    """A mixture of t distributions for each of many unknowns.

    Attributes
    ----------
    weight, centre, scale : array, shape (unknowns, components)
        Weights sum to 1 along the components; scales are positive.
    freedom : float
        Degrees of freedom, common to all components.
    """

    weight: Floats
    centre: Floats
    scale: Floats
    freedom: float


def below(mixtures: Mixtures, bound: Floats) -> Floats:
    """Return the probability of each unknown to lie below its own bound, shape (unknowns,)."""
    standard = (bound[:, None] - mixtures.centre) / mixtures.scale
    chance: Floats = (mixtures.weight * special.stdtr(mixtures.freedom, standard)).sum(axis=1)
    return chance


def above(mixtures: Mixtures, bound: Floats) -> Floats:
    """Return the probability of each unknown to lie above its own bound, shape (unknowns,)."""
    standard = (mixtures.centre - bound[:, None]) / mixtures.scale
    chance: Floats = (mixtures.weight * special.stdtr(mixtures.freedom, standard)).sum(axis=1)
    return chance


def mixture_quantile(mixtures: Mixtures, probability: float) -> Floats:
    """Return the quantile of each unknown, shape (unknowns,).

    Halley's steps inside a bracket that starts at the outermost quantiles of the components and
    that every step narrows; a step that would leave it is replaced by a halving.
    """
    reach = special.stdtrit(mixtures.freedom, probability) * mixtures.scale
    low = (mixtures.centre + reach).min(axis=1)
    high = (mixtures.centre + reach).max(axis=1)
    near = np.maximum(high - low, np.abs(high)) * _NEAR
    at: Floats = (mixtures.weight * (mixtures.centre + reach)).sum(axis=1)
    open_ = np.arange(at.size)  # the unknowns not yet settled; the others cost nothing more
    for _ in range(_MOST_STEPS):
        rest = _some(mixtures, open_)
        here = at[open_]
        excess = below(rest, here) - probability
        low[open_] = np.where(excess < 0, here, low[open_])
        high[open_] = np.where(excess > 0, here, high[open_])
        density, slope = _density(rest, here)
        newton = excess / np.maximum(density, 1e-300)
        step = here - newton / np.maximum(1 - newton * slope / 2, 0.5)
        # Where one component has nearly all the weight, its quantile is an end of the bracket.
        inside = (step > low[open_] - near[open_]) & (step < high[open_] + near[open_])
        step = np.where(inside, step, (low[open_] + high[open_]) / 2)
        step = np.minimum(np.maximum(step, low[open_]), high[open_])
        at[open_] = np.where(excess == 0, here, step)
        open_ = open_[(np.abs(step - here) > near[open_]) & (excess != 0)]
        if not open_.size:
            break
    return at


def _some(mixtures: Mixtures, at: Integers) -> Mixtures:
    """Return the mixtures of some unknowns."""
    return Mixtures(mixtures.weight[at], mixtures.centre[at], mixtures.scale[at], mixtures.freedom)


def _density(mixtures: Mixtures, at: Floats) -> tuple[Floats, Floats]:
    """Return the density of each mixture at its own point, and the slope of its logarithm."""
    nu = mixtures.freedom
    standard = (at[:, None] - mixtures.centre) / mixtures.scale
    log_constant = float(special.gammaln((nu + 1) / 2) - special.gammaln(nu / 2))
    log_constant -= float(np.log(nu * np.pi)) / 2
    log_density = log_constant - (nu + 1) / 2 * np.log1p(standard**2 / nu)
    each = mixtures.weight * np.exp(log_density) / mixtures.scale
    bend = (nu + 1) * standard / (nu + standard**2) / mixtures.scale
    density: Floats = each.sum(axis=1)
    return density, -(each * bend).sum(axis=1) / np.maximum(density, 1e-300)
