"""This module says how probable readings are at every level of a grid; it moves no level."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from drift.stats.blocks import Floats, Integers
from drift.stats.forecast.model import (
    Grid,
    HyperParameters,
    Masses,
    bell_mass,
    cell_probability,
    log_rate_prior,
    windows,
)


@dataclass(frozen=True, slots=True)
class Tables:
    """What the filter looks up.

    Attributes
    ----------
    reading : array, shape (resolutions + 1, fineness, kinds, cells)
        Probability of a reading by the distance of the level; the last row stands for no reading.
    prior : array, shape (kinds, rates)
        Prior probability of a series' kind and drift rate.
    shared : array, shape (cells + 2 margin, cells), or None
        What the error shared by a visit's readings does to their probability; None for none.
    """

    reading: Masses
    prior: Floats
    shared: Masses | None


def make_tables(hyper: HyperParameters, grid: Grid, *, resolutions: Floats) -> Tables:
    """Compute the tables for dials read to `resolutions` (% air)."""
    cells = 4 * grid.cells
    steps = np.arange(cells) - cells // 2
    offset = (steps + np.arange(grid.fineness)[:, None] / grid.fineness) * grid.step
    shape = (resolutions.size + 1, grid.fineness, len(hyper.kinds), cells)
    reading = np.ones(shape, dtype=grid.precision)
    for row, resolution in enumerate(resolutions):
        for place, kind in enumerate(hyper.kinds):
            shown = cell_probability(offset, resolution=resolution, sd=kind.noise * hyper.noise_sd)
            blunder = grid.outlier * min(1.0, resolution)
            reading[row, :, place] = (1 - grid.outlier) * shown + blunder
    rates = np.exp(log_rate_prior(hyper, grid))
    prior = np.array([kind.weight for kind in hyper.kinds])[:, None] * rates
    return Tables(reading=reading, prior=prior, shared=_shared_error(hyper, grid))


def _shared_error(hyper: HyperParameters, grid: Grid) -> Masses | None:
    """Return the matrix that averages over the error shared by a visit's readings."""
    if hyper.visit_sd <= 0:
        return None
    margin = int(np.ceil(3 * hyper.visit_sd / grid.step))
    lag = np.arange(-margin, grid.cells + margin)[:, None] - np.arange(grid.cells)
    mass = bell_mass(
        grid.step * lag.astype(np.float64), variance=np.square(hyper.visit_sd), step=grid.step
    )
    shared: Masses = mass.astype(grid.precision)
    return shared


def reading_chances(
    base: Floats,
    readings: Floats,
    resolution: Integers,
    *,
    margin: int,
    grid: Grid,
    tables: Tables,
) -> Iterator[Masses]:
    """Yield for each replicate its probability by kind, rate and cell of windows at `base`.

    Windows are wider by `margin` cells on both sides; shape (series, kinds, rates, cells + 2
    margin).
    """
    runs = windows(tables.reading, grid.cells + 2 * margin)
    none, kinds = tables.reading.shape[0] - 1, np.arange(tables.reading.shape[2])[:, None]
    part = grid.step / grid.fineness
    for replicate in range(readings.shape[1]):
        reading = readings[:, replicate]
        there = ~np.isnan(reading)
        if not there.any():
            continue
        place = np.rint((base - np.where(there, reading, 0.0)[:, None]) / part).astype(np.int64)
        cell, phase = np.divmod(place, grid.fineness)
        cell = np.minimum(
            np.maximum(cell + (2 * grid.cells - margin), 0), 3 * grid.cells - 2 * margin
        )
        row = np.where(there, resolution, none)[:, None, None]
        yield runs[row, phase[:, None], kinds, cell[:, None]]
