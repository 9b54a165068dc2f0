"""This module computes the laws of range and standard deviation of a few readings; it fits nothing.

For readings rounded to steps the law depends on where in a step the centre lies; it is given for
several places, so that a limit can be set for the worst of them.  Lengths are in steps.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincc, ndtr, roots_legendre

from drift.stats.rounding import log_cell_probability

Floats = NDArray[np.float64]

# Places of the centre within half a step; the other half mirrors it.
_PLACES_FEW, _PLACES_MANY = 11, 3
# Groups from this size on are given fewer places: their law hardly depends on it.
_MANY = 5
_REACH = 6.0
_NODES = 60


@lru_cache(maxsize=64)
def spread_law(size: int, sigmas: tuple[float, ...]) -> tuple[Floats, Floats, Floats]:
    """Return the law of the standard deviation of `size` rounded readings.

    Parameters
    ----------
    size : int
        Readings, at least 2.
    sigmas : tuple of float
        Standard deviations before rounding, in steps.

    Returns
    -------
    values : array, shape (values,)
        Standard deviations (n − 1) that rounded readings can have, ascending, in steps.
    chance : array, shape (sigmas, values)
        Chance of at least each value, for the place of the centre that makes it largest.
    mean : array, shape (sigmas,)
        Expected standard deviation, averaged over places.
    """
    single, cells = _cells(size, sigmas)
    reach = len(cells) // 2
    squares = reach**2
    # Joint law of Σk and Σk² of the readings' cell numbers, one reading after another.
    law = np.zeros((len(single), 2 * reach + 1, squares + 1))
    law[:, cells + reach, cells**2] = single
    for number in range(1, size):
        wider = np.zeros((len(single), 2 * reach * (number + 1) + 1, squares * (number + 1) + 1))
        for place, cell in enumerate(cells):
            rows = slice(place, place + law.shape[1])
            columns = slice(cell**2, cell**2 + law.shape[2])
            wider[:, rows, columns] += single[:, place, None, None] * law
        law = wider
    sums = np.arange(law.shape[1]) - reach * size
    # n·Σk² − (Σk)² is a whole number, so that equal spreads are told exactly.
    code = size * np.arange(law.shape[2]) - sums[:, None] ** 2
    used = law.max(axis=0) > 1e-13
    codes, code_of = np.unique(code[used], return_inverse=True)
    weights = np.zeros((len(single), len(codes)))
    np.add.at(weights.T, code_of.reshape(-1), law[:, used].T)
    values = np.sqrt(codes / (size * (size - 1.0)))
    chance = np.cumsum(weights[:, ::-1], axis=1)[:, ::-1].reshape(len(sigmas), -1, len(codes))
    mean = (weights @ values).reshape(len(sigmas), -1).mean(axis=1)
    return values, chance.max(axis=1), mean


@lru_cache(maxsize=64)
def range_law(size: int, sigmas: tuple[float, ...]) -> tuple[Floats, Floats, Floats]:
    """Return the law of the range of `size` rounded readings; as for `spread_law`.

    References
    ----------
    P(range ≤ r) = Σ P(all in k…k+r) − P(all in k+1…k+r) over cells k.
    """
    single, cells = _cells(size, sigmas)
    total = np.concatenate([np.zeros((len(single), 1)), np.cumsum(single, axis=1)], axis=1)
    number = len(cells)
    at_most = np.empty((len(single), number))
    for width in range(number):
        upper = np.minimum(np.arange(number) + width + 1, number)
        all_in = (total[:, upper] - total[:, :number]) ** size
        but_lowest = np.maximum(total[:, upper] - total[:, 1 : number + 1], 0) ** size
        at_most[:, width] = (all_in - but_lowest).sum(axis=1)
    at_least = np.concatenate([np.ones((len(single), 1)), 1 - at_most[:, :-1]], axis=1)
    chance = np.maximum(at_least, 0).reshape(len(sigmas), -1, number)
    mean = (1 - at_most).sum(axis=1).reshape(len(sigmas), -1).mean(axis=1)
    return np.arange(number, dtype=float), chance.max(axis=1), mean


def normal_spread_tail(size: int, values: Floats) -> Floats:
    """Return the chance that s of `size` standard normal values is at least each value."""
    df = size - 1
    return np.asarray(gammaincc(df / 2, df * np.maximum(values, 0) ** 2 / 2))


def normal_range_tail(size: int, values: Floats) -> Floats:
    """Return the chance that the range of `size` standard normal values is at least each value.

    References
    ----------
    P(R ≤ r) = n ∫ φ(x)[Φ(x+r) − Φ(x)]ⁿ⁻¹ dx.
    """
    nodes, weights = roots_legendre(_NODES)
    x, dx = 8 * nodes, 8 * weights
    density = np.exp(-(x**2) / 2) / np.sqrt(2 * np.pi) * dx
    width = np.maximum(np.ravel(values), 0)
    inside = np.asarray(ndtr(x + width[:, None]) - ndtr(x)) ** (size - 1) @ density
    return np.asarray(np.maximum(1 - size * inside, 0.0)).reshape(np.shape(values))


def _cells(size: int, sigmas: tuple[float, ...]) -> tuple[Floats, NDArray[np.int64]]:
    """Return cell probabilities for every spread and place (spread by spread), and the cells."""
    if size < 2:
        raise ValueError(f"a spread needs at least 2 readings, not {size}")
    places = np.linspace(0, 0.5, _PLACES_FEW if size < _MANY else _PLACES_MANY)
    reach = int(np.ceil(_REACH * max(sigmas))) + 1
    cells = np.arange(-reach, reach + 1)
    spread = np.repeat(np.asarray(sigmas), len(places))[:, None]
    centre = np.tile(places, len(sigmas))[:, None]
    low = (cells - 0.5 - centre) / spread
    single = np.exp(log_cell_probability(low, low + 1 / spread))
    return single / single.sum(axis=1, keepdims=True), cells
