"""This module says what a block of posteriors means for one time ahead; it walks no history."""

from dataclasses import dataclass, fields

import numpy as np

from drift.stats.blocks import Floats, Integers
from drift.stats.forecast.grid import State, state_levels, take
from drift.stats.forecast.horizon import (
    Bins,
    chance_below,
    choose_bins,
    found_out,
    level_masses,
    level_quantile,
    mean_band,
    mean_lattice,
    reading_table,
    reference_bin,
)
from drift.stats.forecast.model import Grid, HyperParameters, Settings


@dataclass(frozen=True, slots=True)
class Model:
    """All that turns a posterior into a prediction, and the tables computed so far."""

    settings: Settings
    hyper: HyperParameters
    grid: Grid
    readings: dict[Bins, Floats]


@dataclass(frozen=True, slots=True)
class Prediction:
    """What is predicted of a block of series at one time each; arrays of shape (series,).

    Attributes
    ----------
    level, low, high : array
        Mean and band of the true bias, % air.
    p_below, p_above : array
        P(true bias out of tolerance on either side).
    mean_low, mean_high : array
        Band of the mean that a visit then would find, % air.
    found_below, found_above : array
        P(that mean judged out of tolerance on either side).
    share_below : array
        P(that mean below a given one), ties halved; NaN where none was given.
    """

    level: Floats
    low: Floats
    high: Floats
    p_below: Floats
    p_above: Floats
    mean_low: Floats
    mean_high: Floats
    found_below: Floats
    found_above: Floats
    share_below: Floats


def predict(
    state: State,
    model: Model,
    *,
    ahead: Floats,
    reading: Floats,
    resolution: Floats,
    replicates: Integers,
    found: Floats | None = None,
) -> Prediction:
    """Predict each series of `state` `ahead` years after the time it speaks for.

    Parameters
    ----------
    state : State
        Posteriors of a block of series.
    model : Model
        Of the fleet.
    ahead : array, shape (series,)
        Years, at least 0.
    reading, resolution : array, shape (series,)
        A bias that the dial can show, and its step, % air.
    replicates : array, shape (series,)
        Readings expected at a visit.
    found : array, shape (series,), optional
        As-found means that came about, to be placed in their predicted distribution.
    """
    size = ahead.size
    names = [field.name for field in fields(Prediction) if field.name != "level"]
    out = {name: np.full(size, np.nan) for name in names}
    rates = state.mass.sum(axis=(2, 3))
    mean = (state.mass.sum(axis=2) * state_levels(state, model.grid)).sum(axis=(1, 2))
    out["level"] = mean + ahead * (rates @ model.grid.drifts)
    # Series are binned by what they are like alone, so that no series' numbers depend on others.
    span = np.exp2(np.ceil(np.log2(np.maximum(ahead, 0.25))))
    key = np.stack([resolution, replicates.astype(np.float64), span], axis=1)
    for row in np.unique(key, axis=0):
        at = np.flatnonzero((key == row).all(axis=1))
        bins = choose_bins(
            resolution=row[0],
            replicates=int(row[1]),
            years=row[2],
            hyper=model.hyper,
            grid=model.grid,
        )
        part = _predict_alike(
            take(state, at),
            model,
            bins,
            ahead=ahead[at],
            reading=reading[at],
            found=np.full(at.size, np.nan) if found is None else found[at],
        )
        for name in names:
            out[name][at] = part[name]
    return Prediction(**out)


def _predict_alike(
    state: State, model: Model, bins: Bins, *, ahead: Floats, reading: Floats, found: Floats
) -> dict[str, Floats]:
    """Predict series that share their bins."""
    settings, tolerance = model.settings, model.settings.tolerance
    reference = reference_bin(state, reading, bins, model.grid)
    by_scale = level_masses(state, ahead, reference, bins=bins, hyper=model.hyper, grid=model.grid)
    levels = by_scale.sum(axis=1)
    below = chance_below(levels, reference, -tolerance, bins=bins)
    above = levels.sum(axis=1) - chance_below(levels, reference, tolerance, bins=bins)
    if bins not in model.readings:
        model.readings[bins] = reading_table(bins, model.hyper)
    table = model.readings[bins]
    means = by_scale.reshape(levels.shape[0], -1) @ table.reshape(-1, table.shape[2])
    means /= means.sum(axis=1, keepdims=True)
    lattice = mean_lattice(reference, table.shape[2], bins=bins)
    mean_low, mean_high = mean_band(means, lattice, bins=bins, level=settings.band_level)
    low, high = (
        level_quantile(levels, reference, share, bins=bins)
        for share in ((1 - settings.band_level) / 2, (1 + settings.band_level) / 2)
    )
    out = found_out(lattice, settings)
    step = bins.resolution / bins.replicates
    gap = (lattice - found[:, None]) / step
    rank = np.clip(0.5 - gap, 0.0, 1.0)
    return {
        "low": low,
        "high": high,
        "p_below": np.clip(below, 0.0, 1.0),
        "p_above": np.clip(above, 0.0, 1.0),
        "mean_low": mean_low,
        "mean_high": mean_high,
        "found_below": np.clip((means * out * (lattice < 0)).sum(axis=1), 0.0, 1.0),
        "found_above": np.clip((means * out * (lattice > 0)).sum(axis=1), 0.0, 1.0),
        "share_below": (means * rank).sum(axis=1),
    }
