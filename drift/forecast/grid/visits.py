"""This module turns a ledger into padded arrays that a filter can walk.

A *life* is what a series lives between two replacements of its gauge: its drift rate is one and
the same.  Lives, not series, are filtered; the last life of a series is the one to forecast.
"""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from drift.arrays import Flags, Floats, Integers

# Words of the ledger's events after which a gauge is another one (see `drift.meter.ledger`).
_RENEWING = r"(gauge replaced|mark established)"
# Its word for what readings alone say was done.
_UNRECORDED = "adjusted without a record"
# Columns of known jumps, as they are called here.
_JUMPS = {
    "jump": "known_jump_pct",
    "jump_sd": "known_jump_sd_pct",
    "later": "later_jump_pct",
    "later_sd": "later_jump_sd_pct",
}
# What tells one meter's visit from another.
_OCCASION = ("meter_id", "visit_id", "t_years")
# A step below this is read as this one: no dial or display of an air meter resolves it.
_FINEST = 1e-6


@dataclass(frozen=True, slots=True)
class Visits:
    """Visits of many lives, padded to the longest.

    Attributes
    ----------
    series, meter : array, shape (lives,)
        Series of the ledger; position of its meter in `meter_ids`.
    meter_ids : tuple of str
        Names of the meters.
    last : array of bool, shape (lives,)
        The life is its series' last.
    count : array, shape (lives,)
        Visits of each life.
    visit : array, shape (lives, visits)
        Visit number in the ledger, −1 where padded.
    years : array, shape (lives, visits)
        Time of each visit, `t_years`.
    found, left : array, shape (lives, visits, replicates)
        Biases of the replicates, % air, NaN where there are none.  Readings taken as left without
        any adjustment stand among `found`.
    found_count : array, shape (lives, visits)
        Replicates as found, without those taken as left.
    kind : array, shape (lives, visits)
        Position of the visit's resolution in `resolutions`.
    resolutions : array, shape (kinds,)
        The different steps to which dials are read, % air.
    reset : array of bool, shape (lives, visits)
        After its as-found readings the meter was adjusted for certain.
    mixed : array of bool, shape (lives, visits)
        It was read as found and as left without a record: read again, or adjusted.
    off : array, shape (lives, visits)
        Largest as-found mean of the points of the visit, without sign, % air, NaN for none.
    odds : array, shape (lives, visits)
        What the other points of a mixed visit say for an adjustment: the log of a likelihood ratio.
    occasion : array, shape (lives, visits)
        Number of the meter and visit, the same for all its points.
    jump, jump_sd : array, shape (lives, visits)
        Size of that adjustment where known and its standard uncertainty, % air, else NaN.
    later, later_sd : array, shape (lives, visits)
        The same of what was done after the visit, before the next, NaN for nothing or not known.
    jolt : array of bool, shape (lives, visits)
        Something unrecorded changed the meter before the visit.
    fresh : array of bool, shape (lives,)
        The life starts with an adjustment, not with a first visit.
    """

    series: Integers
    meter: Integers
    meter_ids: tuple[str, ...]
    last: Flags
    count: Integers
    visit: Integers
    years: Floats
    found: Floats
    left: Floats
    found_count: Integers
    kind: Integers
    resolutions: Floats
    reset: Flags
    mixed: Flags
    off: Floats
    odds: Floats
    occasion: Integers
    jump: Floats
    jump_sd: Floats
    later: Floats
    later_sd: Floats
    jolt: Flags
    fresh: Flags


def read_visits(ledger: pl.DataFrame, *, resolution: float) -> Visits:
    """Lay a ledger out as padded arrays.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`; it may have the further columns of
        `drift.meter.known_jumps.KNOWN_JUMPS`.
    resolution : float
        Step of a dial where the ledger gives none, % air.

    Raises
    ------
    ValueError
        If the ledger is empty or a time or bias is not finite.
    """
    if ledger.is_empty():
        raise ValueError("the ledger is empty; expected at least one visit")
    rows = _with_lives(_with_replicates(ledger, resolution))
    life = rows["life"].to_numpy()
    starts = np.flatnonzero(np.diff(life, prepend=-1))
    count = np.diff(starts, append=life.size)
    place = np.arange(life.size) - np.repeat(starts, count)
    shape = (starts.size, int(count.max()))

    def pad(values: NDArray[np.generic], fill: float) -> NDArray[np.generic]:
        padded = np.full(shape, fill, dtype=values.dtype)
        padded[life, place] = values
        return padded

    steps, kind = np.unique(rows["step"].to_numpy(), return_inverse=True)
    meter_ids = rows["meter_id"].unique().sort()
    meter = rows["meter_id"].to_numpy()[starts]
    series = rows["series"].to_numpy()[starts]
    years = rows["t_years"].to_numpy()
    if not np.isfinite(years).all():
        raise ValueError("column 't_years' holds a value that is not finite")
    return Visits(
        series=series,
        meter=np.searchsorted(meter_ids.to_numpy(), meter),
        meter_ids=tuple(meter_ids),
        last=np.append(series[1:] != series[:-1], True),
        count=count,
        visit=pad(rows["visit"].to_numpy(), -1),  # type: ignore[arg-type]  # stays integer
        years=pad(years, np.nan),  # type: ignore[arg-type]  # stays float
        found=_replicates(rows["found"], life, place, shape),
        left=_replicates(rows["left"], life, place, shape),
        found_count=pad(rows["found_count"].to_numpy(), 0),  # type: ignore[arg-type]  # as above
        kind=pad(kind, 0),  # type: ignore[arg-type]  # as above
        resolutions=steps,
        reset=pad(rows["reset"].to_numpy(), False),  # type: ignore[arg-type]  # stays boolean
        mixed=pad(rows["mixed"].to_numpy(), False),  # type: ignore[arg-type]  # as above
        off=pad(rows["off"].to_numpy(), np.nan),  # type: ignore[arg-type]  # stays float
        odds=np.zeros(shape),
        occasion=pad(rows["occasion"].to_numpy(), -1),  # type: ignore[arg-type]  # stays integer
        **{name: pad(rows[name].to_numpy(), np.nan) for name in _JUMPS},  # type: ignore[arg-type]  # as above
        jolt=pad(rows["jolt"].to_numpy(), False),  # type: ignore[arg-type]  # as above
        fresh=rows["fresh"].to_numpy()[starts],
    )


def recent_visits(visits: Visits, lives: Integers, first: Integers, *, width: int) -> Visits:
    """Return the lives `lives` from visit `first` on, at most `width` visits of them.

    Parameters
    ----------
    visits : Visits
        The fleet.
    lives, first : array, shape (lives,)
        Positions in `visits`, and the visit at which each begins.
    width : int
        Visits kept.
    """
    column = np.minimum(first[:, None] + np.arange(width), visits.years.shape[1] - 1)
    row = lives[:, None]
    return replace(
        visits,
        series=visits.series[lives],
        meter=visits.meter[lives],
        last=visits.last[lives],
        fresh=visits.fresh[lives],
        count=np.minimum(visits.count[lives] - first, width),
        visit=visits.visit[row, column],
        years=visits.years[row, column],
        found=visits.found[row, column],
        left=visits.left[row, column],
        found_count=visits.found_count[row, column],
        kind=visits.kind[row, column],
        reset=visits.reset[row, column],
        mixed=visits.mixed[row, column],
        off=visits.off[row, column],
        odds=visits.odds[row, column],
        occasion=visits.occasion[row, column],
        jump=visits.jump[row, column],
        jump_sd=visits.jump_sd[row, column],
        later=visits.later[row, column],
        later_sd=visits.later_sd[row, column],
        jolt=visits.jolt[row, column],
    )


def visits_before(visits: Visits, time: float) -> Visits:
    """Return the fleet as it was known just before `time` (`t_years`); lives may be empty."""
    seen = visits.years < time
    return replace(
        visits,
        count=seen.sum(axis=1),
        found=np.where(seen[:, :, None], visits.found, np.nan),
        left=np.where(seen[:, :, None], visits.left, np.nan),
        found_count=np.where(seen, visits.found_count, 0),
        reset=visits.reset & seen,
        mixed=visits.mixed & seen,
    )


def _with_replicates(ledger: pl.DataFrame, resolution: float) -> pl.DataFrame:
    """Reduce the ledger to what the filter needs, one row per series and visit."""
    missing = [name for name in _JUMPS.values() if name not in ledger.columns]
    ledger = ledger.with_columns(pl.lit(None, dtype=pl.Float64).alias(name) for name in missing)
    none = pl.lit([], dtype=pl.List(pl.Float64))
    # Replicates have no order of their own; that of rows in a file must not matter.
    found = pl.col("as_found_biases_pct").fill_null(none).list.sort()
    left = pl.col("as_left_biases_pct").fill_null(none).list.sort()
    declared = pl.lit(value=False)
    if _left_is_declared(ledger):
        declared, left = left.list.len() > 0, none
    final = pl.col("visit") == pl.col("visit").max().over("series")
    # A last visit that left with an unknown bias was adjusted after its readings.
    unknown = pl.col("left_bias_pct").is_null() & pl.col("later_jump_pct").is_null()
    reset = pl.col("adjusted").fill_null(value=False) | (final & unknown)
    reset = reset | (declared & (found.list.len() == 0))
    mixed = ~_is_recorded() & (found.list.len() > 0) & (left.list.len() > 0) & ~(final & unknown)
    reset, apart = reset & ~mixed, reset | mixed
    had_found = pl.col("as_found_biases_pct").is_not_null()
    return ledger.sort("series", "visit").select(
        "series",
        "meter_id",
        "visit",
        "t_years",
        "gauge",
        *(pl.col(name).fill_null(float("nan")).alias(short) for short, name in _JUMPS.items()),
        step=pl.col("resolution_pct").fill_null(resolution).clip(lower_bound=_FINEST),
        reset=reset,
        jolt=pl.col("evidence_lost").fill_null(value=False)
        & had_found
        & pl.col("later_jump_pct").shift(1).over("series", order_by="visit").is_null(),
        found_count=found.list.len().cast(pl.Int64),
        found=pl.when(apart).then(found).otherwise(found.list.concat(left)),
        left=pl.when(apart).then(left).otherwise(none),
        mixed=mixed,
        off=found.list.mean().abs().max().over(_OCCASION).fill_null(float("nan")),
        occasion=pl.struct(_OCCASION).rank("dense").cast(pl.Int64),
        renewed=pl.col("events").fill_null("").str.contains(_RENEWING) & final,
    )


def _is_recorded() -> pl.Expr:
    """Return whether somebody wrote down that the meter was adjusted."""
    told_by_readings = pl.col("events").fill_null("").str.contains(_UNRECORDED)
    return pl.col("adjusted").fill_null(value=False) & ~told_by_readings


def _left_is_declared(ledger: pl.DataFrame) -> bool:
    """Return whether as-left biases are right by definition, not by reading.

    Where the display is far finer than the biases found, readings as left cannot all be exactly
    right; a certificate with new coefficients can.
    """
    left = ledger["as_left_biases_pct"].drop_nulls().explode()
    found = ledger["as_found_bias_pct"].drop_nulls().abs()
    if left.is_empty() or found.is_empty():
        return False
    exact = (left.abs() < _FINEST).mean()
    resolution = ledger["resolution_pct"].drop_nulls().median()
    fine = resolution is not None and resolution < 0.1 * found.median()  # type: ignore[operator]  # numbers
    return bool(exact is not None and exact > 0.9 and fine)  # type: ignore[operator]  # numbers


def _with_lives(rows: pl.DataFrame) -> pl.DataFrame:
    """Cut series into lives where the gauge was replaced.

    A gauge replaced at a visit ends a life with the as-found readings and starts the next with
    the as-left ones; one replaced between visits starts it with the later visit.
    """
    next_gauge = pl.col("gauge").shift(-1).over("series")
    at_visit = (
        pl.col("reset")
        & ((next_gauge > pl.col("gauge")) | pl.col("renewed")).fill_null(value=False)
        & ~pl.col("jolt").shift(-1).over("series").fill_null(value=False)
    )
    rows = rows.with_columns(
        at_visit=at_visit,
        part=(pl.col("gauge") > pl.col("gauge").shift(1).over("series"))
        .fill_null(value=False)
        .cast(pl.Int64),
    )
    none = pl.lit([], dtype=pl.List(pl.Float64))
    born = rows.filter("at_visit").with_columns(
        born=pl.lit(value=True),
        found=pl.col("left"),
        left=none,
        found_count=pl.lit(0, dtype=pl.Int64),
        reset=pl.lit(value=False),
        mixed=pl.lit(value=False),
        jump=pl.lit(float("nan")),
        jump_sd=pl.lit(float("nan")),
        jolt=pl.lit(value=False),
        fresh=pl.lit(value=True),
        part=pl.lit(1, dtype=pl.Int64),
    )
    before = rows.with_columns(
        born=pl.lit(value=False),
        left=pl.when("at_visit").then(none).otherwise("left"),
        # The visit after a birth carries the rise of the count too; only one of the two cuts.
        part=pl.when(pl.col("at_visit").shift(1).over("series").fill_null(value=False))
        .then(0)
        .otherwise("part"),
        fresh=(pl.col("part") == 1)
        & ~pl.col("at_visit").shift(1).over("series").fill_null(value=False),
    )
    both = pl.concat([before, born.select(before.columns)]).sort("series", "visit", "born")
    return both.with_columns(
        life=((pl.col("series") != pl.col("series").shift(1)) | (pl.col("part") == 1))
        .fill_null(value=False)
        .cast(pl.Int64)
        .cum_sum()
    )


def _replicates(
    lists: pl.Series, life: Integers, place: Integers, shape: tuple[int, int]
) -> Floats:
    """Spread a column of lists over an array padded with NaN."""
    lengths = lists.list.len().cast(pl.Int64).to_numpy()
    padded = np.full((*shape, max(1, int(lengths.max()))), np.nan)
    if lengths.sum() == 0:
        return padded
    flat = lists.filter(lists.list.len() > 0).explode().cast(pl.Float64).to_numpy()
    if not np.isfinite(flat).all():
        raise ValueError("a list of biases holds a value that is not finite")
    row = np.repeat(np.arange(lengths.size), lengths)
    within = np.arange(flat.size) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    padded[life[row], place[row], within] = flat
    return padded
