"""This module brings every chart into one shape of points and limits; it computes no limits."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from drift.frames import CHARTED, LIMITS
from drift.stats.baseline import Baseline, in_order
from drift.stats.charts.settings import Charted

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Lines:
    """What is drawn at each row of a baseline's rows; NaN where the chart cannot say.

    Attributes
    ----------
    value, centre, lower, upper : array, shape (rows,)
        A row whose value is NaN is not plotted.
    """

    value: Floats
    centre: Floats
    lower: Floats
    upper: Floats


@dataclass(frozen=True, slots=True)
class Origin:
    """Where the limits of each block come from; NaN where it cannot be said.

    Attributes
    ----------
    centre, sigma, df : array, shape (blocks,)
        Centre, standard deviation of one plotted point, degrees of freedom of the latter.
    attained : array, shape (blocks,)
        False-alarm rate that the steps of the dial allow.
    lag1 : array, shape (blocks,)
        Autocorrelation allowed for.
    form : str
        How the limits are set.
    nominal : float
        False-alarm rate aimed at.
    estimator, note : list of str
        One per block.
    """

    centre: Floats
    sigma: Floats
    df: Floats
    attained: Floats
    lag1: Floats
    form: str
    nominal: float
    estimator: list[str]
    note: list[str]


def assemble(chart: str, baseline: Baseline, *, lines: Lines, origin: Origin) -> Charted:
    """Return the chart named `chart` in the common shape."""
    numbers = {
        "value": lines.value,
        "centre": lines.centre,
        "lower": lines.lower,
        "upper": lines.upper,
    }
    points = (
        baseline.rows.select("series", "visit", "t_years", "phase", "in_baseline")
        .with_columns(_nullable(name, array) for name, array in numbers.items())
        .filter(pl.col("value").is_not_null())
        .with_columns(chart=pl.lit(chart))
        .select(CHARTED.keys())
        .cast(CHARTED)  # type: ignore[arg-type]  # names to types
    )
    if not in_order(points, "series", "visit"):
        points = points.sort("series", "visit")
    sources = {
        "centre": origin.centre,
        "sigma": origin.sigma,
        "df": origin.df,
        "attained_rate": origin.attained,
        "lag1": origin.lag1,
    }
    limits = (
        baseline.blocks.with_columns(_nullable(name, array) for name, array in sources.items())
        .with_columns(
            chart=pl.lit(chart),
            form=pl.lit(origin.form),
            nominal_rate=pl.lit(origin.nominal),
            estimator=pl.Series(origin.estimator, dtype=pl.String),
            note=pl.Series(origin.note, dtype=pl.String),
        )
        .select(LIMITS.keys())
        .cast(LIMITS)  # type: ignore[arg-type]  # names to types
        .sort("series", "phase")
    )
    return Charted(points=points, limits=limits)


def per_row(baseline: Baseline, values: Floats) -> Floats:
    """Return the value of each row's block."""
    spread: Floats = values[baseline.block]
    return spread


def _nullable(name: str, values: Floats) -> pl.Series:
    """Return a column with null where `values` has no finite number."""
    return pl.Series(name, np.where(np.isfinite(values), values, np.nan), nan_to_null=True)
