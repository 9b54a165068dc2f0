"""This module picks the visits that set the limits of a chart.

A *block* is one phase of one series: the stretch in which nothing restarted the process.  Its
baseline is its first N visits with a reading, or those in a named window of time, and stays what
it is when later visits come in.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from drift.arrays import Flags, Floats, Integers

_NEEDED = ("series", "visit", "phase", "t_years", "value", "resolution")


@dataclass(frozen=True, slots=True)
class Baseline:
    """Points of a fleet in blocks, and which of them set the limits.

    Attributes
    ----------
    rows : pl.DataFrame
        The points that have a value, sorted by series, phase and visit.
    blocks : pl.DataFrame
        One row per block: ``series``, ``phase``, ``points`` (in the baseline), ``first_t_years``,
        ``last_t_years``, ``first_visit``, ``last_visit`` of the baseline, ``left_out`` (a
        sentence, empty where nothing was).
    block : array, shape (rows,)
        Block of each row.
    starts, lengths : array, shape (blocks,)
        First row and number of rows of each block.
    inside : array of bool, shape (rows,)
        The row belongs to the baseline.
    counts : array, shape (blocks,)
        Rows in the baseline of each block.
    values, resolutions : array, shape (rows,)
        The plotted values and the step they were read to, 0 for unrounded.
    """

    rows: pl.DataFrame
    blocks: pl.DataFrame
    block: Integers
    starts: Integers
    lengths: Integers
    inside: Flags
    counts: Integers
    values: Floats
    resolutions: Floats


def set_baseline(
    points: pl.DataFrame, *, visits: int, window: tuple[float, float] | None = None
) -> Baseline:
    """Sort points into blocks and mark the baseline of each.

    Parameters
    ----------
    points : pl.DataFrame
        One row per series and visit: ``series``, ``visit``, ``phase``, ``t_years``, ``value``,
        ``resolution`` (null means unrounded) and any further columns.  A column ``excluded``
        holds, where it is not null, the reason why a visit must not set limits; a Boolean column
        ``baseline`` names the visits of the baseline one by one, and then nothing else does.
    visits : int
        Length of the baseline where no `window` is given.
    window : tuple of float or None
        First and last t_years of the baseline, inclusive.  It is named for the process of its time:
        the baseline of a block that begins after it is its first `visits`.

    Raises
    ------
    ValueError
        If a column is missing, a number is not finite, a resolution is not positive, or a series
        has two rows for one visit.
    """
    rows, gaps = _checked(points)
    new = np.ones(len(rows), dtype=bool)
    for name in ("series", "phase"):
        values = rows[name].to_numpy()
        new[1:] &= values[1:] == values[:-1]
    new[1:] = ~new[1:]
    block, starts = np.cumsum(new) - 1, np.flatnonzero(new)
    inside = _chosen(rows, block, starts, visits=visits, window=window)
    rows = rows.with_columns(block=pl.Series(block), in_baseline=pl.Series(inside))
    return Baseline(
        rows=rows,
        blocks=_describe(rows, gaps),
        block=block,
        starts=starts,
        lengths=np.diff(starts, append=len(block)),
        inside=inside,
        counts=np.bincount(block[inside], minlength=len(starts)).astype(np.int64),
        values=rows["value"].to_numpy(),
        resolutions=rows["resolution"].fill_null(0.0).to_numpy(),
    )


def _chosen(
    rows: pl.DataFrame,
    block: Integers,
    starts: Integers,
    *,
    visits: int,
    window: tuple[float, float] | None,
) -> Flags:
    """Say which rows set the limits of their block; arguments as for `set_baseline`."""
    may = rows["excluded"].is_null().to_numpy()
    if "baseline" in rows.columns:
        return np.asarray(may & rows["baseline"].fill_null(value=False).to_numpy())
    so_far = np.cumsum(may)
    before = (so_far - may)[starts][block]
    chosen = may & (so_far - before <= visits)
    if window is None or not len(starts):
        return np.asarray(chosen)
    t_years = rows["t_years"].to_numpy()
    later = np.minimum.reduceat(t_years, starts)[block] > window[1]
    named = may & (t_years >= window[0]) & (t_years <= window[1])
    return np.asarray(np.where(later, chosen, named))


def _checked(points: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the rows with a value, in order, and the rows without one."""
    missing = [name for name in _NEEDED if name not in points.columns]
    if missing:
        raise ValueError(f"points lack the column(s) {', '.join(missing)}")
    for name in ("value", "t_years", "resolution"):
        unfit = points[name].cast(pl.Float64).is_finite().not_().sum()
        if unfit:
            raise ValueError(f"{unfit} of the points have a {name} that is no finite number")
    if (points["resolution"] <= 0).any():
        bad = points.filter(pl.col("resolution") <= 0)["resolution"].to_list()
        raise ValueError(
            f"a resolution of {bad[0]!r} cannot be: the step a dial is read to is above 0"
        )
    if "excluded" not in points.columns:
        points = points.with_columns(excluded=pl.lit(None, dtype=pl.String))
    ordered = points
    if not ascends(points, "series", "phase", "visit"):
        ordered = points.sort("series", "phase", "visit")
    by_visit = ordered
    if not ascends(ordered, "series", "visit"):
        by_visit = ordered.select("series", "visit").sort("series", "visit")
    series, visit = by_visit["series"].to_numpy(), by_visit["visit"].to_numpy()
    if np.any((series[1:] == series[:-1]) & (visit[1:] == visit[:-1])):
        raise ValueError("a series has two points for one visit: charts need one")
    filled = pl.col("value").is_not_null()
    return ordered.filter(filled), ordered.filter(~filled)


def ascends(rows: pl.DataFrame, *columns: str) -> bool:
    """Say whether rows already ascend by whole-number columns, which is quicker than sorting."""
    undecided = np.ones(max(len(rows) - 1, 0), bool)
    for name in columns:
        values = rows[name].to_numpy()
        if np.any(values[1:][undecided] < values[:-1][undecided]):
            return False
        undecided &= values[1:] == values[:-1]
    return True


def _describe(rows: pl.DataFrame, gaps: pl.DataFrame) -> pl.DataFrame:
    """Return one row per block: what its baseline is made of and what was left out, and why."""
    inside = pl.col("in_baseline")
    named = rows.filter(pl.col("excluded").is_not_null()).select(
        "series", "phase", "visit", why=pl.format("visit {}: {}", "visit", "excluded")
    )
    empty = gaps.select("series", "phase", "visit", why=pl.format("visit {}: no reading", "visit"))
    blocks = rows.group_by("series", "phase", maintain_order=True).agg(
        points=inside.sum().cast(pl.Int64),
        first_t_years=pl.col("t_years").filter(inside).min(),
        last_t_years=pl.col("t_years").filter(inside).max(),
        first_visit=pl.col("visit").filter(inside).min(),
        last_visit=pl.col("visit").filter(inside).max(),
    )
    if named.is_empty() and empty.is_empty():
        return blocks.with_columns(left_out=pl.lit(""))
    # Only what lies within the baseline could have helped to set it.
    left_out = (
        pl.concat([named, empty])
        .join(blocks.select("series", "phase", "last_visit"), on=["series", "phase"])
        .filter(pl.col("visit") <= pl.col("last_visit"))
        .sort("series", "phase", "visit")
        .group_by("series", "phase")
        .agg(left_out=pl.col("why").str.join("; "))
    )
    return blocks.join(
        left_out, on=["series", "phase"], how="left", maintain_order="left"
    ).with_columns(pl.col("left_out").fill_null(""))
