"""This module deals series out in blocks of one length, with the weights to seek jumps by."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from drift.arrays import Flat, Floats, Integers, equal_length_blocks, flatten, take_block
from drift.trend import local_level
from drift.trend.fleet_drifts import FleetDrifts

# Columns of steps in which jumps are sought.
JUMP_COLUMNS = ("step", "years", "shares_start", "resolution")
# Numbers in one array of a block; a block holds some ten of them.
_CELLS = 100_000


@dataclass(frozen=True, slots=True)
class JumpBlock:
    """Series of one length: where they are in the fleet and what their steps are.

    Attributes
    ----------
    at : array, shape (series,)
        Positions in the fleet.
    years, step : array, shape (series, steps)
    shares : array of bool, shape (series, steps)
    resolution, floor : array, shape (series,)
        Coarsest step of the dial (0 where unknown) and the variance of its rounding error.
    """

    at: Integers
    years: Floats
    step: Floats
    shares: NDArray[np.bool_]
    resolution: Floats
    floor: Floats


def jump_blocks(flat: Flat, among: Integers) -> Iterator[JumpBlock]:
    """Yield the series at positions `among` in blocks, less those over no time.

    `flat` has the columns `JUMP_COLUMNS`.
    """
    lengths = flat.lengths[among]
    cells = _CELLS // local_level.RATIOS.size
    for length, chosen in equal_length_blocks(lengths, fewest=1, cells=cells):
        at = among[chosen]
        years = take_block(flat.columns["years"], flat.starts[at], length)
        kept = years.sum(axis=1) > 0
        at, years = at[kept], years[kept]
        if not at.size:
            continue
        dial = take_block(flat.columns["resolution"], flat.starts[at], length)
        resolution = np.where(np.isnan(dial), 0.0, dial).max(axis=1)
        yield JumpBlock(
            at=at,
            years=years,
            step=take_block(flat.columns["step"], flat.starts[at], length),
            shares=take_block(flat.columns["shares_start"], flat.starts[at], length) > 0,
            resolution=resolution,
            floor=resolution**2 / 12,
        )


def weights_of_series(flat: Flat, among: Integers, fleet: FleetDrifts | None) -> Floats:
    """Return for each series how common each ratio of wander to noise is in the others.

    Parameters
    ----------
    flat : Flat
        Columns `JUMP_COLUMNS`.
    among : array of int
        Positions of the series in which jumps are looked for.
    fleet : FleetDrifts or None
        Of the fleet that these are some series of; None where they are all of it.

    Returns
    -------
    array, shape (series, ratios)
    """
    weights = np.tile(local_level.default_weights(), (flat.series.size, 1))
    moving, likelihoods = _likelihoods(flat, among)
    if moving.size and fleet is None:
        weights[moving] = local_level.learn_weights_from_others(likelihoods)
    elif moving.size and fleet is not None:
        weights[moving] = local_level.weights_of_others(
            local_level.ratio_posterior(likelihoods, fleet.of_jumps),
            total=fleet.shares,
            count=fleet.learnt_from,
            among=np.isin(flat.series[moving], fleet.series),
        )
    return weights


def _likelihoods(flat: Flat, among: Integers) -> tuple[Integers, Floats]:
    """Return which series move, and the log likelihood of each ratio for these."""
    moving, likelihoods = [], []
    for block in jump_blocks(flat, among):
        moves = np.ptp(block.step.cumsum(axis=1), axis=1) > 0
        fits = local_level.fit_slopes(block.years, block.step, block.shares)
        moving.append(block.at[moves])
        likelihoods.append(fits["log_likelihood"][moves])
    if not moving:
        return np.empty(0, dtype=np.int64), np.empty((0, local_level.RATIOS.size))
    return np.concatenate(moving), np.concatenate(likelihoods)


def jump_weights(steps: pl.DataFrame, *, fewest: int = 8) -> tuple[Floats, Floats, int]:
    """Return how common each ratio of wander to noise is where jumps are looked for.

    Parameters
    ----------
    steps, fewest
        As for `find_change_points`.

    Returns
    -------
    weights, shares : array, shape (ratios,)
        As of `drift.trend.fleet_drifts.FleetDrifts`.
    number : int
        Series that they were learnt from.
    """
    flat = flatten(steps, *JUMP_COLUMNS)
    likelihoods = _likelihoods(flat, np.flatnonzero(flat.lengths >= fewest - 1))[1]
    weights = local_level.learn_weights(likelihoods)
    shares = local_level.ratio_posterior(likelihoods, weights).sum(axis=0)
    return weights, shares, len(likelihoods)
