"""This module cuts a fleet into dense blocks of series of equal length.

Series of one length stacked as rows of a rectangle need no padding and no masks, so each formula
reads as it does for one series, with an axis in front.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]
# Probabilities on a grid, in the precision of the grid.
Masses = NDArray[np.float32] | NDArray[np.float64]
# Places in a text, and its bytes.


@dataclass(frozen=True, slots=True)
class Flat:
    """Rows of many series, sorted by series and time, with where each series starts.

    Attributes
    ----------
    series : array, shape (series,)
        Ascending, unique.
    starts, lengths : array, shape (series,)
        First row and number of rows of each series.
    columns : dict of str to array, shape (rows,)
        The values, in row order.
    """

    series: Integers
    starts: Integers
    lengths: Integers
    columns: dict[str, Floats]


def flatten(rows: pl.DataFrame, *columns: str) -> Flat:
    """Sort rows by series and time and take columns out as arrays.

    Parameters
    ----------
    rows : pl.DataFrame
        ``series``, ``t_years`` and `columns`.  Rows with a null in ``t_years`` or in the first of
        `columns` are left out; a null in a later column becomes NaN.
    columns : str
        The columns wanted besides ``t_years``; at least one.

    Raises
    ------
    ValueError
        If ``t_years`` or the first column holds a NaN or an infinity.
    """
    wanted = ("t_years", *columns)
    kept = rows.drop_nulls(["series", "t_years", columns[0]]).sort("series", "t_years")
    arrays = {name: kept[name].cast(pl.Float64).to_numpy().astype(np.float64) for name in wanted}
    for name in ("t_years", columns[0]):
        if not np.isfinite(arrays[name]).all():
            raise ValueError(f"column {name!r} holds a value that is not finite")
    keys = kept["series"].cast(pl.Int64).to_numpy()
    series, starts, lengths = np.unique(keys, return_index=True, return_counts=True)
    return Flat(series=series, starts=starts, lengths=lengths, columns=arrays)


def equal_length_blocks(
    lengths: Integers, *, fewest: int, cells: int, power: int = 1
) -> Iterator[tuple[int, Integers]]:
    """Yield the length and the positions of series of that length, in blocks.

    Parameters
    ----------
    lengths : array, shape (series,)
        Rows of each series.
    fewest : int
        Shorter series are left out.
    cells : int
        Roughly how many numbers one block may hold; bounds the memory and keeps it in the cache.
    power : int
        A series of length n takes n to this power numbers.
    """
    order = np.argsort(lengths, kind="stable")
    order = order[lengths[order] >= fewest]
    ends = np.flatnonzero(np.diff(lengths[order], append=-1)) + 1
    first = 0
    for end in ends:
        length = int(lengths[order[first]])
        rows = max(1, cells // max(1, length) ** power)
        for start in range(first, int(end), rows):
            yield length, order[start : min(start + rows, int(end))]
        first = int(end)


def take_block(values: Floats, starts: Integers, length: int) -> Floats:
    """Return the values of series that start at `starts` as rows of `length`."""
    taken: Floats = values[starts[:, None] + np.arange(length)]
    return taken
