"""This module brings every chart into one shape of points and limits."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from drift.arrays import Floats
from drift.frames import Schema
from drift.limits.baseline import Baseline, ascends

# One row per series, chart and point: what a page draws.  value is what is plotted; centre,
# lower and upper are null where the chart cannot say (too few visits for limits); lower is null
# too where a chart has an upper limit only.  in_baseline: the point helped to set the limits.
CHARTED: Schema = {
    "series": pl.Int64,
    "chart": pl.String,
    "visit": pl.Int64,
    "t_years": pl.Float64,
    "phase": pl.Int64,
    "value": pl.Float64,
    "centre": pl.Float64,
    "lower": pl.Float64,
    "upper": pl.Float64,
    "in_baseline": pl.Boolean,
}

# One row per series, chart and phase: where its limits come from.  sigma is the standard
# deviation of one plotted point; points those in the baseline, from first_visit to last_visit;
# note one sentence for the page.  form is how the limits are set ("kept_rate", "sigma", "t"), df
# the degrees of freedom of sigma, nominal_rate the false-alarm probability of a point that was
# aimed at, attained_rate the one that the dial's steps allow (null where it cannot be said);
# left_out names the visits that did not set the limits, and why; lag1 is the lag-1
# autocorrelation allowed for, null where none was found.
LIMITS: Schema = {
    "series": pl.Int64,
    "chart": pl.String,
    "phase": pl.Int64,
    "centre": pl.Float64,
    "sigma": pl.Float64,
    "points": pl.Int64,
    "first_t_years": pl.Float64,
    "last_t_years": pl.Float64,
    "estimator": pl.String,
    "note": pl.String,
    "form": pl.String,
    "df": pl.Float64,
    "nominal_rate": pl.Float64,
    "attained_rate": pl.Float64,
    "first_visit": pl.Int64,
    "last_visit": pl.Int64,
    "left_out": pl.String,
    "lag1": pl.Float64,
}


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


@dataclass(frozen=True, slots=True)
class Charted:
    """One chart of a fleet.

    Attributes
    ----------
    points : pl.DataFrame
        Frame of `drift.limits.charts.shape.CHARTED`, one row per plotted point, sorted by chart (of
        which some functions draw two), series and visit.
    limits : pl.DataFrame
        Frame of `drift.limits.charts.shape.LIMITS`, sorted by chart, series and phase.
    """

    points: pl.DataFrame
    limits: pl.DataFrame


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
    if not ascends(points, "series", "visit"):
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
