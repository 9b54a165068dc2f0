"""This module estimates centre and spread of single values from their baseline; it draws nothing."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, stdtrit

from drift.stats.baseline import Baseline
from drift.stats.charts.settings import ChartSettings
from drift.stats.constants import d2

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Basis:
    """Centre and spread of each block, and the half-width of its limits; NaN for cannot say."""

    centre: Floats
    sigma: Floats
    df: Floats
    half_width: Floats
    nominal: float
    estimator: list[str]
    note: list[str]


def find_basis(baseline: Baseline, *, settings: ChartSettings) -> Basis:
    """Estimate centre, spread and limits of every block from its baseline."""
    count = baseline.counts.astype(float)
    enough = baseline.counts >= settings.baseline_visits
    safe = np.maximum(count, 1)
    block, inside = baseline.block, baseline.inside
    blocks = len(baseline.starts)
    centre = np.bincount(block[inside], baseline.values[inside], minlength=blocks) / safe
    residual = np.where(inside, baseline.values - centre[block], 0.0)
    sd = np.sqrt(np.bincount(block, residual**2, minlength=blocks) / np.maximum(count - 1, 1))
    step = np.zeros(blocks)
    np.maximum.at(step, block, baseline.resolutions)
    if settings.limits == "sigma":
        sd = mean_moving_range(baseline) / float(d2(2))
    sigma = np.maximum(sd, step / np.sqrt(12))
    nominal = float(2 * ndtr(-settings.sigmas))
    factor = _factor(count, nominal=nominal, settings=settings)
    estimator = "mean moving range / d2" if settings.limits == "sigma" else "standard deviation"
    return Basis(
        centre=np.where(enough, centre, np.nan),
        sigma=np.where(enough, sigma, np.nan),
        df=np.where(enough, count - 1, np.nan),
        half_width=np.where(enough, factor * sigma, np.nan),
        nominal=nominal,
        estimator=[estimator] * blocks,
        note=[
            f"Limits from the first {n} visits." if ok else _too_few(n, settings.baseline_visits)
            for n, ok in zip(baseline.counts.tolist(), enough.tolist(), strict=True)
        ],
    )


def mean_moving_range(baseline: Baseline) -> Floats:
    """Return the mean absolute difference of successive baseline values of each block."""
    rows = np.flatnonzero(baseline.inside)
    block = baseline.block[rows]
    same = block[1:] == block[:-1]
    moves = np.abs(np.diff(baseline.values[rows]))[same]
    blocks = len(baseline.starts)
    total = np.bincount(block[1:][same], moves, minlength=blocks)
    number = np.bincount(block[1:][same], minlength=blocks)
    return np.asarray(total / np.maximum(number, 1))


def _factor(count: Floats, *, nominal: float, settings: ChartSettings) -> Floats:
    """Return the half-width of the limits in standard deviations."""
    if settings.limits == "sigma":
        return np.full_like(count, settings.sigmas)
    quantile = stdtrit(np.maximum(count - 1, 1), 1 - nominal / 2)
    if settings.limits == "t":
        return np.asarray(quantile)
    return np.asarray(quantile * np.sqrt(1 + 1 / np.maximum(count, 1)))


def _too_few(points: int, needed: int) -> str:
    """Return the sentence for a block without limits."""
    return f"No limits yet: {points} of the {needed} visits that a baseline needs."
