"""This module separates what a meter's zero does to its readings from what grows with the air.

By the law of the dial a mark in the wrong place, or a leak, puts the dial off by z at 0 % and by
z·(1 + a/k) at a % air (`drift.meter.dial.shape_of_mark`).  The *zero* is that z; the *span* is what
is left of the bias at 10 % air, and grows with the air content: a hand shifted on its shaft, water
in the chamber, a vessel off in volume.  Neither moves the other.
"""

import numpy as np
import polars as pl

from drift.frames import Schema

# Air content at which the span is stated, % air.
SPAN_AT_PCT = 10.0
ZERO, SPAN = "zero", "span"
PARTS = (ZERO, SPAN)
# Span points nearer to each other than this tell no line from a level, % air (as one calibration
# has them).
_APART_PCT = 2.0

# One row per meter, visit and part that its readings can tell, by meter, part and time.  found_pct
# is of the readings as found, left_pct what the visit left (as left where read, as found where
# nothing was adjusted), path_pct the running sum of steps from left to found: where it would be
# without adjustments.  se_pct is the standard error of found_pct by reading noise and rounding,
# law_se_pct what not knowing the chamber scale adds to the span, alike at all visits of one zero.
# step_pct is how far one step of the dial at each point moves it.  anew: the step to this visit
# starts from a reading of its own.
ZERO_SPAN: Schema = {
    "meter_id": pl.String,
    "part": pl.String,
    "visit_id": pl.String,
    "performed_on": pl.Date,
    "t_years": pl.Float64,
    "gauge": pl.Int64,
    "points": pl.Int64,
    "found_pct": pl.Float64,
    "se_pct": pl.Float64,
    "law_se_pct": pl.Float64,
    "left_pct": pl.Float64,
    "path_pct": pl.Float64,
    "step_pct": pl.Float64,
    "drift_step_pct": pl.Float64,
    "years": pl.Float64,
    "anew": pl.Boolean,
}

_VISIT = ["meter_id", "visit_id"]
# What is asked of each sitting.
_READ = (
    *("point_pct", "correct_air_pct", "resolution_pct", "as_found_bias_pct"),
    *("as_found_replicates", "as_left_bias_pct", "as_left_replicates", "left_bias_pct"),
)


def zero_and_span(
    ledger: pl.DataFrame, *, dials: pl.DataFrame, repeatability: pl.DataFrame
) -> pl.DataFrame:
    """Return zero and span of every visit that tells them.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    dials : pl.DataFrame
        Frame of `drift.meter.dial.DIALS`.
    repeatability : pl.DataFrame
        ``meter_id repeatability_pct``: standard deviation of one reading before rounding, % air.

    Returns
    -------
    pl.DataFrame
        Frame of `ZERO_SPAN`.

    Notes
    -----
    Where 0 % was read, that is the zero, whatever shape the rest has; else the line through two
    points or more at least 2 % air apart gives it.  The span is the least-squares amplitude of
    a/10 in what the zero leaves.  Both are sums of the biases with weights that the points alone
    decide, so that their errors follow: those of a sitting of n readings are σ² and the part of
    rounding that is new each time over n, and the part of it that stays while the true value does.

    References
    ----------
    JCGM 100 (GUM), 5.1.2, for the error of a sum; for rounding Widrow and Kollár (2008),
    Quantization Noise, chapter 5, as in `drift.meter.cause_likelihood`.
    """
    # Visits are numbered as they come: numbers are grouped and sorted quicker than names.
    visits = (
        ledger.group_by(_VISIT)
        .agg(
            pl.col("performed_on").min(),
            pl.col("t_years").min(),
            pl.col("gauge").max(),
            lost=(pl.col("evidence_lost") & pl.col("as_found_bias_pct").is_not_null()).any(),
            read_anew=pl.col("as_left_bias_pct").is_not_null().any(),
        )
        .sort("meter_id", "t_years", "visit_id")
        .with_columns(unit=pl.int_range(pl.len()), meter=pl.col("meter_id").rle_id())
    )
    rows = (
        ledger.select(*_VISIT, *_READ)
        .drop_nulls("correct_air_pct")
        .join(visits.select(*_VISIT, "unit"), on=_VISIT)
        .join(dials.select("meter_id", "k", "k_sd"), on="meter_id", how="left")
        .join(repeatability, on="meter_id", how="left")
        .drop(_VISIT)
    )
    found = _split(rows, bias="as_found_bias_pct", replicates="as_found_replicates")
    left_by = pl.when(pl.col("as_left_bias_pct").is_null()).then("as_found_replicates")
    left = _split(
        rows.with_columns(left_n=left_by.otherwise("as_left_replicates")),
        bias="left_bias_pct",
        replicates="left_n",
    )
    both = [
        found[part]
        .join(left[part].select("unit", left_pct="value"), on="unit", how="full", coalesce=True)
        .join(visits, on="unit", how="left")
        .with_columns(part=pl.lit(part), lane=len(PARTS) * pl.col("meter") + lane)
        for lane, part in enumerate(sorted(PARTS))
    ]
    return _with_paths(pl.concat(both))


def _split(rows: pl.DataFrame, *, bias: str, replicates: str) -> dict[str, pl.DataFrame]:
    """Return for each part ``unit value error law_error step points`` of one state."""
    read = rows.filter(pl.col(bias).is_not_null())
    weighed = _weights(read).with_columns(
        variance=_variance_of_mean(pl.col(replicates)), zero_bias=pl.col("zero") * pl.col(bias)
    )
    scale = SPAN_AT_PCT * pl.col("k_sd").first() / pl.col("k").first() ** 2
    size = pl.col("resolution_pct").fill_null(0.0)
    return {
        part: weighed.drop_nulls(part)
        .group_by("unit")
        .agg(
            value=(pl.col(part) * pl.col(bias)).sum(),
            error=(pl.col(part) ** 2 * pl.col("variance")).sum().sqrt(),
            law_error=pl.lit(0.0) if part == ZERO else pl.col("zero_bias").sum().abs() * scale,
            step=(pl.col(part) ** 2 * size**2).sum().sqrt(),
            points=pl.len().cast(pl.Int64),
        )
        for part in PARTS
    }


def _weights(read: pl.DataFrame) -> pl.DataFrame:
    """Add the weights that each bias has in the zero and in the span of its visit."""
    air, k = pl.col("correct_air_pct"), pl.col("k")
    at_zero = pl.col("point_pct") == 0
    share = pl.when(~at_zero).then(air / SPAN_AT_PCT)
    return (
        read.with_columns(
            zeros=at_zero.sum().over("unit"),
            spans=(~at_zero).sum().over("unit"),
            reach=(air.max() - air.min()).over("unit"),
            once=share.sum().over("unit"),
            twice=(share**2).sum().over("unit"),
            middle=air.mean().over("unit"),
        )
        .with_columns(away=air - pl.col("middle"))
        .with_columns(slope=pl.col("away") / (pl.col("away") ** 2).sum().over("unit"))
        .with_columns(
            # Weights of each bias in zero and span.
            zero=pl.when(pl.col("zeros") > 0)
            .then(at_zero.cast(pl.Float64) / pl.col("zeros"))
            .when(pl.col("reach") >= _APART_PCT)
            .then(1 / pl.col("spans") - pl.col("middle") * pl.col("slope"))
        )
        .with_columns(
            span=pl.when(pl.col("spans") == 0)
            .then(None)
            .when((pl.col("zeros") > 0) & ~at_zero)
            .then(share / pl.col("twice"))
            .when(pl.col("zeros") > 0)
            .then(-pl.col("zero") * (pl.col("once") / pl.col("twice") + SPAN_AT_PCT / k))
            .otherwise(SPAN_AT_PCT * (pl.col("slope") - pl.col("zero") / k)),
        )
    )


def _variance_of_mean(replicates: pl.Expr) -> pl.Expr:
    """Return the variance of the mean of a sitting's readings, rounding included."""
    step, sigma = pl.col("resolution_pct").fill_null(0.0), pl.col("repeatability_pct")
    ratio = pl.when(step > 0).then(sigma / step)
    harmonic = (-((2 * np.pi * ratio) ** 2)).exp()
    lasting = ((step / np.pi) ** 2 / 2 * harmonic).fill_null(0.0)
    fresh = sigma**2 + step**2 / 12 - lasting
    return lasting + fresh / replicates.cast(pl.Float64)


def _with_paths(rows: pl.DataFrame) -> pl.DataFrame:
    """Add steps from left to found and their running sum."""
    series = "lane"
    ordered = rows.sort(series, "unit")
    left_before = pl.col("left_pct").shift(1).over(series)
    step = pl.when(~pl.col("lost")).then(pl.col("value") - left_before)
    start = pl.coalesce("value", "left_pct", pl.lit(0.0)).first().over(series)
    travelled = step.fill_null(0.0).cum_sum().over(series)
    # As the ledger has it: where a step is hidden, the path is not known at that visit.
    known = step.is_not_null() | pl.col(series).is_first_distinct()
    stepped = ordered.with_columns(
        drift_step_pct=step,
        years=pl.col("t_years") - pl.col("t_years").shift(1).over(series),
        anew=pl.col("read_anew").shift(1).over(series).fill_null(value=False),
        path=pl.when(known).then(start + travelled),
    )
    return (
        stepped.filter(pl.col("value").is_not_null())
        .select(
            *("meter_id", "part", "visit_id", "performed_on", "t_years", "gauge", "points"),
            *("left_pct", "drift_step_pct", "years", "anew"),
            found_pct="value",
            se_pct="error",
            law_se_pct="law_error",
            path_pct="path",
            step_pct="step",
        )
        .select(ZERO_SPAN.keys())
        .cast(ZERO_SPAN)  # type: ignore[arg-type]  # names to types
    )
