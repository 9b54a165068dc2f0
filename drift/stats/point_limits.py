"""This module sets limits where few enough new points fall outside; it estimates nothing."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, stdtrit

from drift.stats.baseline import Baseline
from drift.stats.observations import distinct
from drift.stats.process_posterior import Posterior, moments, plotted_variance, tails
from drift.stats.rounded_rates import nearest_not_above
from drift.stats.visit_likelihood import Visit

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

_NEWTON_STEPS = 20
# Shares of a step to which the place of a lattice is told apart for finely read dials.
_PLACES = 64
# Decimals of a grid unit that limits are given to: more would hang on the other meters in a sum.
_DECIMALS = 9


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
    held: Posterior,
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
    held: Posterior,
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
    held: Posterior,
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
    held: Posterior,
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
