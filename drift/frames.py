"""This module names the frames that cross from one layer to the next; it computes nothing.

Each constant maps column names to polars types; the comment above it gives the grain and what a
null means.  A frame that leaves a layer has these columns, sorted by its grain, unless its
docstring says otherwise.  Times are ``t_years``: days since 2000-01-01 divided by 365.25.
A *series* is one meter at one verification point.
"""

from dataclasses import dataclass, field
from datetime import date

import polars as pl

EPOCH = date(2000, 1, 1)
DAYS_PER_YEAR = 365.25

Schema = dict[str, pl.DataType | type[pl.DataType]]

# One row per meter, visit, stage and verification point: the replicates of one sitting.
# visit_id is the given one, else the ISO date.  bias_pct is the mean of reading minus correct air
# content, computed in decimal before it became a float; biases_pct the replicates themselves, in
# the order of replicate.  spread_pct (n − 1) is null for one replicate.  resolution_pct is the
# coarsest stated on the readings, null where none is.  readings_left_out counts replicates whose
# number is missing below the highest one.
SESSIONS: Schema = {
    "meter_id": pl.String,
    "visit_id": pl.String,
    "performed_on": pl.Date,
    "stage": pl.String,
    "point_pct": pl.Float64,
    "correct_air_pct": pl.Float64,
    "replicates": pl.Int64,
    "bias_pct": pl.Float64,
    "biases_pct": pl.List(pl.Float64),
    "spread_pct": pl.Float64,
    "resolution_pct": pl.Float64,
    "vessel_id": pl.String,
    "operator": pl.String,
    "water_temp_c": pl.Float64,
    "remarks": pl.String,
    "readings_left_out": pl.Int64,
}

# One row per row held back or line that could not be read; column is empty for a whole row.
HELD_BACK: Schema = {
    "file": pl.String,
    "line": pl.Int64,
    "column": pl.String,
    "reason": pl.String,
}

# One row per row that could not be read and names a meter: meter_id and dated as written, dated_on
# null where that is no day; column and reason are the first of its problems.
HELD_ROWS: Schema = {
    "file": pl.String,
    "line": pl.Int64,
    "table_name": pl.String,
    "meter_id": pl.String,
    "dated": pl.String,
    "dated_on": pl.Date,
    "column": pl.String,
    "reason": pl.String,
}

# One row per amended value: what was recorded first and what replaced it.
AMENDMENTS: Schema = {
    "table_name": pl.String,
    "row_key": pl.String,
    "column": pl.String,
    "old_value": pl.String,
    "new_value": pl.String,
    "old_file": pl.String,
    "old_line": pl.Int64,
    "new_file": pl.String,
    "new_line": pl.Int64,
}

# One row per input file; rows counts data rows, taken + held_back + known = rows.
# table_name is empty for a file that is no known table (then note says why it was passed over).
FILES: Schema = {
    "file": pl.String,
    "sha256": pl.String,
    "table_name": pl.String,
    "rows": pl.Int64,
    "taken": pl.Int64,
    "held_back": pl.Int64,
    "known": pl.Int64,
    "amended": pl.Int64,
    "note": pl.String,
}

# One row per meter, visit and verification point, in time order within a series.
# as_found/as_left are null where that stage was not read.  left_bias_pct is the bias the meter
# went away with: as left where read, else as found carried forward where nothing was adjusted,
# else null.  adjusted: the mark or hand was changed at this visit.  evidence_lost: it was changed
# and no as-found was read, or a change between visits hides the step.  drift_step_pct is as-found
# minus left_bias of the visit before, null where either is unknown; unadjusted_path_pct its running
# sum, starting at the first as-found bias (else 0).  segment counts from 1 and rises at each
# adjustment, so that the visit of an adjustment closes its segment.  phase rises with it and with
# the vessel (`drift.analysis.phases`), phase_began says why; gauge rises with each gauge replaced.
# calibration says what the visit answers for (``both``, ``looks_back``, ``looks_forward``,
# ``neither``; `drift.stats.calibrations`), points_missing which points it lacks, null for none.
LEDGER: Schema = {
    "series": pl.Int64,
    "meter_id": pl.String,
    "point_pct": pl.Float64,
    "visit": pl.Int64,
    "visit_id": pl.String,
    "performed_on": pl.Date,
    "t_years": pl.Float64,
    "correct_air_pct": pl.Float64,
    "as_found_bias_pct": pl.Float64,
    "as_found_spread_pct": pl.Float64,
    "as_found_replicates": pl.Int64,
    "as_found_biases_pct": pl.List(pl.Float64),
    "as_left_bias_pct": pl.Float64,
    "as_left_spread_pct": pl.Float64,
    "as_left_replicates": pl.Int64,
    "as_left_biases_pct": pl.List(pl.Float64),
    "left_bias_pct": pl.Float64,
    "resolution_pct": pl.Float64,
    "adjusted": pl.Boolean,
    "events": pl.String,
    "evidence_lost": pl.Boolean,
    "calibration": pl.String,
    "points_missing": pl.String,
    "drift_step_pct": pl.Float64,
    "unadjusted_path_pct": pl.Float64,
    "segment": pl.Int64,
    "phase": pl.Int64,
    "phase_began": pl.String,
    "gauge": pl.Int64,
    "vessel_id": pl.String,
    "operator": pl.String,
    "remarks": pl.String,
}

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

# One row per finding of a rule on a chart: limit is the bound passed, null for a run.
FINDINGS: Schema = {
    "series": pl.Int64,
    "chart": pl.String,
    "rule": pl.String,
    "visit": pl.Int64,
    "value": pl.Float64,
    "limit": pl.Float64,
}

# One row per series: trend of the unadjusted path.  Slopes are % air per year; null where there
# are too few visits or the estimate is not identifiable.
TRENDS: Schema = {
    "series": pl.Int64,
    "points": pl.Int64,
    "slope": pl.Float64,
    "slope_low": pl.Float64,
    "slope_high": pl.Float64,
    "intercept": pl.Float64,
    "residual_sd": pl.Float64,
    "mean_t_years": pl.Float64,
    "sum_squares_t": pl.Float64,
    "kendall_s": pl.Float64,
    "kendall_p": pl.Float64,
    "sen_slope": pl.Float64,
    "sen_low": pl.Float64,
    "sen_high": pl.Float64,
    "q": pl.Float64,
    "resolution_limited": pl.Boolean,
}

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


@dataclass(frozen=True, slots=True)
class Sources:
    """What the store holds, as of one date.

    Attributes
    ----------
    sessions, held_back, held_rows, amendments, files : pl.DataFrame
        Frames of the schemas above.
    marks, meters, vessels, service, responses, field_tests : pl.DataFrame
        Columns as in `drift.columns.TABLES`, amended values in force; empty where no file gave
        the table.
    """

    sessions: pl.DataFrame
    marks: pl.DataFrame
    meters: pl.DataFrame
    vessels: pl.DataFrame
    service: pl.DataFrame
    responses: pl.DataFrame
    field_tests: pl.DataFrame
    held_back: pl.DataFrame
    amendments: pl.DataFrame
    files: pl.DataFrame
    held_rows: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=HELD_ROWS))


def empty(schema: Schema) -> pl.DataFrame:
    """Return a frame of `schema` without rows."""
    return pl.DataFrame(schema=schema)


# One row per meter: `data/meters.csv`, in the order of the file.  Values speak for the meter's
# worst point (highest probability of being out at the next due date); obligations are tokens of
# `drift.decisions.obligations`, strongest first, act_by the first day by which one is to be met.
METERS: Schema = {
    "meter_id": pl.String,
    "standing": pl.String,
    "overdue": pl.Boolean,
    "last_visit_on": pl.Date,
    "next_due_on": pl.Date,
    "visits": pl.Int64,
    "segments": pl.Int64,
    "worst_point_pct": pl.Float64,
    "as_found_bias_pct": pl.Float64,
    "level_pct": pl.Float64,
    "drift_pct_per_year": pl.Float64,
    "drift_low": pl.Float64,
    "drift_high": pl.Float64,
    "trend_p": pl.Float64,
    "trend_q": pl.Float64,
    "p_out_now": pl.Float64,
    "p_out_next_due": pl.Float64,
    "crossing_on": pl.Date,
    "crossing_early": pl.Date,
    "crossing_late": pl.Date,
    "repeatability_pct": pl.Float64,
    "resolution_limited": pl.Boolean,
    "obligations": pl.String,
    "act_by": pl.Date,
    "reason": pl.String,
    "action": pl.String,
}

# One row per signal: `data/signals.csv`.  signal_id is made of meter, point, chart, rule and
# visit date alone, so that it stays the same from review to review.
SIGNALS: Schema = {
    "signal_id": pl.String,
    "meter_id": pl.String,
    "visit_on": pl.Date,
    "point_pct": pl.Float64,
    "chart": pl.String,
    "rule": pl.String,
    "value": pl.Float64,
    "limit": pl.Float64,
    "sentence": pl.String,
}

# One row per series: drift of the unadjusted path when reading noise and wander are told apart, %
# air per year.  steps counts drift steps, span_years the time they cover.  drift_p is for "there
# is no drift", drift_q the same across the fleet (Benjamini–Hochberg).  noise_sd is of one
# visit's mean, % air; wander_sd of a year's wander, % air per square root of a year.  Where fewer
# than three of the dial's cells were seen, drift, noise_sd and wander_sd are null and the limits
# what so few cells leave possible.  verdict: drifting, shown_steady or undecided; null where
# there are too few visits.  kendall_p is Mann–Kendall's with the variance that this noise and
# wander give it, null above 128 visits; huber_slope a robust line's, treating the scatter as
# independent.
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
    "huber_slope": pl.Float64,
}

# One row per series and jump of its unadjusted path, in time order.  It happened after the visit
# at t_before and was first seen at t_after; t_low to t_high is the interval for its date.  size is
# in % air, p for "there is none".  The drift of the series, % air per year, with its jumps taken
# out, is the same in all its rows.
CHANGES: Schema = {
    "series": pl.Int64,
    "t_before": pl.Float64,
    "t_after": pl.Float64,
    "t_low": pl.Float64,
    "t_high": pl.Float64,
    "size": pl.Float64,
    "size_low": pl.Float64,
    "size_high": pl.Float64,
    "p": pl.Float64,
    "drift": pl.Float64,
    "drift_low": pl.Float64,
    "drift_high": pl.Float64,
    "drift_p": pl.Float64,
}

# One row per scope (``fleet``, ``like`` meters, ``meter``), name and method: `data/intervals.csv`.
# meter_id is null but for a meter.  days is the interval at which the method's chance of being in
# tolerance falls to the target, low to high what it leaves possible; null where it cannot say.
# evidence counts what it rests on (checks, spells, visits); carried: the recommendation took it.
# The method ``recommendation`` holds the days to use and the reason.
INTERVALS: Schema = {
    "scope": pl.String,
    "name": pl.String,
    "meter_id": pl.String,
    "method": pl.String,
    "days": pl.Float64,
    "low_days": pl.Float64,
    "high_days": pl.Float64,
    "evidence": pl.Int64,
    "carried": pl.Boolean,
    "basis": pl.String,
}

# One row per series and horizon, and one for the due date: `data/forecast.csv`.  level_pct is the
# predicted true bias on that day with its band; p_out the probability that it is out of
# tolerance.  next_mean_low and next_mean_high, the band of the mean that the visit will find, stand
# at the due date alone.
FORECAST: Schema = {
    "meter_id": pl.String,
    "point_pct": pl.Float64,
    "horizon_days": pl.Int64,
    "on_date": pl.Date,
    "level_pct": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "p_out": pl.Float64,
    "next_mean_low": pl.Float64,
    "next_mean_high": pl.Float64,
}
