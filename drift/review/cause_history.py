"""This module says how likely each cause was visit by visit, and since when the likeliest leads."""

from collections.abc import Container
from dataclasses import dataclass
from datetime import date, timedelta
from typing import NamedTuple

import polars as pl

from drift.frames import DAYS_PER_YEAR, EPOCH, Schema
from drift.meter.causes import CAUSE_NAMES, NOTHING, CauseSettings, cause_chances

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
    at_ends: dict[int, dict[str, float]] = {}
    for segment, cause, chance in causes.select("segment", "cause", "probability").iter_rows():
        if chance is not None:
            at_ends.setdefault(segment, {})[cause] = chance
    cuts = _cuts(readings, at_ends)
    if not cuts:
        return None
    between = _weighed(readings, [cut for cut in cuts if not cut.last], dials, repeatability)
    rows = []
    for cut in sorted(cuts, key=lambda cut: (cut.on, cut.segment)):
        chances = at_ends[cut.segment] if cut.last else between.get(cut, {})
        rows += _steps(cut, chances) if chances else []
    return _since(pl.DataFrame(rows, schema=CAUSE_STEPS, orient="row"), rows)


class _Cut(NamedTuple):
    """A visit up to which a segment is weighed; `last` is that it is its last."""

    segment: int
    visit: int
    on: date
    last: bool


# A row of `CAUSE_STEPS`.
_Step = tuple[int, date, str, float, bool]


def _steps(cut: _Cut, chances: dict[str, float]) -> list[_Step]:
    """Return the rows of one visit: its causes in their order, and what is left for nothing."""
    every = {name: chances[name] for name in CAUSE_NAMES if name in chances}
    every[NOTHING] = max(0.0, 1 - sum(every.values()))
    # Two that are as likely cannot both lead.
    leader = max(every, key=lambda name: every[name])
    return [(cut.segment, cut.on, name, chance, name == leader) for name, chance in every.items()]


def _cuts(readings: pl.DataFrame, segments: Container[int]) -> list[_Cut]:
    """Return the latest visits of segments that can be weighed, in time order."""
    began: dict[tuple[int, int], float] = {}
    columns = ("segment", "visit", "t_years", "mark_moved", "hand_reset")
    for segment, visit, years, *changed in readings.select(columns).iter_rows():
        if segment in segments and changed == [False, False]:
            before = began.get((segment, visit), years)
            began[segment, visit] = min(before, years)
    ends: dict[int, int] = {}
    for segment, visit in began:
        ends[segment] = max(visit, ends.get(segment, visit))
    return [
        _Cut(segment, visit, _day(began[segment, visit]), visit == ends[segment])
        for segment, visit in sorted(began)
        if visit > 0
    ][-VISITS_WEIGHED:]


def _day(t_years: float) -> date:
    """Return the day of a time in years since the epoch."""
    return EPOCH + timedelta(days=round(t_years * DAYS_PER_YEAR))


def _weighed(
    readings: pl.DataFrame, cuts: list[_Cut], dials: pl.DataFrame, repeatability: float
) -> dict[_Cut, dict[str, float]]:
    """Return the causes as of each cut, each being a segment of its own to those who weigh."""
    if not cuts:
        return {}
    numbered = pl.LazyFrame(
        [(place, cut.segment, cut.visit) for place, cut in enumerate(cuts)],
        schema={"cut": pl.Int64, "segment": readings.schema["segment"], "until": pl.Int64},
        orient="row",
    )
    until = (
        readings.lazy()
        .join(numbered, on="segment", how="inner")
        .filter(pl.col("visit") <= pl.col("until"))
        .with_columns(segment="cut")
        .drop("cut", "until")
        .collect()
    )
    found: dict[_Cut, dict[str, float]] = {}
    for row in cause_chances(
        until,
        dials=dials.select("meter_id", "k", "k_sd"),
        settings=CauseSettings(repeatability=repeatability),
    ):
        if row["probability"] is not None:
            found.setdefault(cuts[row["segment"]], {})[row["cause"]] = row["probability"]
    return found


def _since(steps: pl.DataFrame, rows: list[_Step]) -> CauseHistory:
    """Say what leads, and since when."""
    names = [cause for _, _, cause, _, leads in rows if leads]
    days = [on for _, on, _, _, leads in rows if leads]
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
