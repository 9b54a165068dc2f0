"""This module estimates drift under reading noise and wander, and says what it shows.

It needs no model of a line with independent scatter: what makes a meter's path wander without
going anywhere is estimated, with the fleet's help, and kept out of the drift.  It forecasts
nothing.  The fit is ours because it mixes each series' generalised least squares over the ratios
that the whole fleet shows, in batches.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from drift.arrays import Flat, Floats, Integers, equal_length_blocks, flatten, take_block
from drift.frames import Schema
from drift.trend import local_level, t_mixtures
from drift.trend.equivalence import verdicts
from drift.trend.false_discovery import discovery_q
from drift.trend.fleet_drifts import FleetDrifts
from drift.trend.rank_tests import kendall_score, wander_p

# Numbers in one array of a block.
_CELLS = 100_000
# A path that moves less than this does not move, % air.
_STILL_PCT = 1e-9
# Slack when a range is compared with the dial's step, as a share of the step.
_SLACK = 1e-6
# Columns of steps that are fitted.
_OF_STEPS = ("step", "years", "shares_start", "resolution", "below", "above")
# Visits that may lie outside a cell and yet be read in it, by noise, before the chance is under
# 5 %: each is read in with probability at most ½, and ½⁵ < 0.05.
_STRAYS = 4

# One row per series: drift of the unadjusted path when reading noise and wander are kept apart, %
# air per year.  steps counts drift steps, span_years the time they cover.  drift_p is for "there
# is no drift", drift_q the same across the fleet (Benjamini–Hochberg).  noise_sd is of one
# visit's mean, % air; wander_sd of a year's wander, % air per square root of a year.  Where fewer
# than three of the dial's cells were seen, drift, noise_sd and wander_sd are null and the limits
# what so few cells leave possible.  verdict: drifting, shown_steady or undecided; null where
# there are too few visits.  kendall_p is Mann–Kendall's with the variance that this noise and
# wander give it, null above 128 visits.
PATH_TRENDS: Schema = {
    "series": pl.Int64,
    "steps": pl.Int64,
    "span_years": pl.Float64,
    "drift": pl.Float64,
    "drift_low": pl.Float64,
    "drift_high": pl.Float64,
    "drift_p": pl.Float64,
    "drift_q": pl.Float64,
    "noise_sd": pl.Float64,
    "wander_sd": pl.Float64,
    "verdict": pl.String,
    "kendall_p": pl.Float64,
}


@dataclass(frozen=True, slots=True)
class _Fits:
    """Generalised least squares of every series at every ratio of wander to noise.

    Attributes
    ----------
    log_likelihood, slope, unit_variance, squares : array, shape (series, ratios)
        Restricted log likelihood with slope and scale integrated out; slope; its variance for a
        mean step of variance 1; whitened sum of squares about it.  NaN where too short.
    freedom : array, shape (series,)
        Degrees of freedom of `squares`.
    span, mean_years : array, shape (series,)
        Time covered by the steps, and by their mean.
    moved, seen : array, shape (series,)
        Range of the path, and of the single readings on it.
    resolution : array, shape (series,)
        Coarsest step of the dial, 0 where unknown.
    bound : array, shape (series,)
        Largest drift, either way, at which the dial may still have shown so few cells.
    anew : array, shape (series,)
        Share of the inner visits that a step starts from with a reading of its own.
    kendall_s, kendall_variance : array, shape (series,)
        Of the path.
    """

    log_likelihood: Floats
    slope: Floats
    unit_variance: Floats
    squares: Floats
    freedom: Floats
    span: Floats
    mean_years: Floats
    moved: Floats
    seen: Floats
    resolution: Floats
    bound: Floats
    anew: Floats
    kendall_s: Floats
    kendall_variance: Floats


def fit_path_trends(
    steps: pl.DataFrame,
    *,
    negligible: float,
    level: float = 0.05,
    false_discovery_rate: float = 0.05,
    fewest: int = 6,
    fleet: FleetDrifts | None = None,
) -> pl.DataFrame:
    """Estimate the drift of each series from its drift steps, and what they show.

    Parameters
    ----------
    steps : pl.DataFrame
        Of `drift.meter.segments.drift_steps`.
    negligible : float
        Drift that does not matter, % air per year, over 0.
    level : float
        Two-sided error probability of the interval, and of each one-sided equivalence test.
    false_discovery_rate : float
        Share of false findings accepted among series said to drift.
    fewest : int
        Visits (steps and one) below which nothing but the number of steps is given, at least 4.
    fleet : FleetDrifts or None
        What is known of the fleet that these are some series of; None where they are all of it.

    Returns
    -------
    pl.DataFrame
        Columns of `drift.trend.path_trend.PATH_TRENDS`, one row per series with a step, ascending.

    Raises
    ------
    ValueError
        If a setting is out of range or a step or time is not finite.

    Notes
    -----
    Given the ratio of wander to noise (`drift.trend.local_level`), generalised least squares with
    the scale integrated out gives the slope a t distribution with one degree of freedom fewer
    than steps; the posterior of the ratio, whose prior is learnt from the fleet, mixes them.
    ``drift_p`` is twice the smaller tail beyond 0.  The interval and the test are calibrated
    on average over a fleet such as the one at hand, and by simulation (tests).

    Where the readings span fewer than three of the dial's cells the drift is null and the limits
    are what so few cells leave possible for the mean drift over the record: with all but four
    visits truly within the cells seen (more strays would have less than 1 chance in 20), it
    moved no further than their width, plus one cell for each time it was read anew.

    References
    ----------
    Harville (1974), Biometrika 61, 383–385 (restricted likelihood as a marginal posterior);
    Box and Tiao (1973), Bayesian Inference in Statistical Analysis, section 8.2; Schuirmann (1987).
    """
    _check(negligible=negligible, level=level, rate=false_discovery_rate, fewest=fewest)
    flat = flatten(steps, *_OF_STEPS)
    fits = _fit(flat, fewest=fewest)
    fitted = np.flatnonzero(~np.isnan(fits.freedom))
    moving = fitted[fits.moved[fitted] > _STILL_PCT]
    if fleet is None:
        weights = local_level.learn_weights(fits.log_likelihood[moving])
    else:
        weights = fleet.of_paths
    columns = {name: np.full(flat.series.size, np.nan) for name in PATH_TRENDS}
    columns["drift_p"][fitted] = columns["kendall_p"][fitted] = 1.0
    for freedom in np.unique(fits.freedom[moving]):
        at = moving[fits.freedom[moving] == freedom]
        share = local_level.ratio_posterior(fits.log_likelihood[at], weights)
        for name, values in _summary(fits, at, share, negligible=negligible, level=level).items():
            columns[name][at] = values
    limited = (fits.seen <= fits.resolution * (1 + _SLACK)) | (fits.moved <= _STILL_PCT)
    _confine(columns, fits, fitted[limited[fitted]], negligible=negligible)
    columns["drift_q"] = discovery_q(
        columns["drift_p"], among=None if fleet is None else fleet.drift_p
    )
    answers = verdicts(
        columns.pop("verdict"),
        columns["drift_q"],
        level=level,
        false_discovery_rate=false_discovery_rate,
    )
    unsaid = np.isnan(fits.freedom)
    return (
        pl.DataFrame(columns)
        .fill_nan(None)
        .with_columns(
            series=pl.Series(flat.series),
            steps=pl.Series(flat.lengths),
            verdict=pl.Series(np.where(unsaid, "", answers)).replace("", None),
        )
        .select(pl.col(name).cast(kind) for name, kind in PATH_TRENDS.items())
    )


def path_weights(steps: pl.DataFrame, *, fewest: int) -> Floats:
    """Return how common each ratio of wander to noise is among series, shape (ratios,).

    Parameters
    ----------
    steps, fewest
        As for `fit_path_trends`.
    """
    found = [
        local_level.fit_slopes(years, step, shares)["log_likelihood"][
            np.ptp(_path(years, step)[1], axis=1) > _STILL_PCT
        ]
        for _, years, step, shares in _blocks(flatten(steps, *_OF_STEPS), fewest=fewest)
    ]
    return local_level.learn_weights(
        np.concatenate([np.empty((0, local_level.RATIOS.size)), *found])
    )


def _check(*, negligible: float, level: float, rate: float, fewest: int) -> None:
    """Raise where a setting cannot be meant."""
    if not negligible > 0:
        raise ValueError(f"negligible is {negligible}; expected over 0")
    for name, value in (("level", level), ("false_discovery_rate", rate)):
        if not 0 < value < 1:
            raise ValueError(f"{name} is {value}; expected over 0 and under 1")
    if fewest < 4:
        raise ValueError(f"fewest is {fewest}; expected at least 4")


def _fit(flat: Flat, *, fewest: int) -> _Fits:
    """Fit every series with enough steps and time; the others stay NaN."""
    count = flat.series.size
    by_ratio = {
        name: np.full((count, local_level.RATIOS.size), np.nan)
        for name in ("log_likelihood", "slope", "unit_variance", "squares")
    }
    by_series = {
        name: np.full(count, np.nan)
        for name in (
            *("freedom", "span", "mean_years", "moved", "seen", "resolution", "bound"),
            *("anew", "kendall_s", "kendall_variance"),
        )
    }
    for at, years, step, shares in _blocks(flat, fewest=fewest):
        for name, values in local_level.fit_slopes(years, step, shares).items():
            by_ratio[name][at] = values
        seen = _coverage(flat, at, years, step, shares)
        for name, values in seen.items():
            by_series[name][at] = values
    return _Fits(**by_ratio, **by_series)


def _blocks(
    flat: Flat, *, fewest: int
) -> Iterator[tuple[Integers, Floats, Floats, NDArray[np.bool_]]]:
    """Yield places, times, steps and what shares a reading of series of equal length."""
    cells = _CELLS // local_level.RATIOS.size
    for length, block in equal_length_blocks(flat.lengths, fewest=fewest - 1, cells=cells):
        years = take_block(flat.columns["years"], flat.starts[block], length)
        elapsed = years.sum(axis=1) > 0
        at, years = block[elapsed], years[elapsed]
        if at.size:
            step = take_block(flat.columns["step"], flat.starts[at], length)
            shares = take_block(flat.columns["shares_start"], flat.starts[at], length) > 0
            yield at, years, step, shares


def _path(years: Floats, step: Floats) -> tuple[Floats, Floats]:
    """Return times and values of the paths that a block of steps makes, both from 0."""
    start = np.zeros((len(step), 1))
    return (
        np.concatenate([start, years.cumsum(axis=1)], axis=1),
        np.concatenate([start, step.cumsum(axis=1)], axis=1),
    )


def _coverage(
    flat: Flat, at: Integers, years: Floats, step: Floats, shares: NDArray[np.bool_]
) -> dict[str, Floats]:
    """Return what a block's steps cover in time and on the dial."""
    count, length = step.shape
    times, path = _path(years, step)
    highest, lowest = path.copy(), path.copy()
    highest[:, 1:] += take_block(flat.columns["above"], flat.starts[at], length)
    lowest[:, 1:] += take_block(flat.columns["below"], flat.starts[at], length)
    seen = highest.max(axis=1) - lowest.min(axis=1)
    dial = take_block(flat.columns["resolution"], flat.starts[at], length)
    resolution = np.where(np.isnan(dial), 0.0, dial).max(axis=1)
    strays = min(_STRAYS, length - 2)
    spans = [times[:, length - (strays - early)] - times[:, early] for early in range(strays + 1)]
    inner = np.min(spans, axis=0)
    anew = (~shares[:, 1:]).sum(axis=1)
    kendall_s, kendall_variance, _ = kendall_score(times, path)
    cells = 1 + np.ceil(seen / np.where(resolution > 0, resolution, np.inf) - _SLACK) + anew
    return {
        "freedom": np.full(count, length - 1.0),
        "span": times[:, -1],
        "mean_years": years.mean(axis=1),
        "moved": np.ptp(path, axis=1),
        "seen": seen,
        "resolution": resolution,
        "bound": cells * resolution / np.where(inner > 0, inner, np.nan),
        "anew": anew / (length - 1),
        "kendall_s": kendall_s,
        "kendall_variance": kendall_variance,
    }


def _summary(
    fits: _Fits, at: Integers, share: Floats, *, negligible: float, level: float
) -> dict[str, Floats]:
    """Return estimates, limits and p values of series of one length from their mixtures.

    ``verdict`` holds the larger one-sided p value of the equivalence test.
    """
    freedom = float(fits.freedom[at[0]])
    variance = fits.squares[at] / freedom
    mixed = t_mixtures.Mixtures(
        weight=share,
        centre=fits.slope[at],
        scale=np.sqrt(fits.unit_variance[at] * variance),
        freedom=freedom,
    )
    zero = np.zeros(at.size)
    tails = np.minimum(t_mixtures.below(mixed, zero), t_mixtures.above(mixed, zero))
    wander_share = local_level.RATIOS / (1 + local_level.RATIOS)
    ratios = local_level.RATIOS + fits.anew[at][:, None]
    return {
        "span_years": fits.span[at],
        "drift": (share * mixed.centre).sum(axis=1),
        "drift_low": t_mixtures.mixture_quantile(mixed, level / 2),
        "drift_high": t_mixtures.mixture_quantile(mixed, 1 - level / 2),
        "drift_p": 2 * tails,
        "noise_sd": np.sqrt((share * variance * (1 - wander_share)).sum(axis=1) / 2),
        "wander_sd": np.sqrt((share * variance * wander_share).sum(axis=1) / fits.mean_years[at]),
        "kendall_p": wander_p(
            fits.kendall_s[at],
            fits.kendall_variance[at],
            ratios=ratios,
            weights=share,
            visits=int(freedom) + 2,
        ),
        "verdict": np.maximum(
            t_mixtures.below(mixed, zero - negligible), t_mixtures.above(mixed, zero + negligible)
        ),
    }


def _confine(columns: dict[str, Floats], fits: _Fits, at: Integers, *, negligible: float) -> None:
    """Replace, for series that the dial's resolution limits, estimates by what it leaves possible.

    The test that there is a drift stays.
    """
    for name in ("drift", "noise_sd", "wander_sd"):
        columns[name][at] = np.nan
    columns["span_years"][at] = fits.span[at]
    columns["drift_low"][at] = -fits.bound[at]
    columns["drift_high"][at] = fits.bound[at]
    columns["verdict"][at] = np.where(fits.bound[at] <= negligible, 0.0, 1.0)


def fitted_trend(ledger: pl.DataFrame, path_trends: pl.DataFrame) -> pl.DataFrame:
    """Return each series' line of estimated drift, and the wedge of its interval, at every visit.

    Parameters
    ----------
    ledger, path_trends : pl.DataFrame
        Frames of those names.

    Returns
    -------
    pl.DataFrame
        Columns ``series visit fit low high``, % air; null where the drift is not known.  All
        lines go through the mean time and mean value of the path: the estimate is of a slope
        only, so the wedge shows how far the slope is known, not where the next point will lie.
    """
    centre = ledger.filter(pl.col("unadjusted_path_pct").is_finite()).group_by("series")
    means = centre.agg(mid=pl.col("t_years").mean(), mean=pl.col("unadjusted_path_pct").mean())
    away = pl.col("t_years") - pl.col("mid")
    edges = [pl.col("mean") + pl.col(edge) * away for edge in ("drift_low", "drift_high")]
    known = pl.col("drift").is_not_null()
    return (
        ledger.select("series", "visit", "t_years")
        .join(means, on="series", how="left", maintain_order="left")
        .join(path_trends, on="series", how="left", maintain_order="left")
        .select(
            "series",
            "visit",
            fit=pl.col("mean") + pl.col("drift") * away,
            low=pl.when(known).then(pl.min_horizontal(edges)),
            high=pl.when(known).then(pl.max_horizontal(edges)),
        )
    )
