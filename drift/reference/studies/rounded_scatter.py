"""This module tells the scatter of replicates from the rounding of a dial.

Only differences within a sitting count, so that where a sitting's level lies within a step is
averaged over: what REML is for readings without rounding.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri

from drift.arrays import Floats
from drift.limits.rounding.cells import log_cell_probability

# Standard deviations tried, in steps, and places of a sitting's level within one.
_SIGMAS = np.geomspace(0.02, 20.0, 241)
_PLACES = 60
_REACH = 5.0
# From here on, in steps, rounding is as good as independent scatter of δ/√12.
_FINE = 2.0
_TERMS = 1000
# Replicates of one sitting lie in fewer cells than these where a dial hides them.
_CELLS = 3


@dataclass(frozen=True, slots=True)
class RoundedScatter:
    """Scatter of one reading before rounding.

    Attributes
    ----------
    sd, low, high : float or None
        In % air; sd None where the dial hides it, high None where nothing bounds it.
    hidden : bool
        Whether replicates of no sitting lie in three cells of the dial or more and their scatter
        cannot be told from none.
    """

    sd: float | None
    low: float
    high: float | None
    hidden: bool


def rounded_scatter(
    sittings: Sequence[Floats], *, resolution: float, level: float = 0.95
) -> RoundedScatter:
    """Estimate the scatter of replicates by the rounding likelihood.

    Parameters
    ----------
    sittings : sequence of array
        Replicates of one sitting each, % air; two or more of them in at least one.
    resolution : float
        Step of the dial, % air.
    level : float
        Of the interval, by the likelihood ratio.

    Notes
    -----
    A reading is in cell c with probability Φ((c + ½ − μ)/σ) − Φ((c − ½ − μ)/σ), lengths in steps;
    a sitting's likelihood is that product integrated over a flat μ.
    """
    kinds = Counter(_cells(values, resolution) for values in sittings if len(values) > 1)
    total = np.zeros(len(_SIGMAS))
    for cells, times in kinds.items():
        total += times * np.log([_likelihood(cells, sigma) for sigma in _SIGMAS])
    best = int(np.argmax(total))
    near = np.flatnonzero(total > total[best] - chdtri(1, 1 - level) / 2)
    low = 0.0 if near[0] == 0 else float(_SIGMAS[near[0]]) * resolution
    high = None if near[-1] == len(_SIGMAS) - 1 else float(_SIGMAS[near[-1]]) * resolution
    hidden = low == 0.0 and all(len(set(cells)) < _CELLS for cells in kinds)
    sd = None if best == 0 else float(_SIGMAS[best]) * resolution
    return RoundedScatter(sd=sd, low=low, high=high, hidden=hidden)


def shared_rounding(sigma: float, resolution: float) -> float:
    """Return the variance that rounding leaves in a mean however many replicates it has, (% air)².

    Parameters
    ----------
    sigma, resolution : float
        Scatter of a reading before rounding and step of the dial, % air.

    Notes
    -----
    The rounding error is a sawtooth of the level; scatter smooths its waves, of which
    Σ δ²/(2π²k²)·exp(−4π²k²σ²/δ²) is left, averaged over where in a step the level lies.  It is
    δ²/12 without scatter and nothing from about σ = δ/2 on.
    """
    k = np.arange(1, _TERMS + 1)
    waves = np.exp(-((2 * np.pi * k * sigma / resolution) ** 2)) / (2 * np.pi**2 * k**2)
    return float(resolution**2 * waves.sum())


def _cells(values: Floats, resolution: float) -> tuple[int, ...]:
    """Return the cells of a sitting's replicates from its lowest up."""
    cells = np.rint(np.asarray(values) / resolution).astype(np.int64)
    return tuple(np.sort(cells - cells.min()).tolist())


def _likelihood(cells: tuple[int, ...], sigma: float) -> float:
    """Return the likelihood of a sitting's cells at one scatter, in steps."""
    reach = _REACH * sigma + 1
    level = np.linspace(-reach, cells[-1] + reach, int((cells[-1] + 2 * reach) * _PLACES) + 1)
    if sigma > _FINE:
        level = np.linspace(-reach, cells[-1] + reach, 400)
    logs = np.zeros(len(level))
    for cell, times in Counter(cells).items():
        logs += times * log_cell_probability(
            (cell - 0.5 - level) / sigma, (cell + 0.5 - level) / sigma
        )
    return max(float(np.exp(logs).sum() * (level[1] - level[0])), 1e-300)
