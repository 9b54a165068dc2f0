"""The mark chart: moves that go either way stay inside, moves one way do not."""

import numpy as np
import polars as pl
import pytest

from drift.limits.charts.mark import mark
from drift.limits.charts.shape import Charted
from drift.limits.choices import ChartSettings


def _marks(positions: np.ndarray) -> pl.DataFrame:
    """Return marks of a fleet, shape (meters, visits), read to half a graduation."""
    meters, visits = positions.shape
    return pl.DataFrame(
        {
            "series": np.repeat(np.arange(meters), visits),
            "visit": np.tile(np.arange(1, visits + 1), meters),
            "phase": np.ones(meters * visits, np.int64),
            "t_years": np.tile(np.arange(visits) / 4, meters),
            "value": positions.ravel(),
            "resolution": np.full(meters * visits, 0.05),
        }
    )


def _of(charted: Charted, chart: str) -> pl.DataFrame:
    """Return the points of one chart."""
    return charted.points.filter(pl.col("chart") == chart)


def test_moves_one_way_leave_the_limits_and_undirected_ones_do_not() -> None:
    """Thirty meters with moves of ±0.1 every third visit; one whose moves all go up is seen."""
    random = np.random.default_rng(1)
    moves = np.zeros((30, 24))
    moves[:, 3::3] = 0.1 * random.choice([-1, 1], (30, 7))
    moves[0, 3::3] = 0.15
    positions = -1.0 + np.cumsum(moves, axis=1)
    charted = mark(_marks(positions), settings=ChartSettings())
    outside = _of(charted, "mark").filter(~pl.col("value").is_between("lower", "upper"))
    assert set(outside["series"]) == {0}
    assert "moves of the marks of similar meters" in charted.limits["note"][0]


def test_limits_open_with_the_number_of_moves() -> None:
    """Before a move half a step of the dial is allowed; after n moves √n of one move's width."""
    positions = np.tile(-1.0 + 0.1 * np.array([0, 0, 1, 1, 0, 0, 1, 2, 1, 1.0]), (4, 1))
    charted = mark(_marks(positions), settings=ChartSettings())
    one = _of(charted, "mark").filter(pl.col("series") == 0)
    assert one["upper"][0] - one["centre"][0] == pytest.approx(0.025)
    single = _of(charted, "mark_moves")["upper"][0]
    assert one["upper"][9] - one["centre"][9] == pytest.approx(np.hypot(single * np.sqrt(5), 0.025))
    moves = _of(charted, "mark_moves").filter(pl.col("series") == 0)
    assert moves["visit"].to_list() == [3, 5, 7, 8, 9]
    assert moves["value"].to_list() == pytest.approx([0.1, -0.1, 0.1, 0.1, -0.1])
    # Twelve moves of like meters were known at the seventh visit, which completes the baseline.
    assert charted.limits["df"][0] == 12
    later = positions.copy()
    later[:, 7:] += np.array([0.4, -0.3, 0.5])
    moved = _of(mark(_marks(later), settings=ChartSettings()), "mark_moves")
    assert moved["upper"][0] == single


def test_one_large_move_is_seen() -> None:
    """A move several times the usual size lies outside the limits of moves."""
    random = np.random.default_rng(2)
    moves = 0.05 * random.choice([-1, 0, 1], (40, 12))
    moves[3, 6] = 0.6
    charted = mark(_marks(-2 + np.cumsum(moves, axis=1)), settings=ChartSettings())
    outside = _of(charted, "mark_moves").filter(~pl.col("value").is_between("lower", "upper"))
    assert outside.select("series", "visit").rows() == [(3, 7)]


def test_few_moves_cannot_say() -> None:
    """Marks that never moved, or too few that did, have positions but no limits."""
    for positions in (np.full((3, 8), -1.0), np.array([[-1.0, -0.9, -0.9]])):
        charted = mark(_marks(positions), settings=ChartSettings())
        marks = _of(charted, "mark")
        assert len(marks) == positions.size
        assert marks["upper"].null_count() == len(marks)
        assert "of 6 moves of similar meters needed" in charted.limits["note"][0]
