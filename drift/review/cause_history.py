"""This module says how likely each cause was visit by visit, and since when the likeliest leads."""

from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from drift.frames import DAYS_PER_YEAR, EPOCH, Schema
from drift.meter.causes import CAUSE_NAMES, NOTHING, CauseSettings, weigh_causes

# Latest visits that are weighed each by itself, which takes about 10 ms a visit.
VISITS_WEIGHED = 10

# One row per visit and cause, `NOTHING` included, by day and cause: what the readings of its
# segment up to that visit say.
CAUSE_STEPS: Schema = {
    "segment": pl.Int64,
    "on": pl.Date,
    "cause": pl.String,
    "probability": pl.Float64,
    "leads": pl.Boolean,
}


@dataclass(frozen=True, slots=True)
class CauseHistory:
    """How likely each cause of one meter was, visit by visit.

    Attributes
    ----------
    steps : pl.DataFrame
        Frame of `CAUSE_STEPS`.
    leader : str
        What is likeliest at the last visit: a name of `drift.meter.causes`, or `NOTHING`.
    since : date
        First of the visits in a row, up to the last, at which it was.
    visits : int
        How many these are.
    from_start : bool
        Whether they are all visits that were weighed.
    before : str or None
        What led at the visit before them.
    """

    steps: pl.DataFrame
    leader: str
    since: date
    visits: int
    from_start: bool
    before: str | None


def follow_causes(
    readings: pl.DataFrame, *, causes: pl.DataFrame, dials: pl.DataFrame, repeatability: float
) -> CauseHistory | None:
    """Weigh the causes of one meter anew as of each of its latest visits.

    Parameters
    ----------
    readings, causes : pl.DataFrame
        Rows of the meter of `drift.meter.causes.CAUSE_READINGS`, of the segments that were
        weighed, and of `drift.meter.causes.CAUSES`, which speak as of each segment's last visit.
    dials : pl.DataFrame
        Its row of `drift.meter.dial.DIALS`.
    repeatability : float
        Standard deviation of one reading, % air.

    Returns
    -------
    CauseHistory or None
        None where no visit could be weighed.

    Notes
    -----
    Each visit is weighed by the readings of its segment up to it, with what is known today of
    vessels and operators.  A segment's first visit tells nothing of what lasts and is left out.
    """
    at_ends = causes.drop_nulls("probability").select("segment", "cause", "probability")
    cuts = _cuts(readings.join(at_ends, on="segment", how="semi"))
    if cuts.is_empty():
        return None
    ends = cuts.filter("last").join(at_ends, on="segment")
    between = _weighed(readings, cuts.filter(~pl.col("last")), dials, repeatability)
    told = pl.concat([ends.select(_KEPT), between.select(_KEPT)])
    nothing = told.group_by("segment", "on").agg(
        probability=(1 - pl.col("probability").sum()).clip(lower_bound=0.0)
    )
    every = pl.concat([told, nothing.with_columns(cause=pl.lit(NOTHING)).select(_KEPT)])
    order = {name: place for place, name in enumerate((*CAUSE_NAMES, NOTHING))}
    most = pl.col("probability") == pl.col("probability").max().over("segment", "on")
    steps = (
        every.with_columns(place=pl.col("cause").replace_strict(order))
        .sort("on", "segment", "place")
        .with_columns(leads=most)
        # Two that are as likely cannot both lead.
        .with_columns(
            leads=pl.col("leads") & (pl.col("leads").cum_sum().over("segment", "on") == 1)
        )
        .select(CAUSE_STEPS.keys())
        .cast(CAUSE_STEPS)  # type: ignore[arg-type]  # names to types
    )
    return _since(steps)


_KEPT = ("segment", "on", "cause", "probability")


def _cuts(readings: pl.DataFrame) -> pl.DataFrame:
    """Return ``segment visit on last``: the latest visits that can be weighed, in time order."""
    found = readings.filter(~pl.col("mark_moved") & ~pl.col("hand_reset"))
    visits = found.group_by("segment", "visit").agg(t_years=pl.col("t_years").min())
    days = [EPOCH + timedelta(days=round(years * DAYS_PER_YEAR)) for years in visits["t_years"]]
    return (
        visits.with_columns(
            on=pl.Series(days, dtype=pl.Date),
            last=pl.col("visit") == pl.col("visit").max().over("segment"),
        )
        .filter(pl.col("visit") > 0)
        .sort("segment", "visit")
        .tail(VISITS_WEIGHED)
        .select("segment", "visit", "on", "last")
    )


def _weighed(
    readings: pl.DataFrame, cuts: pl.DataFrame, dials: pl.DataFrame, repeatability: float
) -> pl.DataFrame:
    """Return the causes as of each cut, each being a segment of its own to those who weigh."""
    if cuts.is_empty():
        return pl.DataFrame(schema={name: CAUSE_STEPS[name] for name in _KEPT})
    numbered = cuts.with_row_index("cut").with_columns(pl.col("cut").cast(pl.Int64))
    until = readings.join(
        numbered.select("segment", "cut", until="visit"), on="segment", how="inner"
    ).filter(pl.col("visit") <= pl.col("until"))
    weighed = weigh_causes(
        until.with_columns(segment="cut").drop("cut", "until"),
        dials=dials.select("meter_id", "k", "k_sd"),
        settings=CauseSettings(repeatability=repeatability),
    )
    return (
        weighed.drop_nulls("probability")
        .select("cause", "probability", cut="segment")
        .join(numbered, on="cut")
    )


def _since(steps: pl.DataFrame) -> CauseHistory:
    """Say what leads, and since when."""
    leaders = steps.filter("leads").sort("on", "segment")
    names, days = leaders["cause"].to_list(), leaders["on"].to_list()
    visits = next(
        (count for count, name in enumerate(reversed(names)) if name != names[-1]), len(names)
    )
    return CauseHistory(
        steps=steps,
        leader=names[-1],
        since=days[-visits],
        visits=visits,
        from_start=visits == len(names),
        before=None if visits == len(names) else names[-visits - 1],
    )
