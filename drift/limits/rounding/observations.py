"""This module lays out what baseline visits say of a process, for many blocks at once.

A visit is known by where its first reading lies, and by its *pattern*: how many readings, in what
step, and how far the others lie above the lowest.  Visits of one pattern have likelihoods of one
shape, so that a fleet needs few of them.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from drift.arrays import Floats, Integers
from drift.limits.baseline import Baseline

# Stands for "not rounded": a step far below anything a dial can show, relative to the values.
_UNROUNDED = 1e-9
# Span of whole numbers, in their number, up to which distinct ones are found by counting.
_COUNTED = 4


@dataclass(frozen=True, slots=True)
class Readings:
    """The readings of every visit, flat.

    Attributes
    ----------
    values : array, shape (readings,)
        Readings, visit by visit.
    starts, counts : array, shape (rows,)
        First reading and number of readings of each row of the baseline's rows.
    steps : array, shape (rows,)
        Step of each row's readings, above 0.
    """

    values: Floats
    starts: Integers
    counts: Integers
    steps: Floats


@dataclass(frozen=True, slots=True)
class Patterns:
    """Shapes of visits.

    Attributes
    ----------
    replicates : array of int, shape (patterns,)
    steps : array, shape (patterns,)
        Step of the readings.
    offsets : array, shape (patterns, most replicates)
        Readings above the lowest one, ascending; NaN beyond `replicates`.
    """

    replicates: Integers
    steps: Floats
    offsets: Floats


@dataclass(frozen=True, slots=True)
class Observations:
    """What the baseline says: one entry per visit (or per reading), in order of block.

    Attributes
    ----------
    block : array, shape (entries,)
        Block of each entry.
    lowest, mean : array, shape (entries,)
        Lowest reading of the entry and mean of its readings.
    pattern : array, shape (entries,)
        Index into `patterns`.
    row : array, shape (entries,)
        Row of the baseline's rows that each entry is from.
    patterns : Patterns
    """

    block: Integers
    lowest: Floats
    mean: Floats
    pattern: Integers
    row: Integers
    patterns: Patterns


def read_readings(baseline: Baseline) -> Readings:
    """Take the readings of every row out of the column ``values``.

    A row without them counts as one reading of its ``value``, in steps of its resolution divided
    by ``replicates`` where those are given, since a mean of n readings comes in steps of δ/n.
    """
    rows = baseline.rows
    # Of each block by itself: what other meters show must not move its limits.
    largest = np.maximum(np.abs(baseline.values[baseline.starts]), 1.0)
    unrounded = (_UNROUNDED * 10 ** np.ceil(np.log10(largest)))[baseline.block]
    steps = np.where(baseline.resolutions > 0, baseline.resolutions, unrounded)
    number = _column(rows, "replicates")
    if "values" not in rows.columns:
        one = np.ones(len(rows), np.int64)
        return Readings(baseline.values, np.arange(len(rows)), one, steps / number)
    lengths = rows["values"].list.len().fill_null(0).cast(pl.Int64).to_numpy()
    given = lengths > 0
    filled = rows.select(
        values=pl.when(pl.col("values").list.len() > 0)
        .then(pl.col("values"))
        .otherwise(pl.concat_list(pl.col("value")))
    )
    values = filled["values"].explode().to_numpy().astype(np.float64)
    if not np.isfinite(values).all():
        raise ValueError("a replicate reading is missing or no finite number")
    counts = np.where(given, lengths, 1)
    return Readings(
        values=values,
        starts=np.cumsum(counts) - counts,
        counts=counts,
        steps=np.where(given, steps, steps / number),
    )


def observe_visits(baseline: Baseline, readings: Readings) -> Observations:
    """Return one entry per baseline visit."""
    rows = np.flatnonzero(baseline.inside)
    counts = readings.counts[rows]
    most = int(counts.max(initial=1))
    place = np.arange(most)
    within = place < counts[:, None]
    flat = np.minimum(readings.starts[rows][:, None] + place, max(len(readings.values) - 1, 0))
    taken = np.sort(np.where(within, readings.values[flat], np.inf), axis=1)
    return _entries(baseline.block[rows], rows, taken, counts, readings.steps[rows])


def observe_readings(baseline: Baseline, readings: Readings) -> Observations:
    """Return one entry per reading of a baseline visit, as if visits had nothing in common."""
    rows = np.flatnonzero(baseline.inside)
    counts = readings.counts[rows]
    owner = np.repeat(rows, counts)
    shift = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    taken = readings.values[readings.starts[owner] + shift][:, None]
    return _entries(
        baseline.block[owner], owner, taken, np.ones(len(owner), np.int64), readings.steps[owner]
    )


def distinct(values: NDArray[Any]) -> tuple[NDArray[Any], Integers]:
    """Return distinct values, ascending, and the place of each value among them.

    Whole numbers within a modest span are counted, not sorted.
    """
    if len(values) == 0 or np.all(values == values[0]):
        return values[:1], np.zeros(len(values), np.int64)
    if values.dtype.kind == "i":
        low = int(values.min())
        span = int(values.max()) - low + 1
        if span <= _COUNTED * len(values):
            present = np.zeros(span, bool)
            present[values - low] = True
            place = np.cumsum(present) - 1
            return np.flatnonzero(present) + low, place[values - low]
    found, back = np.unique(values, return_inverse=True)
    return found, back.reshape(-1)


def _entries(
    block: Integers, row: Integers, taken: Floats, counts: Integers, steps: Floats
) -> Observations:
    """Return entries from sorted readings padded with infinity."""
    if not len(block):
        nothing = Patterns(np.zeros(0, np.int64), np.zeros(0), np.zeros((0, 1)))
        return Observations(block, np.zeros(0), np.zeros(0), block, row, nothing)
    lowest = taken[:, 0]
    inside = np.isfinite(taken)
    above = np.where(inside, taken - lowest[:, None], 0.0)
    cells = np.rint(above / steps[:, None]).astype(np.int64)
    _, step_code = distinct(steps)
    # Shapes are kept apart column by column, which beats sorting whole rows.
    code = step_code * (int(counts.max()) + 1) + counts
    for column in cells[:, 1:].T:
        _, code = distinct(code)
        code = code * (int(column.max()) + 1) + column
    _, pattern = distinct(code)
    first = np.zeros(int(pattern.max()) + 1, np.int64)
    first[pattern[::-1]] = np.arange(len(pattern))[::-1]
    return Observations(
        block=block,
        lowest=lowest,
        mean=lowest + above.sum(axis=1) / counts,
        pattern=pattern,
        row=row,
        patterns=Patterns(
            replicates=counts[first],
            steps=steps[first],
            offsets=np.where(inside[first], above[first], np.nan),
        ),
    )


def _column(rows: pl.DataFrame, name: str) -> Floats:
    """Return a count column as numbers, 1 where it is missing or null."""
    if name not in rows.columns:
        return np.ones(len(rows))
    counts = rows[name].cast(pl.Float64).fill_null(1.0).to_numpy()
    if np.any(counts < 1):
        raise ValueError(f"a visit has {name} below 1")
    return np.asarray(counts)
