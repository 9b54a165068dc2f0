"""This module sets limits where few enough new points, or new replicates, fall outside.

What a baseline and similar meters leave possible is averaged over.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtri, ndtr, stdtrit

from drift.arrays import Floats, Integers
from drift.limits.baseline import Baseline
from drift.limits.rounding.cells import nearest_not_above
from drift.limits.rounding.observations import distinct
from drift.limits.rounding.pooled_scatter import Scatter, ScatterGroup
from drift.limits.rounding.posterior import (
    ProcessPosterior,
    moments,
    plotted_variance,
    settled,
    tails,
)
from drift.limits.rounding.replicate_spread import (
    normal_range_tail,
    normal_spread_tail,
    range_law,
    spread_law,
)
from drift.limits.rounding.visit_likelihood import Visit

_NEWTON_STEPS = 20
# Shares of a step to which the place of a lattice is kept apart for finely read dials.
_PLACES = 64
# Decimals of a grid unit that limits are given to: more would hang on the other meters in a sum.
_DECIMALS = 9

_QUANTILE_RATIO = 1.01
# Share of the nominal rate aimed at where steps are coarse: a scatter estimated a sixth too low, as
# happens on the marks of a dial, then still keeps the whole (simulated in the tests).
_MARGIN = 0.35


@dataclass(frozen=True, slots=True)
class RowReadings:
    """What is needed of every row to set its limits, in the unit of the values.

    Attributes
    ----------
    first : array, shape (rows,)
        One of its readings.
    replicates : array of int, shape (rows,)
    steps : array, shape (rows,)
    """

    first: Floats
    replicates: Integers
    steps: Floats


@dataclass(frozen=True, slots=True)
class RowLimits:
    """Limits of some rows.

    Attributes
    ----------
    rows : array of int
        Which rows.
    lower, upper, rate : array
        Limits in the unit of the values and the chance of a point outside them.
    """

    rows: Integers
    lower: Floats
    upper: Floats
    rate: Floats


def limits_of_rows(
    held: ProcessPosterior,
    baseline: Baseline,
    readings: RowReadings,
    *,
    members: Integers,
    case: Integers,
    nominal: float,
) -> RowLimits:
    """Set the limits of every row of some blocks.

    Parameters
    ----------
    held : Posterior
        What is held of each case.
    baseline : Baseline
    readings : RowReadings
    members, case : array of int, shape (members,)
        Places of the blocks in their group, and their cases.
    nominal : float
        False-alarm probability aimed at, both sides together.
    """
    group = held.group
    blocks = group.blocks[members]
    lengths = baseline.lengths[blocks]
    owner = np.repeat(np.arange(len(members)), lengths)
    rows = (
        np.arange(len(owner))
        - np.repeat(np.cumsum(lengths) - lengths, lengths)
        + baseline.starts[blocks][owner]
    )
    anchor = group.anchors[members][owner]
    first = (readings.first[rows] - anchor) / group.unit
    steps = readings.steps[rows] / group.unit
    place = _on_lattices if group.coarse else _on_edges
    lower, upper, rate = place(
        held, case[owner], first, readings.replicates[rows], steps, nominal=nominal
    )
    lower, upper = (np.round(each, _DECIMALS) for each in (lower, upper))
    return RowLimits(
        rows=rows, lower=anchor + group.unit * lower, upper=anchor + group.unit * upper, rate=rate
    )


def _on_lattices(
    held: ProcessPosterior,
    case: Integers,
    first: Floats,
    replicates: Integers,
    steps: Floats,
    *,
    nominal: float,
) -> tuple[Floats, Floats, Floats]:
    """Choose limits among the values that coarse dials can show."""
    snapped = np.rint(first)
    period = np.maximum(np.rint(steps), 1)
    shown = steps >= 2
    phase = np.where(shown, np.mod(snapped, period), 0).astype(np.int64)
    residual = np.where(shown, first - snapped, 0.0)
    lower, upper, rate = (np.empty(len(case)) for _ in range(3))
    for mine, (at, number, step) in _kinds(phase, replicates, steps):
        wanted, back = distinct(case[mine])
        below, above, values, spacing = tails(held, wanted, Visit(int(number), step, int(at)))
        first_out, last_out, chance = nearest_not_above(below, above, nominal=nominal)
        low, high = values[last_out] + spacing / 2, values[first_out] - spacing / 2
        short = np.flatnonzero(chance > nominal)
        if len(short):
            # So little is known that the tabulated values do not reach: Student's limits do.
            point = moments(held, Visit(int(number), step))
            width = stdtrit(point.df, 1 - nominal / 2) * np.hypot(point.sigma, point.centre_se)
            out = np.ceil(width[wanted[short]] / spacing + 0.5) * spacing
            middle = np.rint((point.centre[wanted[short]] - values[0]) / spacing) * spacing
            low[short], high[short] = values[0] + middle - out, values[0] + middle + out
            low[short] -= spacing / 2
            high[short] += spacing / 2
            chance[short] = nominal
        lower[mine], upper[mine] = low[back] + residual[mine], high[back] + residual[mine]
        rate[mine] = chance[back]
    return lower, upper, rate


def _on_edges(
    held: ProcessPosterior,
    case: Integers,
    first: Floats,
    replicates: Integers,
    steps: Floats,
    *,
    nominal: float,
) -> tuple[Floats, Floats, Floats]:
    """Set limits of finely read dials: the exact quantile, moved to an edge between readings."""
    spacing = steps / replicates
    place = np.rint(np.mod(first / spacing, 1) * _PLACES) % _PLACES
    # A lattice far finer than the spread needs no edge: a third of a thousandth of its unit.
    place = np.where(spacing < 1e-3, 0.0, place)
    lower, upper, rate = (np.empty(len(case)) for _ in range(3))
    for mine, (number, step) in _kinds(replicates, steps):
        pairs, back = distinct(case[mine] * _PLACES + place[mine].astype(np.int64))
        low, high, chance = _edges(
            held,
            pairs // _PLACES,
            pairs % _PLACES / _PLACES,
            visit=Visit(int(number), step),
            nominal=nominal,
        )
        lower[mine], upper[mine], rate[mine] = low[back], high[back], chance[back]
    return lower, upper, rate


def _kinds(*columns: NDArray[Any]) -> Iterator[tuple[Integers, tuple[float, ...]]]:
    """Yield the rows of each distinct combination of values, and the values."""
    code = np.zeros(len(columns[0]), np.int64)
    for column in columns:
        _, back = distinct(column)
        code = code * (int(back.max(initial=0)) + 1) + back
    for kind in np.flatnonzero(np.bincount(code)):
        mine = np.flatnonzero(code == kind)
        yield mine, tuple(float(column[mine[0]]) for column in columns)


def _edges(
    held: ProcessPosterior,
    case: Integers,
    place: Floats,
    *,
    visit: Visit,
    nominal: float,
) -> tuple[Floats, Floats, Floats]:
    """Return limits and rate for cases whose lattice of means lies at `place` of its spacing."""
    spacing = visit.step / visit.replicates
    about = plotted_variance(held.group, held.spreads, visit, between=held.between)
    scale = np.sqrt(np.maximum(about - spacing**2 / 12, 1e-12) + held.level_variance[case])
    chance, level = held.chance[case], held.level[case]
    point = moments(held, visit)
    width = stdtrit(point.df, 1 - nominal / 2) * np.hypot(point.sigma, point.centre_se)

    def beyond(edge: Floats, side: int) -> Floats:
        return np.asarray((chance * ndtr(side * (level - edge[:, None]) / scale)).sum(axis=1))

    limits = []
    for side in (-1, 1):
        at = (point.centre + side * width)[case]
        for _ in range(_NEWTON_STEPS):
            z = (at[:, None] - level) / scale
            density = (chance * np.exp(-(z**2) / 2) / scale).sum(axis=1) / np.sqrt(2 * np.pi)
            # Steps are taken in the logarithm of the tail, which is nearly a parabola.
            tail = np.maximum(beyond(at, side), 1e-300)
            move = np.log(tail / (nominal / 2)) * tail / np.maximum(density, 1e-300)
            at = at + side * np.clip(move, -width[case], width[case])
        limits.append(at)
    if spacing < 1e-3:
        return limits[0], limits[1], beyond(limits[0], -1) + beyond(limits[1], 1)
    up = (place + np.ceil(limits[1] / spacing - place - 0.5) + 0.5) * spacing
    down = (place + np.floor(limits[0] / spacing - place + 0.5) - 0.5) * spacing
    one = np.ones_like(up)
    above = np.stack([one, one, beyond(up - spacing, 1), beyond(up, 1)], axis=1)
    below = np.stack([beyond(down, -1), beyond(down + spacing, -1), one, one], axis=1)
    first_out, last_out, rate = nearest_not_above(below, above, nominal=nominal)
    return down + spacing * last_out, up - spacing * (3 - first_out), rate


@dataclass(frozen=True, slots=True)
class ScatterLimits:
    """Upper limits of each row and what goes with them.

    Attributes
    ----------
    centre, upper : array, shape (rows,)
        Expected value and limit.
    attained : array, shape (blocks,)
        Largest false-alarm rate of a row of the block.
    """

    centre: Floats
    upper: Floats
    attained: Floats


def upper_limits(
    scatter: Scatter, baseline: Baseline, sizes: Integers, *, of_range: bool, nominal: float
) -> ScatterLimits:
    """Set upper limits of the standard deviation, or the range, of each row's readings.

    Parameters
    ----------
    scatter : Scatter
    baseline : Baseline
    sizes : array of int, shape (rows,)
        Readings of each row; rows with fewer than 2 get none.
    of_range : bool
        Whether the range is charted.
    nominal : float
        False-alarm probability aimed at, on the upper side.

    References
    ----------
    Without rounding the limit of s is s₁·sqrt(F) with F of (n − 1, ν) degrees of freedom:
    NIST/SEMATECH e-Handbook of Statistical Methods, 2.2.3.1 and 2.6.2.3.
    """
    rows, blocks = len(sizes), len(scatter.sigma)
    limits = ScatterLimits(np.full(rows, np.nan), np.full(rows, np.nan), np.full(blocks, np.nan))
    for group in scatter.groups:
        can = np.flatnonzero(np.isfinite(scatter.sigma[group.blocks]))
        lengths = baseline.lengths[group.blocks[can]]
        at = np.repeat(can, lengths)
        into = np.arange(len(at)) - np.repeat(np.cumsum(lengths) - lengths, lengths)
        rows_of_group = baseline.starts[group.blocks[at]] + into
        size_of = sizes[rows_of_group]
        for size in np.unique(size_of[size_of > 1]):
            some = size_of == size
            mine = rows_of_group[some]
            wanted, back = np.unique(at[some], return_inverse=True)
            centre, upper, rate = _limit(
                scatter, group, wanted, int(size), of_range=of_range, nominal=nominal
            )
            limits.centre[mine] = settled(centre)[back]
            limits.upper[mine] = settled(upper)[back]
            block = group.blocks[wanted]
            limits.attained[block] = np.fmax(limits.attained[block], settled(rate))
    return limits


def _limit(
    scatter: Scatter,
    group: ScatterGroup,
    which: Integers,
    size: int,
    *,
    of_range: bool,
    nominal: float,
) -> tuple[Floats, Floats, Floats]:
    """Return centre, upper limit and false-alarm rate of some blocks of a group."""
    chance = group.probability[which]
    tail = normal_range_tail if of_range else normal_spread_tail
    noisy = np.sqrt(group.nodes**2 + group.step**2 / 12)
    grid = np.linspace(0, 12, 1201)
    expected = float(np.trapezoid(tail(size, grid), grid))
    block = group.blocks[which]
    sigma, df = scatter.sigma[block], scatter.df[block]
    if of_range:
        number = int(np.log(20 * noisy[-1] / noisy[0]) / np.log(_QUANTILE_RATIO))
        shown = noisy[0] * _QUANTILE_RATIO ** np.arange(number)
        smooth = _first_below(shown, chance @ tail(size, shown / noisy[:, None]), nominal)
    else:
        smooth = sigma * np.sqrt(fdtri(size - 1.0, df, 1 - nominal))
    rate = np.full(len(which), nominal)
    coarse = int((group.nodes < group.step).sum())
    if not coarse:
        return sigma * expected, smooth, rate
    law = range_law if of_range else spread_law
    shown, exact, mean = law(size, tuple((group.nodes[:coarse] / group.step).tolist()))
    # Between two values that can be shown lies the limit, and there the smooth tails are taken.
    edges = group.step * np.concatenate([[0.0], (shown[1:] + shown[:-1]) / 2])
    table = chance[:, :coarse] @ exact
    table += chance[:, coarse:] @ tail(size, edges / noisy[coarse:, None])
    centre = chance[:, :coarse] @ mean * group.step + chance[:, coarse:] @ noisy[coarse:] * expected
    within = table <= _MARGIN * nominal
    out, reached = within.argmax(axis=1), within.any(axis=1)
    rate = np.where(reached, table[np.arange(len(which)), out], nominal)
    return centre, np.where(reached, edges[out], smooth), rate


def _first_below(values: Floats, chance: Floats, nominal: float) -> Floats:
    """Return where each row's chance falls to `nominal`, by interpolation in its logarithm."""
    out = (chance <= nominal).argmax(axis=1).clip(1)
    rows = np.arange(len(chance))
    high, low = (np.log(np.maximum(chance[rows, out - shift], 1e-300)) for shift in (1, 0))
    share = (high - np.log(nominal)) / np.maximum(high - low, 1e-300)
    return np.asarray(values[out - 1] * (values[out] / values[out - 1]) ** np.clip(share, 0, 1))
