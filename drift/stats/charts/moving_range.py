"""This module draws the moving-range chart: the step from each visit to the next, without sign."""

import numpy as np
import polars as pl

from drift.stats.baseline import set_baseline
from drift.stats.charts.basis import find_basis, mean_moving_range
from drift.stats.charts.settings import Charted, ChartSettings
from drift.stats.charts.shape import Lines, Origin, assemble, per_row
from drift.stats.constants import d2, range_factors_estimated


def moving_range(points: pl.DataFrame, *, settings: ChartSettings) -> Charted:
    """Chart the absolute difference of each visit from the one before it in its phase.

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
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.
    """
    baseline = set_baseline(
        points, visits=settings.baseline_visits, window=settings.baseline_window
    )
    basis = find_basis(baseline, settings=settings)
    moves = np.abs(np.diff(baseline.values, prepend=np.nan))
    moves[baseline.starts] = np.nan
    known = np.isfinite(basis.centre)
    mean = np.where(known, mean_moving_range(baseline), np.nan)
    if settings.limits != "sigma":
        mean = np.where(known, basis.sigma * d2(2), np.nan)
    upper = mean * float(range_factors_estimated(2, sigmas=settings.sigmas)[1])
    blank = np.full_like(moves, np.nan)
    return assemble(
        "moving_range",
        baseline,
        lines=Lines(
            value=moves,
            centre=per_row(baseline, mean),
            lower=blank,
            upper=per_row(baseline, upper),
        ),
        origin=Origin(
            centre=mean,
            sigma=basis.sigma,
            df=basis.df,
            attained=np.full_like(mean, np.nan),
            lag1=np.full_like(mean, np.nan),
            form=settings.limits,
            nominal=basis.nominal,
            estimator=basis.estimator,
            note=basis.note,
        ),
    )
