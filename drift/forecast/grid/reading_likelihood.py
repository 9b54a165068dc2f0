"""This module says how probable readings are at every level of a grid.

The readings of a visit are looked up in groups of up to three that lie close together: what counts
is the level's distance from their middle and their *pattern* about it, and there are few patterns.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from drift.arrays import Floats, Integers, Masses
from drift.forecast.grid.model import (
    Grid,
    HyperParameters,
    bell_mass,
    cell_probability,
    log_rate_prior,
    windows,
)

# How far the readings of a group may lie above its lowest, in steps of the dial, and how far off a
# whole number of them.
_SPAN = 3
_OFF_STEP = 1e-3
# Steps of the second and third reading above the lowest; one reading alone has none.
_PATTERNS = (
    (),
    *((one,) for one in range(_SPAN + 1)),
    *((one, two) for one in range(_SPAN + 1) for two in range(one, _SPAN + 1)),
)
_LARGEST_GROUP = 3
# Position among the patterns by one more than each step, 0 for no reading.
_CODES = np.zeros((_SPAN + 2, _SPAN + 2), dtype=np.int64)
for _code, _steps in enumerate(_PATTERNS):
    _CODES[tuple(np.array([*_steps, -1, -1])[:2] + 1)] = _code


@dataclass(frozen=True, slots=True)
class Tables:
    """What the filter looks up.

    Attributes
    ----------
    reading : array, shape (resolutions × patterns, fineness, noises, cells)
        Probability of a group of readings by the distance of the level from its middle.
    noise : tuple of int
        Place of each kind's noise in it; kinds of one noise share a place.
    prior : array, shape (kinds, rates)
        Prior probability of a series' kind and drift rate.
    shared : array, shape (matrices, cells + 2 margin, cells), or None
        What the error shared by a visit's readings does to their probability; None for none.
    first_row, matrix : array, shape (hyper-parameters,)
        For each of the hyper-parameters that the tables were made of: where its rows of `reading`
        begin, and its place in `shared`.
    """

    reading: Masses
    noise: tuple[int, ...]
    prior: Floats
    shared: Masses | None
    first_row: Integers
    matrix: Integers


@dataclass(frozen=True, slots=True)
class Groups:
    """Readings in groups; arrays of shape (series, groups) or (series, visits, groups).

    Attributes
    ----------
    middle : array
        Midway between lowest and highest bias of each group, % air, NaN where there is none.
    row : array
        Its row in `Tables.reading`.
    """

    middle: Floats
    row: Integers

    def at(self, rows: Integers | slice, j: int) -> "Groups":
        """Return the groups of the series `rows` at visit `j`."""
        return Groups(self.middle[rows, j], self.row[rows, j])


def group_readings(readings: Floats, kind: Integers, resolutions: Floats) -> Groups:
    """Put the readings of each visit into groups.

    Parameters
    ----------
    readings : array, shape (series, visits, replicates)
        Biases, % air, NaN where there are none.
    kind : array, shape (series, visits)
        Position of each visit's resolution in `resolutions`.
    resolutions : array
        Steps of the dials, % air.
    """
    flat = np.sort(readings.reshape(-1, readings.shape[2]), axis=1)
    step = resolutions[kind].ravel()
    lowest = np.full(flat.shape, np.nan)
    # One more than the steps of a group's second and third reading, 0 while there is none.
    above = np.zeros((*flat.shape, _LARGEST_GROUP - 1), dtype=np.int64)
    group = np.full(flat.shape[0], -1)
    size = np.full(flat.shape[0], _LARGEST_GROUP)
    for replicate in range(flat.shape[1]):
        there = ~np.isnan(flat[:, replicate])
        away = np.zeros(there.size)
        away[there] = (flat[there, replicate] - lowest[there, group[there]]) / step[there]
        whole = np.nan_to_num(np.rint(away), nan=_SPAN + 1.0)
        joins = there & (size < _LARGEST_GROUP) & (whole <= _SPAN)
        joins &= np.abs(away - whole) <= _OFF_STEP
        above[joins, group[joins], size[joins] - 1] = whole[joins].astype(np.int64) + 1
        size[joins] += 1
        opens = there & ~joins
        group[opens] += 1
        size[opens] = 1
        lowest[opens, group[opens]] = flat[opens, replicate]
    middle = lowest + np.maximum(above.max(axis=2) - 1, 0) / 2 * step[:, None]
    code = _CODES[above[..., 0], above[..., 1]]
    shape = (*kind.shape, max(int(group.max(initial=0)) + 1, 1))
    return Groups(
        middle=middle[:, : shape[-1]].reshape(shape),
        row=len(_PATTERNS) * kind[..., None] + code[:, : shape[-1]].reshape(shape),
    )


def make_tables(
    hyper: HyperParameters, grid: Grid, *, resolutions: Floats, reading: Masses | None = None
) -> Tables:
    """Compute the tables for dials read to `resolutions` (% air).

    `reading` is that table where it is known already, from the same noise, kinds and grid.
    """
    if reading is None:
        reading = np.concatenate([_group_chances(hyper, grid, float(step)) for step in resolutions])
    rates = np.exp(log_rate_prior(hyper, grid))
    prior = np.array([kind.weight for kind in hyper.kinds])[:, None] * rates
    _, noise = np.unique([kind.noise for kind in hyper.kinds], return_inverse=True)
    return Tables(
        reading=reading,
        noise=tuple(int(place) for place in noise),
        prior=prior,
        shared=_shared_error(hyper, grid, widest=hyper.visit_sd),
        first_row=np.zeros(1, dtype=np.int64),
        matrix=np.zeros(1, dtype=np.int64),
    )


def _group_chances(hyper: HyperParameters, grid: Grid, resolution: float) -> Masses:
    """Return the probability of each pattern, shape (patterns, fineness, noises, cells)."""
    size, part = 4 * grid.cells * grid.fineness, grid.step / grid.fineness
    # A reading stands at most so many parts from its group's middle, and one more to interpolate.
    reach = int(np.ceil(_SPAN / 2 * resolution / part)) + 1
    offset = part * (np.arange(-reach, size + reach, dtype=np.float64) - size // 2)
    noises = np.unique([kind.noise for kind in hyper.kinds])
    chances = np.ones((len(_PATTERNS), noises.size, size))
    for place, noise in enumerate(noises):
        sd = float(noise) * hyper.noise_sd
        one = cell_probability(offset, resolution=resolution, sd=sd)
        one = (1 - grid.outlier) * one + grid.outlier * min(1.0, resolution)
        shifted = {}
        for half_steps in range(-_SPAN, _SPAN + 1):
            whole, share = divmod(reach - half_steps / 2 * resolution / part, 1.0)
            start = int(whole)
            near, far = one[start : start + size], one[start + 1 : start + 1 + size]
            shifted[half_steps] = (1 - share) * near + share * far if share else near
        for code, steps in enumerate(_PATTERNS):
            for number in (0, *steps):
                chances[code, place] *= shifted[2 * number - max(steps, default=0)]
    shape = (len(_PATTERNS), noises.size, 4 * grid.cells, grid.fineness)
    by_phase = chances.astype(grid.precision).reshape(shape).transpose(0, 3, 1, 2)
    table: Masses = np.ascontiguousarray(by_phase)
    return table


def join_tables(
    hypers: tuple[HyperParameters, ...], grid: Grid, *, resolutions: Floats, like: Tables
) -> Tables:
    """Return the tables of several hyper-parameters that differ in their level parameters alone.

    `like` are those of one of the same kinds and noise as the first of them.
    """
    widest = max(hyper.visit_sd for hyper in hypers)
    noises, table = _numbered([hyper.noise_sd for hyper in hypers])
    errors, matrix = _numbered([hyper.visit_sd for hyper in hypers])
    readings = [
        np.concatenate([_group_chances(hypers[each], grid, float(step)) for step in resolutions])
        for each in noises[1:]
    ]
    shared = [_shared_error(hypers[each], grid, widest=widest) for each in errors]
    return replace(
        like,
        reading=np.concatenate([like.reading, *readings]),
        shared=np.concatenate([each for each in shared if each is not None])
        if widest > 0
        else None,
        first_row=table * like.reading.shape[0],
        matrix=matrix,
    )


def _numbered(values: list[float]) -> tuple[list[int], Integers]:
    """Return where each different value first comes, and the number of each value among them."""
    first = list(dict.fromkeys(values))
    return [values.index(each) for each in first], np.array([first.index(each) for each in values])


def _shared_error(hyper: HyperParameters, grid: Grid, *, widest: float) -> Masses | None:
    """Return the matrix that averages over the error shared by a visit's readings.

    It has a margin for the `widest` of such errors; None where all are 0.
    """
    if widest <= 0:
        return None
    margin = int(np.ceil(3 * widest / grid.step))
    lag = np.arange(-margin, grid.cells + margin)[:, None] - np.arange(grid.cells)
    mass = bell_mass(
        grid.step * lag.astype(np.float64), variance=np.square(hyper.visit_sd), step=grid.step
    )
    shared: Masses = mass.astype(grid.precision)[None]
    return shared


def reading_chances(
    base: Floats, groups: Groups, *, margin: int, grid: Grid, tables: Tables
) -> Iterator[tuple[Integers | slice, Masses]]:
    """Yield series and the probability of a group of their readings, by noise, rate and cell.

    Windows at `base`, shape (series, rates), are wider by `margin` cells on both sides; the
    probabilities have the shape (series, noises, rates, cells + 2 margin).
    """
    _, fineness, noises, cells = tables.reading.shape
    # Runs of one long row: a single index finds each several times faster than four.
    runs = windows(tables.reading.reshape(-1), grid.cells + 2 * margin)
    noise = np.arange(noises)[:, None]
    part = grid.step / fineness
    for number in range(groups.middle.shape[1]):
        there = ~np.isnan(groups.middle[:, number])
        if not there.any():
            return
        at = slice(None) if there.all() else np.flatnonzero(there)
        away = base[at] - groups.middle[at, number][:, None]
        place = np.rint(away * (1 / part)).astype(np.int64)
        cell = place // fineness
        row = groups.row[at, number][:, None] * fineness + (place - cell * fineness)
        cell = np.minimum(
            np.maximum(cell + (2 * grid.cells - margin), 0), 3 * grid.cells - 2 * margin
        )
        yield at, runs[(row[:, None] * noises + noise) * cells + cell[:, None]]
