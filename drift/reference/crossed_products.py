"""This module whitens the sittings of a fleet, block by block, and sums their products.

Within a block the bias is level(t) + noise, the level a random walk with a free start.  The
one-step prediction errors of the Kalman filter, divided by their standard deviations, are white
(Durbin & Koopman 2012, Time Series Analysis by State Space Methods, sections 2.2 and 2.9); the
first sitting of a block fixes its level and drops out.  Every column is filtered alike, so that
least squares on the filtered columns is generalised least squares on the given ones.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from drift.arrays import Floats, Integers
from drift.reference.crossed_design import Design
from drift.reference.mixed_model import CrossProducts, cross_products, join_products

_METERS_AT_ONCE = 250


@dataclass(frozen=True, slots=True)
class BlockSteps:
    """Steps from each sitting to the next within blocks: all first ones, then all second ones.

    The longest blocks come first, so that those which go on are the first of those before.

    Attributes
    ----------
    steps : array (n, m + 2)
        Differences of the columns, of the drift of the meter and of the response.
    years : array (n,)
        Time between the two sittings.
    counts : int array (positions,)
        How many blocks have a first step, a second one and so on.
    place : int array (n,)
        Where each step belongs in order of meter, block and time.
    group : int array (n,)
        The meter of each, 0 upwards, in that order.
    """

    steps: Floats
    years: Floats
    counts: Integers
    place: Integers
    group: Integers


def block_steps(design: Design, *, keep: Integers | None = None) -> Iterator[BlockSteps]:
    """Yield the steps of whole meters, so many of a large fleet at a time.

    Parameters
    ----------
    design : Design
    keep : int array, optional
        Columns to keep.
    """
    for first, last in _chunks(design):
        columns = _columns(design, first, last)
        if keep is not None:
            columns = columns[:, [*keep, -2, -1]]
        block, t = design.block[first:last], design.t_years[first:last]
        starts = np.flatnonzero(np.diff(block, prepend=block[0] - 1))
        lengths = np.diff(starts, append=len(block))
        longest = np.argsort(-lengths, kind="stable")
        at = [
            starts[longest[: int((lengths > position).sum())]] + position
            for position in range(1, int(lengths.max()))
        ]
        if not at:
            continue
        row = np.concatenate(at)
        kept = np.ones(len(block), dtype=bool)
        kept[starts] = False
        meter = design.meter[first:last][kept]
        yield BlockSteps(
            steps=columns[row] - columns[row - 1],
            years=t[row] - t[row - 1],
            counts=np.array([len(rows) for rows in at]),
            place=(np.cumsum(kept) - 1)[row],
            group=np.unique(meter, return_inverse=True)[1].astype(np.int64),
        )


def whitened_products(parts: Iterable[BlockSteps], *, wander: float) -> tuple[CrossProducts, float]:
    """Return the sums of products after whitening, and log |V| of the whitening.

    Parameters
    ----------
    parts : iterable of BlockSteps
        From `block_steps`.
    wander : float
        Variance per year of the random walk of a meter's level, over that of the noise; ≥ 0.

    Raises
    ------
    ValueError
        If no meter was seen twice without an adjustment between.
    """
    products, log_det = [], 0.0
    for part in parts:
        white, added = _whiten(part, wander)
        log_det += added
        products.append(
            cross_products(
                white[:, -1], group=part.group, group_design=white[:, [-2]], columns=white[:, :-2]
            )
        )
    if not products:
        raise ValueError("no meter was seen twice without an adjustment between")
    return join_products(products), log_det


def _chunks(design: Design) -> Iterator[tuple[int, int]]:
    """Yield row ranges that hold whole meters."""
    starts = np.flatnonzero(np.diff(design.meter, prepend=-1))
    bounds = [*starts[::_METERS_AT_ONCE].tolist(), len(design.meter)]
    yield from pairwise(bounds)


def _columns(design: Design, first: int, last: int) -> Floats:
    """Return bins, operators, extra, the meter's drift and the response of some rows."""
    count = last - first
    bins, operators = design.bins.height, design.operators.height
    columns = np.zeros((count, design.width + 2))
    row = np.arange(count)
    columns[row, design.bin_code[first:last]] = design.air[first:last]
    columns[row, bins + design.operator_code[first:last]] = 1.0
    columns[:, bins + operators : -2] = design.extra[first:last]
    columns[:, -2] = design.extra[first:last, -1]
    columns[:, -1] = design.response[first:last]
    return columns


def _whiten(part: BlockSteps, wander: float) -> tuple[Floats, float]:
    """Return the standardised prediction errors in order of meter, block and time.

    Second comes the sum of the log variances of the errors, in units of the noise variance.
    """
    white = np.empty_like(part.steps)
    error = np.zeros((part.counts[0], part.steps.shape[1]))
    spread = np.ones(part.counts[0])
    # The level follows the last sitting but for what was taken for noise in it.
    noise = np.zeros(part.counts[0])
    log_det, first = 0.0, 0
    for count in part.counts.tolist():
        here = slice(first, first + count)
        error, spread, noise = error[:count], spread[:count], noise[:count]
        error *= noise[:, None]
        error += part.steps[here]
        predicted = spread + wander * part.years[here]
        variance = predicted + 1
        white[part.place[here]] = error * (1 / np.sqrt(variance))[:, None]
        spread, noise = predicted / variance, 1 / variance
        log_det += float(np.log(variance).sum())
        first += count
    return white, log_det
