"""This module holds the forecasts that the forecaster must beat: straight line and fleet record."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import special

from drift.arrays import Floats
from drift.forecast.grid.model import Settings
from drift.frames import Schema
from drift.trend.regression import fit_trends

# Visits from which a straight line is drawn.
_LINE_VISITS = 4

_NOW = ("t_years", "level", "due_t_years", "resolution")

# One row per series: where it will be.  level is the true bias now;
# at_due the predicted as-found bias on due_t_years with its band; crossing times are t_years,
# null where the tolerance is not left within the horizon.
FORECASTS: Schema = {
    "series": pl.Int64,
    "due_t_years": pl.Float64,
    "level": pl.Float64,
    "drift": pl.Float64,
    "drift_low": pl.Float64,
    "drift_high": pl.Float64,
    "at_due": pl.Float64,
    "at_due_low": pl.Float64,
    "at_due_high": pl.Float64,
    "p_out_due": pl.Float64,
    "crossing": pl.Float64,
    "crossing_early": pl.Float64,
    "crossing_late": pl.Float64,
}


def straight_lines(rows: pl.DataFrame, ledger: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Return what a straight line through the unadjusted path says of each case.

    Parameters
    ----------
    rows : pl.DataFrame
        One row per case: ``case``, ``series``, ``visit`` to forecast and its ``t_years``,
        ``seen_t_years``, ``left`` and ``resolution`` of the visit before.
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`; only visits before each case's are looked at.
    settings : Settings
        Tolerance and levels.

    Returns
    -------
    pl.DataFrame
        ``case`` and ``p_line``, the probability of being out, null where there is no line.
    """
    cases = rows.select("series", "visit", case=pl.col("case").cast(pl.Int64))
    paths = (
        cases.join(
            ledger.select(
                "series",
                "t_years",
                earlier="visit",
                value="unadjusted_path_pct",
                resolution="resolution_pct",
            ),
            on="series",
        )
        .filter(pl.col("earlier") < pl.col("visit"))
        .select("t_years", "value", "resolution", series="case")
    )
    empty = pl.DataFrame(schema={"case": pl.UInt32, "p_line": pl.Float64})
    if paths.drop_nulls("value").is_empty():
        return empty
    now = rows.filter(pl.col("left").is_not_null()).select(
        pl.col("case").cast(pl.Int64).alias("series"),
        pl.col("seen_t_years").alias("t_years"),
        pl.col("left").alias("level"),
        pl.col("t_years").alias("due_t_years"),
        "resolution",
    )
    made = extrapolate(
        fit_trends(paths, fewest=_LINE_VISITS),
        now,
        tolerance=settings.tolerance,
        band_level=settings.band_level,
        horizon_years=settings.horizon_years,
    )
    return made.select(case=pl.col("series").cast(pl.UInt32), p_line="p_out_due")


def with_record(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the share of failures among all visits of the fleet before each visit's day."""
    days = (
        rows.group_by("t_years")
        .agg(number=pl.len().cast(pl.Int64), failures=pl.col("found_out").sum().cast(pl.Int64))
        .sort("t_years")
        .with_columns(
            before=pl.col("number").cum_sum() - pl.col("number"),
            failed=pl.col("failures").cum_sum() - pl.col("failures"),
        )
        # Half a failure among one visit more: the usual guess for a share not yet seen.
        .select("t_years", p_fleet=(pl.col("failed") + 0.5) / (pl.col("before") + 1))
    )
    return rows.join(days, on="t_years", how="left", maintain_order="left")


def extrapolate(
    trends: pl.DataFrame,
    now: pl.DataFrame,
    *,
    tolerance: float,
    band_level: float,
    horizon_years: float,
) -> pl.DataFrame:
    """Forecast each series from where it was left and its least-squares slope.

    Parameters
    ----------
    trends : pl.DataFrame
        Of `drift.trend.regression.fit_trends`.
    now : pl.DataFrame
        One row per series: ``series``, ``t_years`` (last visit), ``level`` (bias as left at the
        last visit, % air), ``due_t_years`` (when it is next seen, not before ``t_years``),
        ``resolution`` (step of the dial, % air, or null).
    tolerance : float
        Largest bias that passes, % air.
    band_level : float
        Coverage of ``at_due_low`` to ``at_due_high`` and of the crossing dates.
    horizon_years : float
        How long after the last visit a crossing is looked for.

    Returns
    -------
    pl.DataFrame
        Columns of `drift.forecast.naive.FORECASTS`, one row per series in `now`, ascending.  All
        but ``due_t_years`` and ``level`` are null where there are too few visits for a slope.

    Raises
    ------
    ValueError
        If `tolerance`, `band_level` or `horizon_years` is out of range, or a due time precedes
        the last visit.

    Notes
    -----
    With level x, slope b, residual standard deviation s, Σ = sum of squared times about their
    mean and Δ years ahead, the next as-found bias is predicted as ::

        x + bΔ ± t(n − 2) √(2 s² + Δ² s²/Σ)

    one s² for the reading it starts from, one for the next reading; ``p_out_due`` is the
    probability of that t distribution beyond ±tolerance.  The crossing is where x + bΔ meets
    the tolerance that b points to; the early (late) bound is where the near (far) edge of the
    same band without the next reading's s² first does: Fieller's problem, a quadratic in Δ.
    A bias already beyond the tolerance crosses at the last visit.

    Where the dial's resolution hides the slope, it is taken as 0 and s as the resolution/√12,
    the standard deviation of a rounding error (JCGM 100:2008, F.2.2.1): a floor, not an estimate.
    ``drift`` and its interval stay null there.

    It knows neither where levels and slopes of the fleet usually lie nor that a path wanders, so
    that a reading near the tolerance is taken at face value and its chance of being out is
    overstated.

    References
    ----------
    Montgomery, Peck and Vining, Introduction to Linear Regression Analysis, section 2.5
    (prediction); Fieller (1954), Journal of the Royal Statistical Society B 16, 175–185.
    """
    _check(now, tolerance=tolerance, band_level=band_level, horizon_years=horizon_years)
    asked = now.select("series", *_NOW).with_columns(pl.col("series").cast(pl.Int64))
    joined = asked.join(trends, on="series", how="left").sort("series")
    columns = {
        name: joined[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()
        for name in (*_NOW, "points", "slope", "slope_low", "slope_high", "residual_sd")
    }
    squares = joined["sum_squares_t"].fill_null(float("nan")).to_numpy()
    limited = joined["resolution_limited"].fill_null(value=False).to_numpy()
    slope = np.where(limited, 0.0, columns["slope"])
    scatter = np.where(limited, columns["resolution"] / np.sqrt(12), columns["residual_sd"])
    freedom = np.maximum(columns["points"] - 2, 1.0)
    line = _Line(columns["level"], slope, scatter**2, scatter**2 / squares)
    ahead = columns["due_t_years"] - columns["t_years"]
    forecast = _at_due(line, ahead, freedom, tolerance=tolerance, band_level=band_level)
    reach = special.stdtrit(freedom, (1 + band_level) / 2)
    crossings = _crossings(line, reach, tolerance=tolerance, horizon=horizon_years)
    forecast |= {name: columns["t_years"] + after for name, after in crossings.items()}
    forecast |= {
        "due_t_years": columns["due_t_years"],
        "level": columns["level"],
        "drift": columns["slope"],
        "drift_low": columns["slope_low"],
        "drift_high": columns["slope_high"],
    }
    frame = pl.DataFrame(forecast).fill_nan(None).with_columns(series=joined["series"])
    return frame.select(pl.col(name).cast(kind) for name, kind in FORECASTS.items())


@dataclass(frozen=True, slots=True)
class _Line:
    """Level and slope of each series with the variances of a reading and of the slope."""

    level: Floats
    slope: Floats
    reading_variance: Floats
    slope_variance: Floats


def _check(now: pl.DataFrame, *, tolerance: float, band_level: float, horizon_years: float) -> None:
    """Raise where a setting or a due time cannot be meant."""
    if not tolerance > 0:
        raise ValueError(f"tolerance is {tolerance}; expected over 0")
    if not 0 < band_level < 1:
        raise ValueError(f"band_level is {band_level}; expected over 0 and under 1")
    if not horizon_years > 0:
        raise ValueError(f"horizon_years is {horizon_years}; expected over 0")
    early = now.filter(pl.col("due_t_years") < pl.col("t_years"))
    if early.height:
        raise ValueError(f"series {early['series'][0]} is due before its last visit")


def _at_due(
    line: _Line, ahead: Floats, freedom: Floats, *, tolerance: float, band_level: float
) -> dict[str, Floats]:
    """Return the predicted as-found bias at the due time, its band and the chance of being out."""
    centre = line.level + line.slope * ahead
    spread = np.sqrt(2 * line.reading_variance + ahead**2 * line.slope_variance)
    reach = special.stdtrit(freedom, (1 + band_level) / 2) * spread
    safe = np.where(spread > 0, spread, np.nan)
    above = special.stdtr(freedom, (centre - tolerance) / safe)
    below = special.stdtr(freedom, (-tolerance - centre) / safe)
    certain = np.where(np.abs(centre) > tolerance, 1.0, 0.0)  # a line without any scatter
    return {
        "at_due": centre,
        "at_due_low": centre - reach,
        "at_due_high": centre + reach,
        "p_out_due": np.where(spread == 0, certain, above + below),
    }


def _crossings(
    line: _Line, reach: Floats, *, tolerance: float, horizon: float
) -> dict[str, Floats]:
    """Return the years after the last visit at which the tolerance is left; NaN beyond `horizon`.

    `reach` is the quantile of t that makes the band.
    """
    out = np.abs(line.level) > tolerance
    side = np.where(np.where(out, line.level, line.slope) < 0, -1.0, 1.0)
    gap = tolerance - side * line.level
    moving = np.where(line.slope == 0, np.nan, np.abs(line.slope))
    crossing = np.where(out, 0.0, gap / moving)
    near = [
        _first_touch(line, tolerance - way * line.level, way * line.slope, reach)
        for way in (1.0, -1.0)
    ]
    far = _first_touch(line, gap, side * line.slope, -reach)
    bounds = {
        "crossing": crossing,
        "crossing_early": np.fmin(*near),
        "crossing_late": far,
    }
    return {name: np.where(years <= horizon, years, np.nan) for name, years in bounds.items()}


def _first_touch(line: _Line, gap: Floats, slope: Floats, reach: Floats) -> Floats:
    """Return the first Δ ≥ 0 at which slope·Δ + reach·√(s² + vΔ²) is at least `gap`, else NaN.

    Squaring gives (slope² − reach² v)Δ² − 2 gap slope Δ + gap² − reach² s² = 0, solved in the form
    that loses no digits; a root counts where the unsquared sides have the same sign.
    """
    square = slope**2 - reach**2 * line.slope_variance
    half = gap * slope
    constant = gap**2 - reach**2 * line.reading_variance
    discriminant = half**2 - square * constant
    with np.errstate(divide="ignore", invalid="ignore"):
        larger = half + np.where(half < 0, -1.0, 1.0) * np.sqrt(discriminant)
        roots = np.stack([larger / square, constant / larger])
        same_sign = (gap - slope * roots) * np.sign(reach) >= 0
    valid = (roots >= 0) & np.isfinite(roots) & same_sign
    first = np.where(valid, roots, np.inf).min(axis=0)
    already = gap - reach * np.sqrt(line.reading_variance) <= 0
    first = np.where(already, 0.0, first)
    known = ~np.isnan(gap) & ~np.isnan(slope) & ~np.isnan(reach * line.reading_variance)
    return np.where(known & np.isfinite(first), first, np.nan)
