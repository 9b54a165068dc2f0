"""This module draws the individuals chart: each visit's value against its baseline."""

import numpy as np
import polars as pl

from drift.stats.baseline import set_baseline
from drift.stats.charts.basis import find_basis
from drift.stats.charts.settings import Charted, ChartSettings
from drift.stats.charts.shape import Lines, Origin, assemble, per_row


def individuals(points: pl.DataFrame, *, settings: ChartSettings) -> Charted:
    """Chart each visit's value.

    Parameters
    ----------
    points : pl.DataFrame
        One row per series and visit, any number of series: ``series``, ``visit``, ``phase``,
        ``t_years``, ``value``, ``resolution``; see `drift.stats.baseline.set_baseline`.
    settings : ChartSettings
        How limits are set.

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
    centre = per_row(baseline, basis.centre)
    half = per_row(baseline, basis.half_width)
    return assemble(
        "individuals",
        baseline,
        lines=Lines(value=baseline.values, centre=centre, lower=centre - half, upper=centre + half),
        origin=Origin(
            centre=basis.centre,
            sigma=basis.sigma,
            df=basis.df,
            attained=np.full_like(basis.sigma, np.nan),
            lag1=np.full_like(basis.sigma, np.nan),
            form=settings.limits,
            nominal=basis.nominal,
            estimator=basis.estimator,
            note=basis.note,
        ),
    )
