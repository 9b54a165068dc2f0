"""This module fits the plain lines of meters that are asked for, by statsmodels, and checks them.

A plain line takes what is left of the path about it for scatter.  What the residuals say of that
stands beside it.  It decides nothing: verdicts are those of `drift.trend.path_trend`.  A series
takes about 2 ms, so that a whole fleet's are fitted only where a user asks for them.
"""

import warnings
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from drift.arrays import Floats
from drift.frames import Schema
from drift.meter.segments import drift_steps, unadjusted_paths
from drift.trend.regression import fit_trends

if TYPE_CHECKING:
    from statsmodels.regression.linear_model import RegressionResults

# One row per series.  Slopes and their limits are % air per year, null where there are too few
# visits or the dial's resolution hides them.  slope is the least-squares line's; its limits and
# slope_p ("no slope") allow for residuals that resemble those up to `lags` visits before.
# robust_slope is Huber's.  known_slope is the line of the drift steps under the noise and wander
# that the fleet's fit found, taken as known.  residual_lag1 is how far neighbouring residuals
# resemble each other (-1 to 1), resemblance_p for "they do not".  influence is the change of slope
# that the most influential visit, of influential_on, makes, and influence_sds the same in standard
# errors; normal_p for "residuals are normal".  kendall_p is for "no trend either way".
PLAIN_TRENDS: Schema = {
    "series": pl.Int64,
    "meter_id": pl.String,
    "point_pct": pl.Float64,
    "visits": pl.Int64,
    "slope": pl.Float64,
    "slope_low": pl.Float64,
    "slope_high": pl.Float64,
    "slope_p": pl.Float64,
    "lags": pl.Int64,
    "robust_slope": pl.Float64,
    "robust_low": pl.Float64,
    "robust_high": pl.Float64,
    "known_slope": pl.Float64,
    "known_low": pl.Float64,
    "known_high": pl.Float64,
    "sen_slope": pl.Float64,
    "sen_low": pl.Float64,
    "sen_high": pl.Float64,
    "kendall_p": pl.Float64,
    "residual_lag1": pl.Float64,
    "resemblance_p": pl.Float64,
    "influential_on": pl.Date,
    "influence": pl.Float64,
    "influence_sds": pl.Float64,
    "normal_p": pl.Float64,
    "resolution_limited": pl.Boolean,
}
_OF_RANKS = ("sen_slope", "sen_low", "sen_high", "kendall_p", "resolution_limited")
# Residuals that are this small are rounding errors of the arithmetic, % air.
_NOTHING_PCT = 1e-9
# The Anderson-Darling test needs as many residuals (D'Agostino and Stephens 1986, table 4.9).
_FEWEST_FOR_NORMAL = 8
# Huber's line is settled where the sum of what its residuals count changes by less: its slope is
# then known to 1e-5 of its standard error (measured on rounded paths of 40 visits), in two thirds
# of the steps that the library takes by default.
_SETTLED = 1e-4


def plain_trends(
    ledger: pl.DataFrame, path_trends: pl.DataFrame, *, level: float, fewest: int
) -> pl.DataFrame:
    """Fit the plain trends of every series of a ledger.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`, of the meters asked for.
    path_trends : pl.DataFrame
        Frame of `drift.trend.path_trend.PATH_TRENDS`; others' series may be in it.
    level : float
        Two-sided error probability of the intervals, over 0 and under 1.
    fewest : int
        Visits below which nothing but their number is given, at least 3.

    Returns
    -------
    pl.DataFrame
        Columns of `PLAIN_TRENDS`, one row per series, by meter and point.

    Notes
    -----
    `lags` is 4 (n/100)^(2/9), rounded down, for n visits; the covariance is multiplied by n/(n − 2)
    and its interval is Student's.  Visits are taken as evenly spaced.  Such limits are too narrow:
    by simulation (tests) those at 95 % hold the slope of 83, 85, 90 and 90 % of steady meters of 8,
    12, 24 and 40 visits, and of 53, 48, 38 and 32 % of meters that wander by 0.05 % air a root year
    under a noise of 0.02 % air.

    References
    ----------
    Newey and West (1987), Econometrica 55, 703–708, and (1994), Review of Economic Studies 61,
    631–653 (lags); Huber (1981), Robust Statistics, chapter 7; Ljung and Box (1978), Biometrika
    65, 297–303; Belsley, Kuh and Welsch (1980), Regression Diagnostics, section 2.1 (DFBETAS);
    D'Agostino and Stephens (1986), Goodness-of-Fit Techniques, section 4.8.5 (normality).
    """
    paths = unadjusted_paths(ledger).with_columns(ledger["performed_on"])
    ranks = fit_trends(paths, level=level, fewest=fewest).select("series", "points", *_OF_RANKS)
    fitted = ranks.filter(~pl.col("resolution_limited"), pl.col("points") >= fewest)["series"]
    by_series = paths.drop_nulls(["t_years", "value"]).sort("series", "t_years")
    chosen = by_series.filter(pl.col("series").is_in(fitted.implode()))
    rows = [
        {"series": path["series"][0]} | _line(path, level=level)
        for path in chosen.partition_by("series")
        if path["t_years"][0] < path["t_years"][-1]
    ]
    known = _known_lines(drift_steps(ledger), path_trends, fitted, level=level)
    lines = pl.DataFrame(rows, schema={name: PLAIN_TRENDS[name] for name in ("series", *_LINE)})
    return (
        ledger.select("series", "meter_id", "point_pct")
        .unique()
        .join(ranks.rename({"points": "visits"}), on="series", how="left")
        .join(lines, on="series", how="left")
        .join(known, on="series", how="left")
        .sort("meter_id", "point_pct")
        .with_columns(pl.col(pl.Float64).fill_nan(None))
        .select(pl.col(name).cast(kind) for name, kind in PLAIN_TRENDS.items())
    )


_LINE = (
    *("slope", "slope_low", "slope_high", "slope_p", "lags"),
    *("robust_slope", "robust_low", "robust_high"),
    *("residual_lag1", "resemblance_p", "influential_on", "influence", "influence_sds"),
    "normal_p",
)
_KNOWN = ("known_slope", "known_low", "known_high")


def _line(path: pl.DataFrame, *, level: float) -> dict[str, Any]:
    """Return the columns `_LINE` of one path."""
    from statsmodels.regression.linear_model import OLS  # noqa: PLC0415  # a second to load

    times, values = path["t_years"].to_numpy(), path["value"].to_numpy()
    columns = np.stack([np.ones(times.size), times - times.mean()], axis=1)
    lags = int(4 * (times.size / 100) ** (2 / 9))
    plain = OLS(values, columns).fit()
    if np.abs(plain.resid).max() < _NOTHING_PCT:
        slope = float(plain.params[1])
        return {"slope": slope, "slope_low": slope, "slope_high": slope, "robust_slope": slope}
    fit = plain.get_robustcov_results("HAC", maxlags=lags, use_correction=True, use_t=True)
    low, high = fit.conf_int(alpha=level)[1]
    return {
        "slope": float(fit.params[1]),
        "slope_low": float(low),
        "slope_high": float(high),
        "slope_p": float(fit.pvalues[1]),
        "lags": lags,
        **_robust(values, columns, level=level),
        **_residuals_say(plain, path, lags=lags),
    }


def _robust(values: Floats, columns: Floats, *, level: float) -> dict[str, float | None]:
    """Return Huber's line; nothing where so many residuals vanish that there is no scale."""
    from statsmodels.robust.norms import HuberT  # noqa: PLC0415
    from statsmodels.robust.robust_linear_model import RLM  # noqa: PLC0415
    from statsmodels.tools.sm_exceptions import ConvergenceWarning  # noqa: PLC0415

    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always")
        fit = RLM(values, columns, M=HuberT()).fit(tol=_SETTLED)
        low, high = fit.conf_int(alpha=level)[1]
    if any(issubclass(one.category, ConvergenceWarning) for one in told) or not fit.scale > 0:
        return {}
    return {
        "robust_slope": float(fit.params[1]),
        "robust_low": float(low),
        "robust_high": float(high),
    }


def _residuals_say(plain: "RegressionResults", path: pl.DataFrame, *, lags: int) -> dict[str, Any]:
    """Return what the residuals of a line say of it."""
    from statsmodels.stats.diagnostic import acorr_ljungbox, normal_ad  # noqa: PLC0415
    from statsmodels.tsa.stattools import acf  # noqa: PLC0415

    columns = plain.model.exog
    pulls = columns @ plain.normalized_cov_params
    hat = (pulls * columns).sum(axis=1)
    # A visit that the line must pass through has no residual to be judged by.
    left = np.where(hat < 1 - _NOTHING_PCT, plain.resid / np.maximum(1 - hat, _NOTHING_PCT), 0.0)
    # What leaving a visit out takes from the slope, in closed form: statsmodels fits anew for each.
    shifts = pulls[:, 1] * left
    most = int(np.argmax(np.abs(shifts)))
    enough = path.height >= _FEWEST_FOR_NORMAL
    return {
        "residual_lag1": float(acf(plain.resid, nlags=1, fft=False)[1]),
        "resemblance_p": float(acorr_ljungbox(plain.resid, lags=[lags])["lb_pvalue"].iloc[0]),
        "influential_on": path["performed_on"][most],
        "influence": float(shifts[most]),
        "influence_sds": float(shifts[most] / plain.bse[1]),
        "normal_p": float(normal_ad(plain.resid)[1]) if enough else None,
    }


def _known_lines(
    steps: pl.DataFrame, path_trends: pl.DataFrame, fitted: pl.Series, *, level: float
) -> pl.DataFrame:
    """Return the columns `_KNOWN` of every series whose noise and wander are known."""
    known = path_trends.filter(
        pl.col("series").is_in(fitted.implode()), pl.col("noise_sd") + pl.col("wander_sd") > 0
    )
    parts = steps.sort("series", "t_years").partition_by("series", as_dict=True)
    rows = [
        (series, *_known_line(parts[(series,)], noise=noise, wander=wander, level=level))
        for series, noise, wander in known.select("series", "noise_sd", "wander_sd").iter_rows()
        if (series,) in parts
    ]
    return pl.DataFrame(
        rows, schema={name: PLAIN_TRENDS[name] for name in ("series", *_KNOWN)}, orient="row"
    )


def _known_line(
    steps: pl.DataFrame, *, noise: float, wander: float, level: float
) -> tuple[float, float, float]:
    """Return slope and limits of drift steps whose covariance is known.

    It is that of `drift.trend.local_level`, whose batched fit is tested equal to this one.
    """
    from statsmodels.regression.linear_model import GLS  # noqa: PLC0415

    years, step = steps["years"].to_numpy(), steps["step"].to_numpy()
    shared = -(noise**2) * steps["shares_start"].to_numpy()[1:].astype(np.float64)
    covariance = np.diag(2 * noise**2 + wander**2 * years)
    covariance += np.diag(shared, 1) + np.diag(shared, -1)
    fit = GLS(step, years[:, None], sigma=covariance).fit(cov_type="fixed scale", use_t=False)
    low, high = fit.conf_int(alpha=level)[0]
    return float(fit.params[0]), float(low), float(high)
