"""What is learnt from a fleet is all that one meter needs of the others."""

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from drift.arrays import Integers, Masses
from drift.forecast.forecasts import Forecasts, forecast, score
from drift.forecast.grid.content import content_order, hashed
from drift.forecast.grid.filter import walk
from drift.forecast.grid.horizon import rowwise
from drift.forecast.grid.model import make_grid
from drift.forecast.grid.reading_likelihood import make_tables
from drift.forecast.grid.visits import read_visits
from drift.forecast.learn import Learnt, learn_fleet
from tests.benchmarks.forecast_speed import large_ledger

METERS = 40


@pytest.fixture(scope="module")
def fleet() -> pl.DataFrame:
    """Return a fleet of three points with all that a history may hold.

    One meter in three is adjusted without a record, one in five read on a coarser dial, one in four
    gets a new gauge at its ninth visit, and one in six was last seen years ago.
    """
    frame = large_ledger(METERS, 14, 3)
    meter = pl.col("series") // 3
    return frame.with_columns(
        adjusted=pl.col("adjusted") & (meter % 3 > 0),
        resolution_pct=pl.when(meter % 5 == 0).then(0.1).otherwise("resolution_pct"),
        gauge=pl.when(meter % 4 == 1).then(1 + (pl.col("visit") > 9).cast(pl.Int64)).otherwise(1),
    ).filter((meter % 6 > 0) | (pl.col("visit") < 4))


@pytest.fixture(scope="module")
def learnt(fleet: pl.DataFrame) -> Learnt:
    """Return what its meters share."""
    return learn_fleet(fleet)


@pytest.fixture(scope="module")
def whole(fleet: pl.DataFrame) -> Forecasts:
    """Forecast all meters at once."""
    due, now = due_of(fleet, fleet)
    return forecast(fleet, due=due, now=now)


def due_of(frame: pl.DataFrame, fleet: pl.DataFrame) -> tuple[pl.DataFrame, float]:
    """Return due times of the series of `frame`, and the time of the fleet's last visit."""
    now = float(fleet["t_years"].max())  # type: ignore[arg-type]  # a number
    series = frame.select("series").unique()
    return series.with_columns(due_t_years=now + 0.1 + pl.col("series") % 7 / 10), now


def asked(frame: pl.DataFrame, fleet: pl.DataFrame, learnt: Learnt) -> Forecasts:
    """Score the meters of `frame`."""
    due, now = due_of(frame, fleet)
    return score(frame, due=due, now=now, learnt=learnt)


@pytest.mark.parametrize("sizes", [(40,), (1, 2, 37), (13, 27), (39, 1), (7, 7, 7, 7, 7, 5)])
def test_meters_come_out_the_same_in_any_parts_and_order(
    fleet: pl.DataFrame, learnt: Learnt, whole: Forecasts, sizes: tuple[int, ...]
) -> None:
    """Scored in parts of any size, dealt out at random, they are to the last digit the whole's."""
    rng = np.random.default_rng(sum(sizes) + len(sizes))
    meters = rng.permutation(METERS)
    parts = [
        asked(
            fleet.filter((pl.col("series") // 3).is_in(some.tolist())).sample(
                fraction=1.0, shuffle=True, seed=1
            ),
            fleet,
            learnt,
        )
        for some in np.split(meters, np.cumsum(sizes)[:-1])
    ]
    for name, by in (
        ("series", ["series"]),
        ("horizons", ["series", "horizon_days"]),
        ("meters", ["meter_id"]),
        ("meter_horizons", ["meter_id", "horizon_days"]),
    ):
        joined = pl.concat([getattr(part, name) for part in parts]).sort(by)
        assert_frame_equal(joined, getattr(whole, name).sort(by), check_exact=True)
    assert whole.series["p_out_due"].n_unique() > METERS


@pytest.mark.parametrize("share", [0.3, 0.4, 0.45, 0.5, 0.7])
def test_a_life_is_followed_alike_beside_any_others(
    fleet: pl.DataFrame, learnt: Learnt, share: float
) -> None:
    """On windows of any size: a product of matrices is rounded otherwise for other sizes of them.

    One meter in five went unseen for long, so that its levels may have moved farther.
    """
    seen = (pl.col("series") // 3 % 5 > 0) | ~pl.col("visit").is_between(3, 10)
    visits, hyper = read_visits(fleet.filter(seen), resolution=0.1), learnt.fit.hyper
    grid = make_grid(hyper, resolutions=visits.resolutions, share=share)
    tables = make_tables(hyper, grid, resolutions=visits.resolutions)
    lives = np.argsort(-visits.count, kind="stable")[: 3 * METERS]

    def followed(some: Integers) -> Masses:
        return walk(visits, some, hyper=hyper, grid=grid, tables=tables).mass

    together = followed(lives)
    for size in (1, 7, 26):
        for start in range(0, lives.size, 3 * size):
            part = slice(start, start + size)
            assert np.array_equal(followed(lives[part]), together[part])


@pytest.mark.parametrize("columns", [1, 7, 50, 131, 255, 600])
def test_a_row_of_a_product_is_the_same_in_any_place(columns: int) -> None:
    """A library may sum in another order for the last rows of a matrix, or for a few of them."""
    rng = np.random.default_rng(columns)
    rows, table = rng.random((70, 300)), rng.random((300, columns))
    order = rng.permutation(70)
    together = rowwise(rows, table)
    assert together == pytest.approx(rows @ table, rel=1e-12)
    assert np.array_equal(rowwise(rows[order], table), together[order])
    assert np.array_equal(rowwise(rows[40:41], table), together[40:41])


def test_the_fleet_holds_what_may_part(fleet: pl.DataFrame, learnt: Learnt) -> None:
    """The fleet of these tests has open visits, adjustments, several lives, dials and ends."""
    visits = read_visits(fleet, resolution=0.1)
    assert visits.mixed.any()
    assert visits.reset.any()
    assert not visits.last.all()
    assert learnt.dials.resolutions.size == 2
    assert np.unique(visits.count[visits.last]).size > 2
    assert np.unique(content_order(visits)).size == visits.count.size


def test_a_dial_that_the_fleet_does_not_have_is_refused(
    fleet: pl.DataFrame, learnt: Learnt
) -> None:
    """A step that was not learnt is an error, not the nearest one."""
    strange = fleet.filter(pl.col("series") < 3).with_columns(resolution_pct=0.02)
    with pytest.raises(ValueError, match="resolution_pct"):
        asked(strange, fleet, learnt)


def test_hashes_are_those_of_splitmix64() -> None:
    """The first numbers from the seeds 0 and 1234567; both from memory."""
    seeds = np.array([0, 1234567], dtype=np.uint64)
    assert hashed(seeds).tolist() == [0xE220A8397B1DCDAF, 6457827717110365317]


def test_the_order_of_lives_is_theirs_alone(fleet: pl.DataFrame) -> None:
    """Renumbered, mirrored or years later, lives come in the same order."""
    visits = read_visits(fleet, resolution=0.1)
    usual = visits.series[content_order(visits)]
    most = int(visits.series.max())
    biases = [name for name in fleet.columns if name.endswith("bias_pct")]
    lists = [name for name in fleet.columns if name.endswith("biases_pct")]
    for changed, zero in (
        (fleet.with_columns(series=most - pl.col("series")), most),
        (fleet.with_columns(pl.col("t_years") + 700 / 365.25), 0),
        (fleet.with_columns(-pl.col(*biases), pl.col(*lists).list.eval(-pl.element())), 0),
    ):
        other = read_visits(changed, resolution=0.1)
        assert np.array_equal(np.abs(zero - other.series[content_order(other)]), usual)
