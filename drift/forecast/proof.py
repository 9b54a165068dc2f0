"""This module judges the forecaster on a laboratory's own history, and scores what it said.

Every past visit is forecast from the visits before it, with hyper-parameters fitted to what was
known when its year began, and compared with what the visit found.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from drift.arrays import Flags, Floats, Integers
from drift.forecast.current_state import found_means, look_back
from drift.forecast.fit import Fit, fit_fleet
from drift.forecast.grid.content import content_order, in_order_of_content, ordered
from drift.forecast.grid.horizon import found_out
from drift.forecast.grid.model import Settings, make_grid
from drift.forecast.grid.predict import Model
from drift.forecast.grid.visits import Visits, read_visits, visits_before
from drift.forecast.habits import with_points_heard
from drift.forecast.naive import straight_lines, with_record
from drift.frames import Schema

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

# One row per band of forecast probability: how many forecasts, their mean, how many and what
# share of them came true, and the exact interval of that share.
RELIABILITY_BANDS: Schema = {
    "from_p": pl.Float64,
    "to_p": pl.Float64,
    "forecasts": pl.Int64,
    "mean_p": pl.Float64,
    "came_true": pl.Int64,
    "share": pl.Float64,
    "share_low": pl.Float64,
    "share_high": pl.Float64,
}

_EDGES = (0.0, 0.01, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)


def reliability(chance: Floats, happened: Flags) -> pl.DataFrame:
    """Return what became of forecasts by band of probability.

    Parameters
    ----------
    chance : array, shape (forecasts,)
        Forecast probabilities.
    happened : array of bool, shape (forecasts,)
        What came true.

    Returns
    -------
    pl.DataFrame
        Columns of `RELIABILITY_BANDS`, bands without a forecast left out.
    """
    band = np.clip(np.searchsorted(_EDGES, chance, side="right") - 1, 0, len(_EDGES) - 2)
    rows = []
    for place in np.unique(band):
        chosen = band == place
        hits, number = int(happened[chosen].sum()), int(chosen.sum())
        low, high = exact_interval(hits, number)
        rows.append(
            {
                "from_p": _EDGES[place],
                "to_p": _EDGES[place + 1],
                "forecasts": number,
                "mean_p": float(chance[chosen].mean()),
                "came_true": hits,
                "share": hits / number,
                "share_low": low,
                "share_high": high,
            }
        )
    return pl.DataFrame(rows, schema=RELIABILITY_BANDS)


@dataclass(frozen=True, slots=True)
class Flagging:
    """What a laboratory would have got from acting on probabilities from `threshold` on.

    Attributes
    ----------
    threshold : float
        Probability from which a meter is flagged.
    flags, failures, caught : int
        Forecasts flagged; visits that found the meter out; those of them that were flagged.
    caught_share, false_share : float
        Share of failures that were flagged, share of flags that were not followed by one; NaN
        where there are none.
    """

    threshold: float
    flags: int
    failures: int
    caught: int
    caught_share: float
    false_share: float


@dataclass(frozen=True, slots=True)
class Proof:
    """How the forecaster did on visits that it had not seen.

    Attributes
    ----------
    outcomes, reliability, scores : pl.DataFrame
        Columns of `OUTCOMES`, `drift.forecast.proof.RELIABILITY_BANDS` and `SCORES`.
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
        Frame of `drift.meter.ledger.LEDGER`.
    settings : Settings, optional
        As for `drift.forecast.forecasts.forecast`.
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
        model = Model(settings, fit.hyper, grid)
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


def brier(chance: Floats, happened: Flags) -> float:
    """Return the mean squared difference of forecast probabilities and what happened, NaN if none.

    References
    ----------
    Brier (1950), Verification of forecasts expressed in terms of probability, Monthly Weather
    Review 78, 1–3 (here half of his two-class score, as is usual).
    """
    return float(np.mean((chance - happened) ** 2)) if chance.size else float("nan")


def ranked_apart(chance: Floats, happened: Flags) -> float:
    """Return how often a case that happened had the higher probability; ties count half.

    The area under the receiver operating characteristic, by the Mann–Whitney statistic; NaN where
    all or none happened.

    References
    ----------
    Hanley and McNeil (1982), The meaning and use of the area under a receiver operating
    characteristic (ROC) curve, Radiology 143, 29–36.
    """
    positives = int(happened.sum())
    negatives = happened.size - positives
    if positives == 0 or negatives == 0:
        return float("nan")
    _, place, number = np.unique(chance, return_inverse=True, return_counts=True)
    last = np.cumsum(number)
    ranks = (last - (number - 1) / 2)[place]
    surplus = ranks[happened].sum() - positives * (positives + 1) / 2
    return float(surplus / (positives * negatives))


def exact_interval(hits: int, number: int, *, level: float = 0.95) -> tuple[float, float]:
    """Return the exact interval of a share.

    References
    ----------
    Clopper and Pearson (1934), Biometrika 26, 404–413.
    """
    # A second to load, and commands that prove nothing do without.
    from statsmodels.stats.proportion import proportion_confint  # noqa: PLC0415

    low, high = proportion_confint(hits, number, alpha=1 - level, method="beta")
    return float(low), float(high)


def flagging(chance: Floats, happened: Flags, *, threshold: float) -> Flagging:
    """Count what flags from `threshold` on would have caught."""
    flagged = chance >= threshold
    flags, failures = int(flagged.sum()), int(happened.sum())
    caught = int((flagged & happened).sum())
    return Flagging(
        threshold=threshold,
        flags=flags,
        failures=failures,
        caught=caught,
        caught_share=caught / failures if failures else float("nan"),
        false_share=1 - caught / flags if flags else float("nan"),
    )
