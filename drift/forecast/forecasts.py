"""This module forecasts a fleet from its ledger: it fits, filters, and joins points to meters.

The points of a meter move together, because most of what goes wrong (the mark, the hand, the
vessel) moves them all.  Neither the worst point's probability nor that of independent points is
then right for "some point is out"; they bound it.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import special

from drift.arrays import Floats, Integers
from drift.forecast.current_state import Columns, current_states, look_back
from drift.forecast.fit import Fit, fit_fleet
from drift.forecast.grid.content import in_order_of_content
from drift.forecast.grid.model import Settings, make_grid
from drift.forecast.grid.predict import Model
from drift.forecast.grid.visits import Visits, read_visits
from drift.forecast.habits import with_points_heard
from drift.forecast.naive import FORECASTS
from drift.frames import DAYS_PER_YEAR, Schema

# From so many series on the grid is coarser: probabilities move by 0.01 in the mean square, which
# leaves their score as it is, and take less than half the time.
_MANY_SERIES = 1500
_MANY_SHARE, _MANY_RATES = 0.6, 8
# Meters whose past forecasts say how their points are tied, and visits of each.
_TIED_METERS = 60
_TIED_VISITS = 10

# One row per series: `FORECASTS` and what else is known.  p_out_due is of the true bias,
# p_found_out_due of the as-found mean, whose band is next_mean_low to next_mean_high; level_low
# to level_high is the band of the true bias now; p_out_then the chance that the last visit left
# it out.  p_steady, p_drifting and p_shock (steady but for a shock since the last adjustment, at
# most eight visits ago) sum to 1.  readings counts those since the gauge was last replaced: with
# none, all else is what the fleet is like.
SERIES: Schema = FORECASTS | {
    "meter_id": pl.String,
    "last_t_years": pl.Float64,
    "p_found_out_due": pl.Float64,
    "p_out_now": pl.Float64,
    "p_out_then": pl.Float64,
    "next_mean_low": pl.Float64,
    "next_mean_high": pl.Float64,
    "level_low": pl.Float64,
    "level_high": pl.Float64,
    "p_steady": pl.Float64,
    "p_drifting": pl.Float64,
    "p_shock": pl.Float64,
    "noise_sd": pl.Float64,
    "readings": pl.Int64,
}

# One row per series and horizon: level is the predicted true bias, low and high its band.
HORIZONS: Schema = {
    "series": pl.Int64,
    "horizon_days": pl.Int64,
    "on_t_years": pl.Float64,
    "level": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "p_out": pl.Float64,
}

# One row per meter, its points taken together; p_out columns null where no point has readings.
METER_CHANCES: Schema = {
    "meter_id": pl.String,
    "worst_series": pl.Int64,
    "p_out_due": pl.Float64,
    "p_found_out_due": pl.Float64,
    "p_out_now": pl.Float64,
    "p_out_then": pl.Float64,
}

# One row per meter and horizon.
METER_HORIZONS: Schema = {
    "meter_id": pl.String,
    "horizon_days": pl.Int64,
    "p_out": pl.Float64,
}

# A fleet without evidence is taken to have this correlation, with the say of so many pairs.
_USUAL_TIE, _USUAL_PAIRS = 0.5, 20.0
_LARGEST_TIE = 0.98
_NODES = 32


@dataclass(frozen=True, slots=True)
class Forecasts:
    """Everything that is forecast of a fleet.

    Attributes
    ----------
    series : pl.DataFrame
        Columns of `SERIES`, one row per series with a due time.
    horizons, meters, meter_horizons : pl.DataFrame
        Columns of `HORIZONS`, `METER_CHANCES`, `METER_HORIZONS`.
    fit : Fit
        The fleet's hyper-parameters.
    tie, found_tie : float
        Correlation between the points of a meter, of true and of found biases, 0 to 1.
    """

    series: pl.DataFrame
    horizons: pl.DataFrame
    meters: pl.DataFrame
    meter_horizons: pl.DataFrame
    fit: Fit
    tie: float
    found_tie: float


def forecast(
    ledger: pl.DataFrame,
    *,
    due: pl.DataFrame,
    now: float,
    settings: Settings | None = None,
    fit: Fit | None = None,
) -> Forecasts:
    """Forecast every series that has a due time.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`; see `drift.forecast.grid.visits.read_visits`.
    due : pl.DataFrame
        ``series`` and ``due_t_years``, when each is next seen.
    now : float
        The time that the forecasts speak for, `t_years`; not before the last visit.
    settings : Settings, optional
        The caller's choices.
    fit : Fit, optional
        Hyper-parameters of much the same fleet, found before; fitted to `ledger` where not given.

    Returns
    -------
    Forecasts
        ``p_out_due`` is the probability that the *true* bias is out of tolerance at the due time
        (or now, where that is later); ``p_found_out_due`` that the visit would find it so, with
        its noise, rounding and number of readings.  ``crossing`` is the median of the time at
        which the true bias first leaves the tolerance, null where it is later than the horizon.

    Raises
    ------
    ValueError
        If the ledger is empty, or holds a time or bias that is not finite.
    """
    settings = settings or Settings()
    visits = in_order_of_content(read_visits(ledger, resolution=settings.resolution))
    if fit is None:
        fit = fit_fleet(visits, tolerance=settings.tolerance, sample=settings.sample)
    if visits.series.size > _MANY_SERIES:
        grid = make_grid(
            fit.hyper, resolutions=visits.resolutions, share=_MANY_SHARE, rates=_MANY_RATES
        )
    else:
        grid = make_grid(fit.hyper, resolutions=visits.resolutions)
    model = Model(settings, fit.hyper, grid, {})
    visits = with_points_heard(visits, hyper=fit.hyper, grid=grid)
    lives = pl.DataFrame(
        {"series": visits.series[visits.last], "life": np.flatnonzero(visits.last)}
    )
    asked = due.select(pl.col("series").cast(pl.Int64), pl.col("due_t_years").cast(pl.Float64))
    wanted = lives.join(asked.drop_nulls(), on="series", how="inner").sort("life")
    if wanted.is_empty():
        return _nothing(fit)
    life = wanted["life"].to_numpy()
    made = current_states(visits, life, model, now=now, due=wanted["due_t_years"].to_numpy())
    tie, found_tie = point_ties(visits, model)
    ids = pl.Series(visits.meter_ids)[visits.meter[life]]
    readings = [
        np.count_nonzero(~np.isnan(each[life]), axis=(1, 2)) for each in (visits.found, visits.left)
    ]
    series = wanted.with_columns(meter_id=ids, readings=pl.Series(readings[0] + readings[1]))
    meters, meter_horizons = _meters(made, series, settings, tie=tie, found_tie=found_tie)
    return Forecasts(
        series=_series(made, series),
        horizons=_horizons(made, series, settings, now),
        meters=meters,
        meter_horizons=meter_horizons,
        fit=fit,
        tie=tie,
        found_tie=found_tie,
    )


def _nothing(fit: Fit) -> Forecasts:
    """Return forecasts of no series."""
    return Forecasts(
        series=pl.DataFrame(schema=SERIES),
        horizons=pl.DataFrame(schema=HORIZONS),
        meters=pl.DataFrame(schema=METER_CHANCES),
        meter_horizons=pl.DataFrame(schema=METER_HORIZONS),
        fit=fit,
        tie=0.0,
        found_tie=0.0,
    )


def point_ties(visits: Visits, model: Model) -> tuple[float, float]:
    """Return how the points of a meter are tied: true biases, and biases as found.

    The second is the correlation of how past forecasts came out.  Reading noise, each point's
    own, is part of it; the first is the second divided by the levels' share of the variance.
    """
    points = np.bincount(visits.meter[visits.last])
    several = np.flatnonzero(points > 1)
    untold = tie_points(np.empty(0), np.empty(0, dtype=np.int64)), 0.0
    if several.size == 0:
        return untold
    chosen = several[np.linspace(0, several.size - 1, min(several.size, _TIED_METERS)).astype(int)]
    wanted = np.isin(visits.meter, chosen)[:, None] & (visits.found_count > 0)
    wanted[:, 0] = False
    # Every so many visits, alike for the points of a meter, which share their visits.
    wanted &= visits.visit % max(1, round(wanted.sum(axis=1).max() / _TIED_VISITS)) == 0
    past = look_back(visits, wanted, model)
    known = ~np.isnan(past.means.share_below)
    if not known.any():
        return untold
    scores = special.ndtri(np.clip(past.means.share_below[known], 1e-3, 1 - 1e-3))
    days = np.rint(visits.years * DAYS_PER_YEAR)
    meter = np.broadcast_to(visits.meter[:, None], days.shape)
    place = (meter[known] * 1_000_000 + days[known]).astype(np.int64)
    found = tie_points(scores, place)
    levels = ((past.levels.high - past.levels.low)[known] ** 2).mean()
    means = ((past.means.high - past.means.low)[known] ** 2).mean()
    return float(np.clip(found * means / levels, found, 0.98)), found


def _series(made: Columns, series: pl.DataFrame) -> pl.DataFrame:
    """Return the frame of `SERIES`."""
    columns = made | {
        "at_due": made["due_level"],
        "at_due_low": made["due_low"],
        "at_due_high": made["due_high"],
        "p_out_due": made["due_p_below"] + made["due_p_above"],
        "p_found_out_due": made["found_p_below"] + made["found_p_above"],
        "p_out_now": made["now_p_below"] + made["now_p_above"],
        "p_out_then": made["then_p_below"] + made["then_p_above"],
        "level": made["now_level"],
        "next_mean_low": made["found_low"],
        "next_mean_high": made["found_high"],
        "level_low": made["now_low"],
        "level_high": made["now_high"],
    }
    flat = {name: columns[name] for name in SERIES if name in columns}
    frame = series.select("series", "due_t_years", "meter_id", "readings").with_columns(
        **{name: pl.Series(values) for name, values in flat.items()}
    )
    return frame.fill_nan(None).select(SERIES.keys()).sort("series")


def _horizons(made: Columns, series: pl.DataFrame, settings: Settings, now: float) -> pl.DataFrame:
    """Return the frame of `HORIZONS`."""
    days = np.array(settings.horizons_days)
    count = series.height
    return pl.DataFrame(
        {
            "series": np.repeat(series["series"].to_numpy(), days.size),
            "horizon_days": np.tile(days, count),
            "on_t_years": np.tile(now + days / DAYS_PER_YEAR, count),
            "level": made["horizon_level"].ravel(),
            "low": made["horizon_low"].ravel(),
            "high": made["horizon_high"].ravel(),
            "p_out": (made["horizon_p_below"] + made["horizon_p_above"]).ravel(),
        },
        schema=HORIZONS,
    ).sort("series", maintain_order=True)


def _meters(
    made: Columns, series: pl.DataFrame, settings: Settings, *, tie: float, found_tie: float
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the frames of `METER_CHANCES` and `METER_HORIZONS`."""
    ids, meter = np.unique(series["meter_id"].to_numpy().astype(str), return_inverse=True)

    def joined(low: Floats, high: Floats, how_tied: float) -> Floats:
        return any_out(low, high, meter, meters=ids.size, tie=how_tied)

    due = made["due_p_below"] + made["due_p_above"]
    order = np.lexsort((series["series"].to_numpy(), -due, meter))
    first = order[np.unique(meter[order], return_index=True)[1]]
    frame = pl.DataFrame(
        {
            "meter_id": ids,
            "worst_series": series["series"].to_numpy()[first],
            "p_out_due": joined(made["due_p_below"], made["due_p_above"], tie),
            "p_found_out_due": joined(made["found_p_below"], made["found_p_above"], found_tie),
            "p_out_now": joined(made["now_p_below"], made["now_p_above"], tie),
            "p_out_then": joined(made["then_p_below"], made["then_p_above"], tie),
        },
        schema=METER_CHANCES,
    )
    low, high = made["horizon_p_below"], made["horizon_p_above"]
    chances = [joined(low[:, k], high[:, k], tie) for k in range(low.shape[1])]
    horizons = pl.DataFrame(
        {
            "meter_id": np.repeat(ids, low.shape[1]),
            "horizon_days": np.tile(settings.horizons_days, ids.size),
            "p_out": np.stack(chances, axis=1).ravel(),
        },
        schema=METER_HORIZONS,
    )
    return frame, horizons


def tie_points(scores: Floats, place: Integers) -> float:
    """Return the correlation of normal scores that share a place.

    Parameters
    ----------
    scores : array, shape (n,)
        Normal scores of how one-visit-ahead forecasts came out.
    place : array, shape (n,)
        Number of the meter and visit; scores of different points share it.

    Notes
    -----
    Intraclass correlation over all pairs, shrunk to 0.5 by twenty pairs' worth, kept in 0 to 0.98.
    """
    places, index = np.unique(place, return_inverse=True)
    total = np.bincount(index, weights=scores, minlength=places.size)
    square = np.bincount(index, weights=scores**2, minlength=places.size)
    number = np.bincount(index, minlength=places.size)
    several = number > 1
    pairs = (number[several] * (number[several] - 1) / 2).sum()
    if pairs == 0:
        return _USUAL_TIE
    products = (total[several] ** 2 - square[several]).sum() / 2
    variance = square[several].sum() / number[several].sum()
    raw = products / pairs / max(variance, 1e-12)
    shrunk = (pairs * raw + _USUAL_PAIRS * _USUAL_TIE) / (pairs + _USUAL_PAIRS)
    return float(np.clip(shrunk, 0.0, _LARGEST_TIE))


def any_out(below: Floats, above: Floats, meter: Integers, *, meters: int, tie: float) -> Floats:
    """Return the probability that some point of each meter is out, shape (meters,).

    Parameters
    ----------
    below, above : array, shape (series,)
        Each point's probability of being out on either side.
    meter : array, shape (series,)
        Its meter, 0 to `meters` − 1.
    meters : int
        Number of meters; NaN comes back for one without a point.
    tie : float
        Correlation of the points' normal scores.

    Notes
    -----
    One-factor Gaussian copula: given the common factor u the points are independent, so that ::

        P(all in) = ∫ φ(u) Π [Φ((b − √ρ u)/√(1 − ρ)) − Φ((a − √ρ u)/√(1 − ρ))] du

    with Φ(a) = P(below), Φ(b) = 1 − P(above), by Gauss–Hermite quadrature; the result is kept
    between the largest of the points' probabilities and their sum.

    References
    ----------
    Joe (2014), Dependence Modeling with Copulas, section 3.10.4 (one-factor normal copula).
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    weights = weights / weights.sum()
    low, high = special.ndtri(below)[:, None], -special.ndtri(above)[:, None]
    root, rest = np.sqrt(tie), np.sqrt(1 - tie)
    inside = special.ndtr((high - root * nodes) / rest) - special.ndtr((low - root * nodes) / rest)
    log = np.log(np.maximum(inside, 1e-300))
    sums = np.zeros((meters, _NODES))
    np.add.at(sums, meter, log)
    joint = 1 - np.exp(sums) @ weights
    single = np.clip(below + above, 0.0, 1.0)
    worst = np.full(meters, -1.0)
    np.maximum.at(worst, meter, single)
    total = np.bincount(meter, weights=single, minlength=meters)
    some = np.bincount(meter, minlength=meters) > 0
    chance: Floats = np.where(some, np.clip(joint, worst, np.minimum(total, 1.0)), np.nan)
    return chance
