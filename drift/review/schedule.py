"""This module says when each meter was last seen and is next due."""

from datetime import date

import polars as pl

from drift.frames import IN_USE
from drift.meter.calibrations import looks_forward


def build_schedule(
    ledger: pl.DataFrame, meters: pl.DataFrame, *, as_of: date, interval_days: int
) -> pl.DataFrame:
    """Return when each meter was seen and is due.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    meters : pl.DataFrame
        Rows of the input table ``meters``; may lack meters or be empty.
    as_of : date
        The date the review speaks for.
    interval_days : int
        Days between visits where a meter has no interval of its own.

    Returns
    -------
    pl.DataFrame
        One row per meter of the ledger, by meter_id: ``meter_id status last_visit_on visits
        segments calibrated_on interval_days next_due_on overdue speaks_for``.  calibrated_on is
        the last visit that looks forward (`drift.meter.calibrations`), null where none does: then
        the meter is due an interval after its first visit.  A retired or withdrawn meter is not
        due; speaks_for is the later of the due date and `as_of`, `as_of` where nothing is due.
    """
    known = meters.select("meter_id", "status", "interval_days").unique("meter_id", keep="last")
    in_use = pl.col("status").is_in(IN_USE)
    return (
        ledger.group_by("meter_id")
        .agg(
            last_visit_on=pl.col("performed_on").max(),
            visits=pl.col("visit_id").n_unique().cast(pl.Int64),
            segments=pl.col("segment").max(),
            first_visit_on=pl.col("performed_on").min(),
            calibrated_on=pl.col("performed_on").filter(looks_forward()).max(),
        )
        .join(known, on="meter_id", how="left")
        .with_columns(
            pl.col("status").fill_null("active"), pl.col("interval_days").fill_null(interval_days)
        )
        .with_columns(
            next_due_on=pl.when(in_use).then(
                pl.coalesce("calibrated_on", "first_visit_on") + pl.duration(days="interval_days")
            )
        )
        .with_columns(
            overdue=(pl.col("next_due_on") < as_of).fill_null(value=False),
            speaks_for=pl.max_horizontal("next_due_on", pl.lit(as_of)),
        )
        .drop("first_visit_on")
        .sort("meter_id")
    )
