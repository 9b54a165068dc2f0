"""This module forecasts a fleet from its ledger: it learns, filters, and joins points to meters.

What meters share is learnt from the fleet (`drift.forecast.learn`); `score` works out any of them
by it, and `forecast` does both.

The points of a meter move together, because most of what goes wrong (the mark, the hand, the
vessel) moves them all.  Neither the worst point's probability nor that of independent points is
then right for "some point is out"; they bound it.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import special

from drift.arrays import Floats, Integers
from drift.forecast.current_state import Columns, current_states
from drift.forecast.fit import Fit
from drift.forecast.grid.model import Settings
from drift.forecast.grid.predict import Model
from drift.forecast.grid.visits import read_visits
from drift.forecast.habits import with_points_heard
from drift.forecast.learn import Learnt, learn_fleet
from drift.forecast.naive import FORECASTS
from drift.frames import DAYS_PER_YEAR, Schema

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

# Nodes of the integral over what the points of a meter have in common.
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
    learnt = learn_fleet(ledger, settings=settings, fit=fit)
    return score(ledger, due=due, now=now, learnt=learnt)


def score(ledger: pl.DataFrame, *, due: pl.DataFrame, now: float, learnt: Learnt) -> Forecasts:
    """Forecast some meters by what was learnt from their fleet.

    Parameters
    ----------
    ledger : pl.DataFrame
        All rows of these meters, as for `forecast`.
    due, now
        As for `forecast`.
    learnt : Learnt
        By `drift.forecast.learn.learn_fleet`, from the fleet.

    Returns
    -------
    Forecasts
        To the last digit what `forecast` says of these meters, whichever stand beside them.

    Raises
    ------
    ValueError
        As from `forecast`, and where a dial is read to a step that none of the fleet's is.
    """
    settings, fit = learnt.settings, learnt.fit
    visits = read_visits(ledger, resolution=settings.resolution, dials=learnt.dials)
    model = Model(settings, fit.hyper, learnt.grid)
    visits = with_points_heard(visits, hyper=fit.hyper, grid=learnt.grid)
    lives = pl.DataFrame(
        {"series": visits.series[visits.last], "life": np.flatnonzero(visits.last)}
    )
    asked = due.select(pl.col("series").cast(pl.Int64), pl.col("due_t_years").cast(pl.Float64))
    wanted = lives.join(asked.drop_nulls(), on="series", how="inner").sort("series")
    if wanted.is_empty():
        return _nothing(learnt)
    life = wanted["life"].to_numpy()
    made = current_states(visits, life, model, now=now, due=wanted["due_t_years"].to_numpy())
    ids = pl.Series(visits.meter_ids)[visits.meter[life]]
    readings = [
        np.count_nonzero(~np.isnan(each[life]), axis=(1, 2)) for each in (visits.found, visits.left)
    ]
    series = wanted.with_columns(meter_id=ids, readings=pl.Series(readings[0] + readings[1]))
    meters, meter_horizons = _meters(
        made, series, settings, tie=learnt.tie, found_tie=learnt.found_tie
    )
    return Forecasts(
        series=_series(made, series),
        horizons=_horizons(made, series, settings, now),
        meters=meters,
        meter_horizons=meter_horizons,
        fit=fit,
        tie=learnt.tie,
        found_tie=learnt.found_tie,
    )


def _nothing(learnt: Learnt) -> Forecasts:
    """Return forecasts of no series."""
    return Forecasts(
        series=pl.DataFrame(schema=SERIES),
        horizons=pl.DataFrame(schema=HORIZONS),
        meters=pl.DataFrame(schema=METER_CHANCES),
        meter_horizons=pl.DataFrame(schema=METER_HORIZONS),
        fit=learnt.fit,
        tie=learnt.tie,
        found_tie=learnt.found_tie,
    )


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
    # In an order fixed by the values, or the last digits would tell the order of rows.
    order = np.lexsort((above, below, meter))
    below, above, meter = below[order], above[order], meter[order]
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    weights = weights / weights.sum()
    low, high = special.ndtri(below)[:, None], -special.ndtri(above)[:, None]
    root, rest = np.sqrt(tie), np.sqrt(1 - tie)
    inside = special.ndtr((high - root * nodes) / rest) - special.ndtr((low - root * nodes) / rest)
    log = np.log(np.maximum(inside, 1e-300))
    sums = np.zeros((meters, _NODES))
    np.add.at(sums, meter, log)
    joint = 1 - (np.exp(sums) * weights).sum(axis=1)
    single = np.clip(below + above, 0.0, 1.0)
    worst = np.full(meters, -1.0)
    np.maximum.at(worst, meter, single)
    total = np.bincount(meter, weights=single, minlength=meters)
    some = np.bincount(meter, minlength=meters) > 0
    chance: Floats = np.where(some, np.clip(joint, worst, np.minimum(total, 1.0)), np.nan)
    return chance
