"""This module says what a block of posteriors means for one time ahead."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from drift.arrays import Floats, Integers, Masses
from drift.forecast.grid.horizon import (
    Bins,
    chance_below,
    choose_bins,
    cumulated,
    found_out,
    level_masses,
    level_quantile,
    mean_band,
    mean_lattice,
    reading_table,
    reference_bin,
    rowwise,
    spread_masses,
)
from drift.forecast.grid.model import Grid, HyperParameters, Settings, shock_groups
from drift.forecast.grid.rates import Posterior, Rates, take_posterior


@dataclass(frozen=True, slots=True)
class Model:
    """All that turns a posterior into a prediction."""

    settings: Settings
    hyper: HyperParameters
    grid: Grid


@dataclass(frozen=True, slots=True)
class PredictedLevels:
    """What is predicted of the true biases of a block; arrays of shape (series,), % air.

    Attributes
    ----------
    level, low, high : array
        Mean and band.
    p_below, p_above : array
        P(out of tolerance) on either side.
    """

    level: Floats
    low: Floats
    high: Floats
    p_below: Floats
    p_above: Floats


@dataclass(frozen=True, slots=True)
class Means:
    """What is predicted of the as-found means of a visit; arrays of shape (series,), % air.

    Attributes
    ----------
    low, high : array
        Band.
    p_below, p_above : array
        P(judged out of tolerance) on either side.
    share_below : array
        P(below the mean that came about), ties halved; NaN where none was given.
    """

    low: Floats
    high: Floats
    p_below: Floats
    p_above: Floats
    share_below: Floats


def level_columns(levels: PredictedLevels) -> dict[str, Floats]:
    """Return the arrays of `levels` by name, not copied."""
    return {
        "level": levels.level,
        "low": levels.low,
        "high": levels.high,
        "p_below": levels.p_below,
        "p_above": levels.p_above,
    }


def mean_columns(means: Means) -> dict[str, Floats]:
    """Return the arrays of `means` by name, not copied."""
    return {
        "low": means.low,
        "high": means.high,
        "p_below": means.p_below,
        "p_above": means.p_above,
        "share_below": means.share_below,
    }


@dataclass(frozen=True, slots=True)
class Dial:
    """How each series is read, as far as its last visit tells; arrays of shape (series,).

    Attributes
    ----------
    reading : array
        A bias that the dial can show, % air.
    resolution : array
        Its step, % air.
    replicates : array
        Readings taken at a visit.
    """

    reading: Floats
    resolution: Floats
    replicates: Integers


def predict_levels(
    posterior: Posterior, model: Model, *, ahead: Floats, dial: Dial
) -> PredictedLevels:
    """Predict the true bias of each series `ahead` years (at least 0) on.

    `posterior` is that of kinds joined, `drift.forecast.grid.rates.join_kinds`.
    """
    made = _empty(("low", "high", "p_below", "p_above"), ahead.size)
    groups = by_shocks(model.hyper)
    for at, bins in alike(ahead, dial, model):
        reference = reference_bin(posterior.middle[at], dial.reading[at], bins)
        masses = level_masses(
            take_posterior(posterior, at),
            ahead[at],
            reference,
            groups=groups,
            bins=bins,
            hyper=model.hyper,
            together=True,
        )[:, 0]
        for name, values in _describe_levels(masses, reference, bins, model.settings).items():
            made[name][at] = values
    return PredictedLevels(level=_mean_ahead(posterior.rates, ahead), **made)


def predict_as_found(
    posterior: Posterior,
    model: Model,
    *,
    ahead: Floats,
    dial: Dial,
    found: Floats | None = None,
) -> tuple[PredictedLevels, Means]:
    """Predict the true bias and the as-found mean of each series `ahead` years on.

    Parameters
    ----------
    posterior : Posterior
        Of a block of series.
    model : Model
        Of the fleet.
    ahead : array, shape (series,)
        Years, at least 0.
    dial : Dial
        How each is read.
    found : array, shape (series,), optional
        As-found means that came about, to be placed in their predicted distribution.
    """
    levels = _empty(("low", "high", "p_below", "p_above"), ahead.size)
    means = _empty(("low", "high", "p_below", "p_above", "share_below"), ahead.size)
    apart = [
        (slice(k, k + 1), kind.shocks * model.hyper.shock_rate)
        for k, kind in enumerate(model.hyper.kinds)
    ]
    found = np.full(ahead.size, np.nan) if found is None else found
    for at, bins in alike(ahead, dial, model):
        reference = reference_bin(posterior.middle[at], dial.reading[at], bins)
        by_kind = level_masses(
            take_posterior(posterior, at),
            ahead[at],
            reference,
            groups=apart,
            bins=bins,
            hyper=model.hyper,
        )
        masses = by_kind.sum(axis=1)
        for name, values in _describe_levels(masses, reference, bins, model.settings).items():
            levels[name][at] = values
        for name, values in _describe_means(by_kind, reference, bins, model, found[at]).items():
            means[name][at] = values
    return PredictedLevels(level=_mean_ahead(posterior.rates, ahead), **levels), Means(**means)


def by_shocks(hyper: HyperParameters) -> list[tuple[slice, float]]:
    """Return where kinds of each shock factor stand once joined, and their shocks per year."""
    return [(slice(place, place + 1), rate) for place, (_, rate) in enumerate(shock_groups(hyper))]


def _empty(names: tuple[str, ...], size: int) -> dict[str, Floats]:
    """Return arrays to be filled."""
    return {name: np.full(size, np.nan) for name in names}


def _mean_ahead(rates: Rates, ahead: Floats) -> Floats:
    """Return the mean of each level `ahead` years on."""
    mean: Floats = (rates.weight * (rates.level + rates.mean * ahead[:, None])).sum(axis=1)
    return mean


def alike(ahead: Floats, dial: Dial, model: Model) -> Iterator[tuple[Integers, Bins]]:
    """Yield the series that share their bins.

    Bins depend on what a series is like alone, so that no series' numbers depend on others.
    """
    span = 4.0 ** np.ceil(np.log2(np.maximum(ahead, 1.0)) / 2)
    key = np.stack([dial.resolution, dial.replicates.astype(np.float64), span], axis=1)
    for resolution, replicates, years in np.unique(key, axis=0):
        at = np.flatnonzero((key == (resolution, replicates, years)).all(axis=1))
        bins = choose_bins(
            resolution=float(resolution),
            replicates=int(replicates),
            years=float(years),
            hyper=model.hyper,
            grid=model.grid,
        )
        yield at, bins


def _describe_levels(
    masses: Masses, reference: Floats, bins: Bins, settings: Settings
) -> dict[str, Floats]:
    """Return band and tails of predicted levels."""
    tolerance, share = settings.tolerance, (1 - settings.band_level) / 2
    edges = cumulated(masses)
    below = chance_below(edges, reference, -tolerance, bins=bins)
    above = 1 - chance_below(edges, reference, tolerance, bins=bins)
    return {
        "low": level_quantile(edges, reference, share, bins=bins),
        "high": level_quantile(edges, reference, 1 - share, bins=bins),
        "p_below": np.clip(below, 0.0, 1.0),
        "p_above": np.clip(above, 0.0, 1.0 - np.clip(below, 0.0, 1.0)),
    }


def _describe_means(
    by_kind: Masses, reference: Floats, bins: Bins, model: Model, found: Floats
) -> dict[str, Floats]:
    """Return band and tails of predicted as-found means, and where `found` falls among them."""
    table = reading_table(bins, model.hyper)
    by_kind = spread_masses(by_kind, np.full(found.size, model.hyper.visit_sd**2), bins=bins)
    rows = by_kind.astype(np.float64).reshape(by_kind.shape[0], -1)
    means = rowwise(rows, table.reshape(-1, table.shape[2]))
    means /= means.sum(axis=1, keepdims=True)
    lattice = mean_lattice(reference, table.shape[2], bins=bins)
    low, high = mean_band(means, lattice, bins=bins, level=model.settings.band_level)
    out = means * found_out(lattice, model.settings)
    gap = (lattice - found[:, None]) * (bins.replicates / bins.resolution)
    return {
        "low": low,
        "high": high,
        "p_below": np.clip((out * (lattice < 0)).sum(axis=1), 0.0, 1.0),
        "p_above": np.clip((out * (lattice > 0)).sum(axis=1), 0.0, 1.0),
        "share_below": (means * np.clip(0.5 - gap, 0.0, 1.0)).sum(axis=1),
    }
