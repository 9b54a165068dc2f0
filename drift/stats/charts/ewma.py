"""This module draws the EWMA chart: a weighted mean of the visits so far, newest heaviest."""

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import ndtr

from drift.stats.baseline import Baseline, set_baseline
from drift.stats.charts.basis import find_basis
from drift.stats.charts.settings import Charted, ChartSettings
from drift.stats.charts.shape import Lines, Origin, assemble, per_row

Floats = NDArray[np.float64]


def ewma(points: pl.DataFrame, *, settings: ChartSettings) -> Charted:
    """Chart z(t) = w·y(t) + (1 − w)·z(t−1), started at the centre of each phase.

    The weighting is that of e-Handbook 6.3.2.4: the newest visit is part of its own point.  (Its
    mass-calibration page 2.3.5.2 plots the same numbers one visit later, as a forecast.)

    Parameters
    ----------
    points, settings
        As for `drift.stats.charts.individuals`.

    Raises
    ------
    ValueError
        If a column is missing or holds a number that cannot be.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4; exact early limits: Lucas and
    Saccucci (1990), Technometrics 32, 1-12.
    """
    baseline = set_baseline(
        points, visits=settings.baseline_visits, window=settings.baseline_window
    )
    basis = find_basis(baseline, settings=settings)
    smooth, variance = _smooth(baseline, basis.centre, settings.ewma_weight)
    centre = per_row(baseline, basis.centre)
    half = per_row(baseline, basis.half_width) * np.sqrt(variance)
    return assemble(
        "ewma",
        baseline,
        lines=Lines(value=smooth, centre=centre, lower=centre - half, upper=centre + half),
        origin=Origin(
            centre=basis.centre,
            sigma=basis.sigma * np.sqrt(settings.ewma_weight / (2 - settings.ewma_weight)),
            df=basis.df,
            attained=np.full_like(basis.centre, np.nan),
            lag1=np.full_like(basis.centre, np.nan),
            form=settings.limits,
            nominal=float(2 * ndtr(-settings.ewma_sigmas)),
            estimator=basis.estimator,
            note=basis.note,
        ),
    )


def _smooth(baseline: Baseline, centre: Floats, weight: float) -> tuple[Floats, Floats]:
    """Return the EWMA at every row and its variance in units of that of one value."""
    start = np.where(np.isfinite(centre), centre, baseline.values[baseline.starts])
    smooth = np.empty_like(baseline.values)
    variance = np.empty_like(baseline.values)
    for step in range(int(baseline.lengths.max(initial=0))):
        rows = baseline.starts[baseline.lengths > step] + step
        before = start[baseline.block[rows]] if step == 0 else smooth[rows - 1]
        smooth[rows] = weight * baseline.values[rows] + (1 - weight) * before
        variance[rows] = weight / (2 - weight) * (1 - (1 - weight) ** (2 * (step + 1)))
    return smooth, variance
