"""This module judges the forecaster on a laboratory's own history; it forecasts nothing new.

Every past visit is forecast from the visits before it, with hyper-parameters fitted to what was
known when its year began, and compared with what the visit found.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from drift.frames import Schema
from drift.stats.blocks import Floats, Integers
from drift.stats.forecast.content import content_order, in_order_of_content, ordered
from drift.stats.forecast.habits import with_points_heard
from drift.stats.forecast.horizon import found_out
from drift.stats.forecast.hyper import Fit, fit_fleet
from drift.stats.forecast.model import Settings, make_grid
from drift.stats.forecast.past import found_means, look_back
from drift.stats.forecast.predict import Model
from drift.stats.forecast.rivals import straight_lines, with_record
from drift.stats.forecast.scores import (
    Flagging,
    brier,
    exact_interval,
    flagging,
    ranked_apart,
    reliability,
)
from drift.stats.forecast.visits import Visits, read_visits, visits_before

# One row per series and past visit with as-found readings: what was forecast and what was found.
# p_line, p_last and p_fleet are the same probability by a straight line through the unadjusted
# path, by the bias that the meter left with (0 or 1) and by the fleet's record so far; null where
# the method cannot say.  share_below is where the finding lies in its predicted distribution.
OUTCOMES: Schema = {
    "series": pl.Int64,
    "meter_id": pl.String,
    "visit": pl.Int64,
    "t_years": pl.Float64,
    "found_pct": pl.Float64,
    "found_out": pl.Boolean,
    "p_found_out": pl.Float64,
    "p_out": pl.Float64,
    "mean_low": pl.Float64,
    "mean_high": pl.Float64,
    "inside": pl.Boolean,
    "share_below": pl.Float64,
    "p_line": pl.Float64,
    "p_last": pl.Float64,
    "p_fleet": pl.Float64,
}

# One row per method, on the visits that all of them forecast.
SCORES: Schema = {
    "method": pl.String,
    "forecasts": pl.Int64,
    "failures": pl.Int64,
    "brier": pl.Float64,
    "ranked_apart": pl.Float64,
}

METHODS = {
    "p_found_out": "forecaster",
    "p_line": "straight line",
    "p_last": "last bias",
    "p_fleet": "fleet's record",
}

# Most series judged, evenly spread over the fleet: enough to judge by, and quick.
_MOST_SERIES = 400


@dataclass(frozen=True, slots=True)
class Proof:
    """How the forecaster did on visits that it had not seen.

    Attributes
    ----------
    outcomes, reliability, scores : pl.DataFrame
        Columns of `OUTCOMES`, `drift.stats.forecast.scores.RELIABILITY` and `SCORES`.
    flags : tuple of Flagging
        What flagging from each threshold on would have caught.
    band_level, coverage : float
        Nominal and actual coverage of the bands of as-found means; the latter NaN without visits.
    coverage_low, coverage_high : float
        Exact 95 % interval of the coverage, as if visits were independent.
    series, forecasts, failures : int
        Series judged, visits forecast, visits that found the meter out.
    """

    outcomes: pl.DataFrame
    reliability: pl.DataFrame
    scores: pl.DataFrame
    flags: tuple[Flagging, ...]
    band_level: float
    coverage: float
    coverage_low: float
    coverage_high: float
    series: int
    forecasts: int
    failures: int


def prove(
    ledger: pl.DataFrame,
    *,
    settings: Settings | None = None,
    flag_at: tuple[float, ...] = (0.1, 0.5),
    fit: Fit | None = None,
) -> Proof:
    """Judge the forecaster on the history of a fleet.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.frames.LEDGER`.
    settings : Settings, optional
        As for `drift.stats.forecast.forecast`.
    flag_at : tuple of float
        Probabilities from which a meter would have been flagged.
    fit : Fit, optional
        Hyper-parameters for all years, such as those of the whole history; quicker, and a little
        flattering.  By default those of each year's beginning.

    Notes
    -----
    What is judged is the probability that a visit *finds* the meter out, since that is what a
    history can tell.  The time of each visit and the number of its readings are taken as known
    ahead, nothing else.  In the first year nothing is known of the fleet and the usual
    hyper-parameters are used.

    Raises
    ------
    ValueError
        If the ledger is empty, or holds a time or bias that is not finite.
    """
    settings = settings or Settings()
    chosen, visits = _chosen(ledger, settings)
    made = _forecast_past(visits, settings, fit)
    outcomes = _with_rivals(pl.DataFrame(made), chosen, settings)
    chance = outcomes["p_found_out"].to_numpy()
    happened = outcomes["found_out"].to_numpy().astype(bool)
    inside = int(outcomes["inside"].sum())
    low, high = exact_interval(inside, outcomes.height) if outcomes.height else (float("nan"),) * 2
    return Proof(
        outcomes=outcomes,
        reliability=reliability(chance, happened),
        scores=_scores(outcomes),
        flags=tuple(flagging(chance, happened, threshold=threshold) for threshold in flag_at),
        band_level=settings.band_level,
        coverage=inside / outcomes.height if outcomes.height else float("nan"),
        coverage_low=low,
        coverage_high=high,
        series=outcomes["series"].n_unique(),
        forecasts=outcomes.height,
        failures=int(happened.sum()),
    )


def _chosen(ledger: pl.DataFrame, settings: Settings) -> tuple[pl.DataFrame, Visits]:
    """Return the ledger and visits of at most `_MOST_SERIES` series, whatever their names."""
    visits = in_order_of_content(read_visits(ledger, resolution=settings.resolution))
    series = visits.series[visits.last]
    if series.size <= _MOST_SERIES:
        return ledger, visits
    places = np.linspace(0, series.size - 1, _MOST_SERIES).round().astype(np.int64)
    chosen = ledger.filter(pl.col("series").is_in(series[places].tolist()))
    return chosen, in_order_of_content(read_visits(chosen, resolution=settings.resolution))


def _forecast_past(
    visits: Visits, settings: Settings, given: Fit | None
) -> dict[str, Floats | Integers]:
    """Forecast every past visit with what was known when its year began."""
    shape = visits.years.shape
    names = ("p_found_out", "p_out", "mean_low", "mean_high", "share_below")
    made = {name: np.full(shape, np.nan) for name in names}
    wanted = (np.arange(shape[1]) > 0) & (visits.found_count > 0)
    year = np.floor(visits.years)
    for start in np.unique(year[wanted]):
        now = wanted & (year == start)
        fit = given or fit_fleet(
            visits_before(visits, float(start)),
            tolerance=settings.tolerance,
            sample=settings.sample,
        )
        grid = make_grid(fit.hyper, resolutions=visits.resolutions)
        model = Model(settings, fit.hyper, grid, {})
        seen = visits_before(visits, float(start) + 1.0)
        seen = with_points_heard(seen, hyper=fit.hyper, grid=grid)
        # As they come by what was known then, or the last digits would tell what came later.
        order = content_order(seen)
        past = look_back(ordered(seen, order), now[order], model)
        values = {
            "p_found_out": past.means.p_below + past.means.p_above,
            "p_out": past.levels.p_below + past.levels.p_above,
            "mean_low": past.means.low,
            "mean_high": past.means.high,
            "share_below": past.means.share_below,
        }
        for name in names:
            of_year = np.empty(shape)
            of_year[order] = values[name]
            made[name][now] = of_year[now]
    life, place = np.nonzero(wanted)
    found = np.stack([found_means(visits, np.arange(shape[0]), j) for j in range(shape[1])], axis=1)
    return {
        "series": visits.series[life],
        "visit": visits.visit[life, place],
        "t_years": visits.years[life, place],
        "found_pct": found[life, place],
        **{name: values[life, place] for name, values in made.items()},
    }


def _with_rivals(made: pl.DataFrame, ledger: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Add what happened and what simpler methods would have said."""
    before = ledger.sort("series", "visit").select(
        "series",
        "visit",
        "meter_id",
        seen_t_years=pl.col("t_years").shift(1).over("series"),
        left=pl.col("left_bias_pct").shift(1).over("series"),
        resolution=pl.col("resolution_pct").shift(1).over("series"),
    )
    out = found_out(made["found_pct"].to_numpy(), settings) > 0
    rows = (
        made.with_columns(
            found_out=pl.Series(out),
            inside=(pl.col("found_pct") >= pl.col("mean_low") - 1e-9)
            & (pl.col("found_pct") <= pl.col("mean_high") + 1e-9),
        )
        .join(before, on=["series", "visit"], how="left")
        .sort("series", "visit")
        .with_row_index("case")
    )
    left = rows["left"].fill_null(float("nan")).to_numpy()
    last = pl.Series(np.where(np.isnan(left), np.nan, found_out(left, settings)))
    rows = rows.with_columns(p_last=last.fill_nan(None)).join(
        straight_lines(rows, ledger, settings), on="case", how="left"
    )
    return with_record(rows).select(OUTCOMES.keys()).cast(OUTCOMES)  # type: ignore[arg-type]  # names to types


def _scores(outcomes: pl.DataFrame) -> pl.DataFrame:
    """Return the frame of `SCORES`."""
    both = outcomes.drop_nulls(list(METHODS))
    happened = both["found_out"].to_numpy().astype(bool)
    rows = [
        {
            "method": words,
            "forecasts": both.height,
            "failures": int(happened.sum()),
            "brier": brier(both[name].to_numpy(), happened),
            "ranked_apart": ranked_apart(both[name].to_numpy(), happened),
        }
        for name, words in METHODS.items()
    ]
    return pl.DataFrame(rows, schema=SCORES).fill_nan(None)
