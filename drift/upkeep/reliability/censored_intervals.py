"""This module cuts a ledger into stretches in tolerance and periods between checks.

A *spell* begins where a meter is left in tolerance, at its first visit or after an adjustment, and
ends where a check finds it out.  It failed some time between the check that last saw it in and
the one that first saw it out, so its length is known to lie in (lower, upper].  A spell that an
adjustment cut short, or that still lasts, is longer than its lower bound: upper is null.

A visit that read too little to be a calibration (`drift.meter.calibrations`) ends a spell or a
period where it found the meter out, and otherwise neither ends nor begins one.

"In" and "out" are what the readings said, with their noise; no spell is corrected for it.
"""

from typing import Literal

import polars as pl

from drift.frames import DAYS_PER_YEAR, Schema
from drift.meter.calibrations import looks_back, looks_forward
from drift.meter.tolerance import within_tolerance

By = Literal["meter", "series"]

# One row per spell, by unit and start.  unit names a meter, or the number of a series.  starts
# is ``first_visit`` or ``adjustment``; ends is ``found_out``, ``adjusted`` (cut short by an
# adjustment, or by a change that nobody recorded when it was made) or ``still_in``.
SPELLS: Schema = {
    "unit": pl.String,
    "meter_id": pl.String,
    "start_t_years": pl.Float64,
    "starts": pl.String,
    "lower_days": pl.Float64,
    "upper_days": pl.Float64,
    "ends": pl.String,
}

# One row per period between two visits that began in tolerance and ended in a check.
PERIODS: Schema = {
    "unit": pl.String,
    "meter_id": pl.String,
    "end_t_years": pl.Float64,
    "days": pl.Float64,
    "passed": pl.Boolean,
}


def censored_intervals(
    ledger: pl.DataFrame, *, tolerance: float, comparison: str, by: By = "meter"
) -> pl.DataFrame:
    """Return the stretches in tolerance of every meter or series.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    tolerance, comparison
        As in `drift.meter.tolerance.within_tolerance`.
    by : {"meter", "series"}
        A meter is in while every point read is in, and out when one is.

    Returns
    -------
    pl.DataFrame
        Columns of `SPELLS`.  A spell that no later visit says anything about is left out, and so
        are one that ended on the day it began and one that began with a change whose as-left was
        not read.
    """
    return spells_of(judged_visits(ledger, tolerance=tolerance, comparison=comparison, by=by))


def spells_of(seen: pl.DataFrame) -> pl.DataFrame:
    """Return the stretches of `censored_intervals` from visits of `judged_visits`."""
    starts = _starts(seen)
    later = seen.filter(~pl.col("first")).select(
        "unit", "t_years", "seen_in", "adjusted", spell="segment"
    )
    last_segment = seen.group_by("unit").agg(last=pl.col("segment").max())
    out_at = pl.col("t_years").filter(~pl.col("seen_in")).min()
    held = (
        starts.join(later, on=["unit", "spell"], how="left")
        .filter(pl.col("t_years").is_null() | (pl.col("t_years") >= pl.col("start_t_years")))
        .sort("unit", "start_t_years", "t_years")
        .with_columns(out_at=out_at.over("unit", "spell"))
        .group_by("unit", "meter_id", "spell", "start_t_years", "starts")
        .agg(
            out_at=pl.col("out_at").first(),
            in_at=pl.col("t_years")
            .filter(
                pl.col("seen_in")
                & (pl.col("out_at").is_null() | (pl.col("t_years") < pl.col("out_at")))
            )
            .max(),
            adjusted=pl.col("adjusted").any(),
        )
        .join(last_segment, on="unit")
    )
    start = pl.col("start_t_years")
    ends = (
        pl.when(pl.col("out_at").is_not_null())
        .then(pl.lit("found_out"))
        .when(pl.col("adjusted") | (pl.col("last") > pl.col("spell")))
        .then(pl.lit("adjusted"))
        .otherwise(pl.lit("still_in"))
    )
    return (
        held.with_columns(
            lower_days=_days((pl.col("in_at") - start).fill_null(0.0)),
            upper_days=_days(pl.col("out_at") - start),
            ends=ends,
        )
        .filter(pl.coalesce("upper_days", "lower_days") > 0)
        .sort("unit", "start_t_years")
        .select(SPELLS.keys())
        .cast(SPELLS)  # type: ignore[arg-type]  # names to types
    )


def periods_of(visits: pl.DataFrame) -> pl.DataFrame:
    """Return the periods that began in tolerance and ended in a check.

    Parameters
    ----------
    visits : pl.DataFrame
        Of `judged_visits`.

    Returns
    -------
    pl.DataFrame
        Columns of `PERIODS`.  Left out are periods that began out of tolerance or in an unknown
        state, that a change of unknown date divides, or whose end was not read as found, and two
        visits of one day, between which no time passed.
    """
    # What lies between two checks without being one divides nothing, unless it adjusted.
    seen = visits.filter(pl.col("found_in").is_not_null() | pl.col("left_in").is_not_null())

    def before(column: str) -> pl.Expr:
        return pl.col(column).shift(1).over("unit")

    undivided = pl.col("segment") == before("segment") + before("adjusted").cast(pl.Int64)
    return (
        seen.with_columns(
            days=_days(pl.col("t_years") - before("t_years")),
            began_in=before("left_in"),
            undivided=undivided,
        )
        .filter(
            ~pl.col("first")
            & (pl.col("days") > 0)
            & pl.col("began_in").fill_null(value=False)
            & pl.col("undivided").fill_null(value=False)
            & pl.col("found_in").is_not_null()
        )
        .select("unit", "meter_id", "days", end_t_years="t_years", passed=pl.col("found_in"))
        .sort("unit", "end_t_years")
        .select(PERIODS.keys())
        .cast(PERIODS)  # type: ignore[arg-type]  # names to types
    )


def judged_visits(
    ledger: pl.DataFrame, *, tolerance: float, comparison: str, by: By
) -> pl.DataFrame:
    """Return one row per unit and visit: whether it was found in, seen in and left in tolerance.

    Returns
    -------
    pl.DataFrame
        ``unit meter_id t_years segment adjusted found_in seen_in left_in first``, by unit and
        time; the three verdicts are null where nothing was read, and where a meter's visit that
        is no calibration saw nothing out.  ``seen_in`` also counts an as-left reading of a visit
        at which nothing was adjusted.
    """

    def inside(column: str) -> pl.Expr:
        return within_tolerance(pl.col(column), tolerance=tolerance, comparison=comparison)

    unit = "meter_id" if by == "meter" else "series"
    untouched = pl.when(~pl.col("adjusted")).then("as_left_bias_pct")
    judged = ledger.with_columns(seen=pl.coalesce("as_found_bias_pct", untouched)).with_columns(
        found_in=inside("as_found_bias_pct"),
        seen_in=inside("seen"),
        left_in=inside("left_bias_pct"),
    )

    def every(column: str) -> pl.Expr:
        known = pl.col(column).drop_nulls()
        return pl.when(known.len() > 0).then(known.all())

    return (
        judged.group_by(unit, "visit_id")
        .agg(
            *([] if by == "meter" else [pl.col("meter_id").first()]),
            pl.col("t_years").min(),
            pl.col("segment").first(),
            pl.col("adjusted").any(),
            found_in=every("found_in"),
            seen_in=every("seen_in"),
            back=looks_back().any() if by == "meter" else pl.lit(value=True),
            forward=looks_forward().any() if by == "meter" else pl.lit(value=True),
            # A point whose state is unknown after an adjustment leaves the meter's unknown.
            left_in=pl.when(pl.col("left_in").is_null().any() & every("left_in"))
            .then(None)
            .otherwise(every("left_in")),
        )
        .with_columns(unit=pl.col(unit).cast(pl.String))
        .sort("unit", "t_years", "visit_id")
        .select("unit", "meter_id", pl.exclude("unit", "meter_id", "series"))
        .with_columns(
            found_in=_unless_acquitted(pl.col("found_in"), by="back"),
            seen_in=pl.when(pl.col("forward") & ~pl.col("adjusted"))
            .then("seen_in")
            .otherwise(_unless_acquitted(pl.col("seen_in"), by="back")),
            left_in=_unless_acquitted(pl.col("left_in"), by="forward"),
            first=pl.int_range(pl.len()).over("unit") == 0,
        )
        .drop("visit_id", "back", "forward")
    )


def _unless_acquitted(verdict: pl.Expr, *, by: str) -> pl.Expr:
    """Return a verdict, null where it would acquit a meter that was read too little for that."""
    return pl.when(pl.col(by) | ~verdict).then(verdict)


def _starts(seen: pl.DataFrame) -> pl.DataFrame:
    """Return the stretches that begin: at a first visit left as it was, and after adjustments."""
    begins = pl.col("left_in").fill_null(value=False) & (pl.col("first") | pl.col("adjusted"))
    return seen.filter(begins).select(
        "unit",
        "meter_id",
        start_t_years="t_years",
        spell=pl.col("segment") + pl.col("adjusted").cast(pl.Int64),
        starts=pl.when("adjusted").then(pl.lit("adjustment")).otherwise(pl.lit("first_visit")),
    )


def _days(years: pl.Expr) -> pl.Expr:
    """Return whole days: times are days divided by a constant, so that rounding is exact."""
    return (years * DAYS_PER_YEAR).round(0)
