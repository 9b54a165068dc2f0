"""This module puts recorded events beside the jumps of paths; it finds no jump."""

import polars as pl

from drift.frames import DAYS_PER_YEAR, EPOCH, Schema

# Work on a meter beside which a jump is no riddle, the likelier cause first.
_TELLING = ("dropped", "gauge_replaced")

# One row per jump, by series and time: after and by are the ends of the interval for its date,
# size_low to size_high that of its size in % air.  event is the action of the service table that
# lies in that time, and event_on its day; null where none does.
JUMP_EVENTS: Schema = {
    "series": pl.Int64,
    "meter_id": pl.String,
    "point_pct": pl.Float64,
    "size": pl.Float64,
    "size_low": pl.Float64,
    "size_high": pl.Float64,
    "after": pl.Date,
    "by": pl.Date,
    "event": pl.String,
    "event_on": pl.Date,
}


def link_jumps(
    changes: pl.DataFrame, *, ledger: pl.DataFrame, service: pl.DataFrame
) -> pl.DataFrame:
    """Return the jumps of a fleet with the drop or replacement at whose time they happened.

    Parameters
    ----------
    changes : pl.DataFrame
        Frame of `drift.frames.CHANGES`.
    ledger : pl.DataFrame
        Frame of `drift.frames.LEDGER`: which meter and point each series is.
    service : pl.DataFrame
        Input table `service`.

    Returns
    -------
    pl.DataFrame
        Frame of `JUMP_EVENTS`.  That two things happened at one time shows no cause.
    """
    points = ledger.select("series", "meter_id", "point_pct").unique()
    jumps = changes.join(points, on="series").with_columns(
        after=_to_date("t_low"), by=_to_date("t_high")
    )
    events = service.filter(pl.col("action").is_in(_TELLING)).select(
        "meter_id", event="action", event_on="performed_on"
    )
    met = (
        jumps.select("series", "t_after", "meter_id", "after", "by")
        .join(events, on="meter_id")
        .filter(pl.col("event_on").is_between("after", "by"))
        .sort(pl.col("event").replace_strict({name: at for at, name in enumerate(_TELLING)}))
        .unique(["series", "t_after"], keep="first", maintain_order=True)
        .select("series", "t_after", "event", "event_on")
    )
    return (
        jumps.join(met, on=["series", "t_after"], how="left")
        .sort("series", "t_after")
        .select(JUMP_EVENTS.keys())
        .cast(JUMP_EVENTS)  # type: ignore[arg-type]  # names to types
    )


def _to_date(column: str) -> pl.Expr:
    """Return the day on which a time in years since the epoch falls."""
    return pl.lit(EPOCH) + pl.duration(
        days=(pl.col(column) * DAYS_PER_YEAR).round(0).cast(pl.Int64)
    )
