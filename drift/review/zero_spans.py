"""This module says of every meter whether its zero moved or its span, since when and how fast."""

from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl
from scipy.special import ndtr, ndtri

from drift.arrays import Floats
from drift.conformity.weigh import Conformity
from drift.frames import Schema
from drift.limits.charting import chart_settings
from drift.limits.path_limits import path_limits
from drift.meter.hysteresis import HYSTERESIS, hysteresis
from drift.meter.segments import drift_steps
from drift.meter.zero_span import PARTS, SPAN, SPAN_AT_PCT, ZERO, zero_and_span
from drift.reference.weigh import Reference
from drift.review.policy import Policy
from drift.trend.fleet_drifts import FleetDrifts
from drift.trend.path_trend import fit_path_trends, path_weights

# One row per meter, visit and part that its readings tell (`data/zero_span.csv`): found_pct as
# found, path_pct without adjustments, each of them with standard error se_pct; law_se_pct is what
# not knowing the chamber scale adds; centre and limits are of the path, from its own first visits.
ZERO_SPAN_VISITS: Schema = {
    "meter_id": pl.String,
    "part": pl.String,
    "visit_id": pl.String,
    "performed_on": pl.Date,
    "points": pl.Int64,
    "found_pct": pl.Float64,
    "se_pct": pl.Float64,
    "law_se_pct": pl.Float64,
    "left_pct": pl.Float64,
    "path_pct": pl.Float64,
    "centre": pl.Float64,
    "lower": pl.Float64,
    "upper": pl.Float64,
    "beyond": pl.Boolean,
}
# One row per meter and part (`data/zero_span_drifts.csv`): drift of the path with its interval, %
# air a year; drift_p for that there is none; beyond_since the first visit of those that have been
# beyond limits up to the last.  finding: one of the four below; why says why nothing can be said.
ZERO_SPAN_DRIFTS: Schema = {
    "meter_id": pl.String,
    "part": pl.String,
    "visits": pl.Int64,
    "drift": pl.Float64,
    "drift_low": pl.Float64,
    "drift_high": pl.Float64,
    "drift_p": pl.Float64,
    "beyond_since": pl.Date,
    "finding": pl.String,
    "why": pl.String,
}
MOVES, NOT_SHOWN, TOO_FEW, CANNOT_SAY = "drifts", "no_drift_shown", "too_few_visits", "cannot_say"
ONE_POINT = "only one point was ever read"
NO_SPAN = "no visit read two points far enough apart"


@dataclass(frozen=True, slots=True)
class ZeroSpan:
    """Zero and span of the meters of a review.

    Attributes
    ----------
    visits, drifts : pl.DataFrame
        Frames of `ZERO_SPAN_VISITS` and `ZERO_SPAN_DRIFTS`, by meter and part.
    hysteresis : pl.DataFrame
        Frame of `drift.meter.hysteresis.HYSTERESIS`.
    """

    visits: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=ZERO_SPAN_VISITS))
    drifts: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=ZERO_SPAN_DRIFTS))
    hysteresis: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=HYSTERESIS))


def zero_span_of(
    read: tuple[pl.DataFrame, pl.DataFrame],
    weighed: tuple[Reference, Conformity],
    *,
    policy: Policy,
    fleet: FleetDrifts | None,
) -> ZeroSpan:
    """Follow zero and span by the dials and the scatter of a review; arguments as below.

    `read` are the ledger and the sittings, which tell which way readings were made.
    """
    (ledger, sessions), (reference, conformity) = read, weighed
    scatter = conformity.repeatability.select("meter_id", "repeatability_pct")
    found = weigh_zero_span(
        ledger, dials=reference.dials, repeatability=scatter, policy=policy, fleet=fleet
    )
    ways = hysteresis(sessions, repeatability=scatter, resolution_pct=policy.resolution_pct)
    return replace(found, hysteresis=ways)


def weigh_zero_span(
    ledger: pl.DataFrame,
    *,
    dials: pl.DataFrame,
    repeatability: pl.DataFrame,
    policy: Policy,
    fleet: FleetDrifts | None = None,
) -> ZeroSpan:
    """Follow zero and span of every meter.

    Parameters
    ----------
    ledger, dials, repeatability
        As for `drift.meter.zero_span.zero_and_span`.
    policy : Policy
        The baseline, the width of limits, the level of tests.
    fleet : FleetDrifts or None
        Of the fleet that these are some meters of; None where they are all of it.

    Notes
    -----
    A drift is said where its p value is below the level shared out over both parts of the meter;
    nothing is shared out over the fleet, whose confirmed drifts are those of its points.
    """
    split = zero_and_span(ledger, dials=dials, repeatability=repeatability).with_columns(
        series=pl.struct("meter_id", "part").rank("dense").cast(pl.Int64) - 1,
        visit=pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over("meter_id", "part"),
    )
    per_zero = dials.select("meter_id", law_slope=SPAN_AT_PCT * pl.col("k_sd") / pl.col("k") ** 2)
    split = split.join(per_zero, on="meter_id", how="left", maintain_order="left")
    limits = path_limits(_points(split), settings=chart_settings(policy))
    charted = split.join(limits, on=["series", "visit"], how="left", maintain_order="left")
    charted = charted.with_columns(pl.col("beyond").fill_null(value=False))
    if fleet is None:
        of_paths = path_weights(drift_steps(ledger), fewest=policy.trend_visits)
    else:
        of_paths = fleet.of_paths
    drifts = _drifts(split, of_paths, policy)
    return ZeroSpan(
        visits=charted.select(ZERO_SPAN_VISITS.keys()).cast(ZERO_SPAN_VISITS),  # type: ignore[arg-type]  # names to types
        drifts=_found(ledger, charted, drifts, policy),
    )


def _points(split: pl.DataFrame) -> pl.DataFrame:
    """Return the paths as `drift.limits.path_limits` takes them; the zero's goes beside the span's.

    A zero that never moved tells the span wrong by one and the same whatever the chamber scale.
    """
    zeros = split.filter(pl.col("part") == ZERO).select("meter_id", "visit_id", beside="path_pct")
    return split.join(zeros, on=["meter_id", "visit_id"], how="left", maintain_order="left").select(
        "series",
        "visit",
        "t_years",
        "anew",
        phase="gauge",
        value="path_pct",
        error="se_pct",
        beside=pl.col("beside"),
        law_slope=pl.when(pl.col("part") == SPAN).then("law_slope").otherwise(0.0),
    )


def _drifts(split: pl.DataFrame, of_paths: Floats, policy: Policy) -> pl.DataFrame:
    """Return the drift of each path; that of the span allows for an unknown chamber scale."""
    none = np.empty(0)
    trends = fit_path_trends(
        split.drop_nulls(["drift_step_pct", "years"]).select(
            "series",
            "t_years",
            "years",
            step="drift_step_pct",
            shares_start=~pl.col("anew"),
            resolution="step_pct",
            below=pl.lit(0.0),
            above=pl.lit(0.0),
        ),
        negligible=policy.negligible_drift_pct_per_year,
        level=policy.trend_level,
        fewest=policy.trend_visits,
        fleet=FleetDrifts(
            of_paths=of_paths, of_jumps=none, shares=none, learnt_from=0, meters=frozenset()
        ),
    )
    named = split.select("series", "meter_id", "part", "law_slope").unique("series")
    known = named.join(trends, on="series", how="left")
    zeros = known.filter(pl.col("part") == ZERO).select("meter_id", of_zero="drift")
    both = known.join(zeros, on="meter_id", how="left")
    width = float(ndtri(1 - policy.trend_level / 2))
    own = (pl.col("drift_high") - pl.col("drift_low")) / (2 * width)
    law = pl.when(pl.col("part") == SPAN).then(pl.col("of_zero") * pl.col("law_slope"))
    wider = ((own**2 + law.fill_null(0.0) ** 2).sqrt() / own).fill_nan(1.0)
    drift = pl.col("drift")
    # The p value's own deviate, nearer to 0 by as much as the error is wider.
    told, by = (both.select(of).to_series().to_numpy() for of in ("drift_p", wider))
    p = pl.Series(2 * ndtr(ndtri(np.clip(told / 2, 1e-300, 0.5)) / by))
    low, high = pl.col("drift_low"), pl.col("drift_high")
    return both.with_columns(
        # Where the dial shows too few steps there is no drift, only what they leave possible.
        drift_low=pl.coalesce(drift - wider * (drift - low), low),
        drift_high=pl.coalesce(drift + wider * (high - drift), high),
        drift_p=p.fill_nan(None),
    )


def _found(
    ledger: pl.DataFrame, charted: pl.DataFrame, drifts: pl.DataFrame, policy: Policy
) -> pl.DataFrame:
    """Return what is said of both parts of every meter."""
    key = ["meter_id", "part"]
    whole = ledger.group_by("meter_id").agg(points=pl.col("point_pct").n_unique())
    every = whole.join(pl.DataFrame({"part": list(PARTS)}), how="cross")
    inside = pl.col("visit").filter(~pl.col("beyond") & pl.col("path_pct").is_not_null()).max()
    told = charted.group_by(key).agg(
        visits=pl.len().cast(pl.Int64),
        beyond_since=pl.col("performed_on")
        .filter(pl.col("beyond") & (pl.col("visit") > inside.fill_null(0)))
        .min(),
    )
    level = policy.trend_level / len(PARTS)
    drift = pl.col("drift_p").le(level) & pl.col("drift").is_not_null()
    unsaid = pl.col("visits").fill_null(0) == 0
    return (
        every.join(told, on=key, how="left")
        .join(drifts.drop("series", "law_slope"), on=key, how="left")
        .with_columns(
            visits=pl.col("visits").fill_null(0),
            finding=pl.when(unsaid)
            .then(pl.lit(CANNOT_SAY))
            .when(pl.col("span_years").is_null())
            .then(pl.lit(TOO_FEW))
            .when(drift)
            .then(pl.lit(MOVES))
            .otherwise(pl.lit(NOT_SHOWN)),
            why=pl.when(unsaid & (pl.col("points") == 1))
            .then(pl.lit(ONE_POINT))
            .when(unsaid)
            .then(pl.lit(NO_SPAN)),
        )
        .sort("meter_id", pl.col("part") == SPAN)
        .select(ZERO_SPAN_DRIFTS.keys())
        .cast(ZERO_SPAN_DRIFTS)  # type: ignore[arg-type]  # names to types
    )
