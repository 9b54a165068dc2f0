"""This module draws the charts of the initial pressure mark: where it stands and how it was moved.

A mark stays where it is put.  If nothing ails a meter its moves go either way and cancel; a meter
that leaks or whose spring tires has its mark moved the same way again and again.  The position is
therefore judged as a walk of undirected steps: its limits open with the square root of the number
of moves since the phase began.
"""

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import ndtr, stdtrit

from drift.stats.baseline import Baseline, set_baseline
from drift.stats.charts.settings import Charted, ChartSettings
from drift.stats.charts.shape import Lines, Origin, assemble, per_row
from drift.stats.pool_dates import kinds_of_meters, last_days

Floats = NDArray[np.float64]
# Fewest moves of like meters from which the size of a move is known well enough.
_FEWEST_MOVES = 6
# A mark that stands within this share of its step of where it stood has not been moved.
_SAME = 1e-6


def mark(points: pl.DataFrame, *, settings: ChartSettings) -> Charted:
    """Chart the position of the initial pressure mark, and its moves.

    The chart ``mark`` plots positions about the first one of the phase; ``mark_moves`` plots each
    move at the visit that found the mark in its new place.

    Parameters
    ----------
    points : pl.DataFrame
        As for `drift.stats.charts.draw_family`: ``value`` is the position of the mark in one unit
        for all rows that are alike, a series is one meter, and a phase begins where another gauge
        was put on or the mark was established anew.  ``like`` names meters whose moves are of one
        size.
    settings : ChartSettings
        The half-width of limits in `sigmas`; moves are pooled over like meters, with the t factor
        for their number, as known when the first `baseline_visits` records were complete.

    Raises
    ------
    ValueError
        If a column is missing or holds a number that cannot be.

    Notes
    -----
    Common practice, no source: laboratories look at which way a mark is moved.  The limits of the
    walk follow from independent moves about 0.
    """
    baseline = set_baseline(points, visits=settings.baseline_visits)
    moves = np.diff(baseline.values, prepend=np.nan)
    moves[baseline.starts] = np.nan
    step = np.where(baseline.resolutions > 0, baseline.resolutions, 1.0)
    moved = np.nan_to_num(np.abs(moves)) > _SAME * step
    size, number = _size_of_moves(baseline, moves, moved)
    nominal = float(2 * ndtr(-settings.sigmas))
    known = number >= _FEWEST_MOVES
    factor = stdtrit(np.maximum(number, 1.0), 1 - nominal / 2)
    half = np.where(known, factor * size, np.nan)
    moves_so_far = np.asarray(np.cumsum(moved), float)
    so_far = moves_so_far - per_row(baseline, moves_so_far[baseline.starts])
    first = baseline.values[baseline.starts]
    # Half a step of the dial is the least that a limit can be away from a position.
    cone = np.hypot(per_row(baseline, half) * np.sqrt(so_far), step / 2)
    centre = np.where(np.isfinite(cone), per_row(baseline, first), np.nan)
    width = per_row(baseline, half)
    zero = np.where(np.isfinite(width), 0.0, np.nan)
    origin = _origin(baseline, size, number, known, nominal)
    charts = [
        assemble(
            "mark",
            baseline,
            lines=Lines(
                value=baseline.values, centre=centre, lower=centre - cone, upper=centre + cone
            ),
            origin=origin,
        ),
        assemble(
            "mark_moves",
            baseline,
            lines=Lines(
                value=np.where(moved, moves, np.nan), centre=zero, lower=-width, upper=width
            ),
            origin=origin,
        ),
    ]
    return Charted(
        points=pl.concat([chart.points for chart in charts]),
        limits=pl.concat([chart.limits for chart in charts]),
    )


def _size_of_moves(
    baseline: Baseline, moves: Floats, moved: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Return the root mean square of the moves of like meters, and their number, per block.

    Limits are frozen: only moves known when the first records of the phase were complete count, or
    when enough were known if that was later.
    """
    like, last = kinds_of_meters(baseline), last_days(baseline)
    times = baseline.rows["t_years"].to_numpy()
    size, number = np.zeros(len(like)), np.zeros(len(like))
    for kind in np.unique(like):
        mine = like == kind
        rows = np.flatnonzero(moved & mine[baseline.block])
        rows = rows[np.argsort(times[rows], kind="stable")]
        squares = np.concatenate([[0.0], np.cumsum(moves[rows] ** 2)])
        enough = times[rows[_FEWEST_MOVES - 1]] if len(rows) >= _FEWEST_MOVES else np.inf
        known = np.searchsorted(times[rows], np.maximum(last[mine], enough), side="right")
        size[mine] = np.sqrt(squares[known] / np.maximum(known, 1))
        number[mine] = known
    return size, number


def _origin(
    baseline: Baseline, size: Floats, number: Floats, known: NDArray[np.bool_], nominal: float
) -> Origin:
    """Return where the limits of marks come from."""
    blank = np.full_like(size, np.nan)
    return Origin(
        centre=np.where(known, baseline.values[baseline.starts], np.nan),
        sigma=np.where(known, size, np.nan),
        df=np.where(known, number, np.nan),
        attained=blank,
        lag1=blank,
        form="t",
        nominal=nominal,
        estimator=["root mean square of moves, pooled over like meters"] * len(size),
        note=[
            f"Limits from the {int(moves)} moves of the marks of like meters known when they were "
            "set; they open with every move, as for moves that go either way."
            if ok
            else f"No limits yet: {int(moves)} moves of like meters, of the {_FEWEST_MOVES} needed."
            for moves, ok in zip(number.tolist(), known.tolist(), strict=True)
        ],
    )
