"""Jumps of a path: published change points, simulated ones, and what must not pass for one."""

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray

from drift.trend import jump_scan, local_level
from drift.trend.change_points import CHANGES, find_change_points
from tests.forecast.simulator import Plan
from tests.published.reference_tables import column, expected
from tests.trend.path_fleets import (
    DRIFTING,
    NOISY,
    SOME_DRIFTING,
    STEADY,
    simulated,
    steps_of_paths,
)

Floats = NDArray[np.float64]


def _path(times: Floats, values: Floats, *, resolution: float | None = None) -> pl.DataFrame:
    """Return the steps of one path, every value a reading of its own."""
    paths = pl.DataFrame({"series": 0, "t_years": times, "value": values})
    return steps_of_paths(paths.with_columns(resolution=pl.lit(resolution, dtype=pl.Float64)))


def _white(values: Floats) -> tuple[Floats, Floats, NDArray[np.bool_], Floats]:
    """Return a block of one series, and weights under which nothing wanders."""
    steps = np.diff(values)[None, :]
    shares = np.arange(steps.size)[None, :] > 0
    weights = np.where(local_level.RATIOS == 0, 1.0, 1e-300)
    return np.ones(steps.shape), steps, shares, weights


def test_nile_without_wander() -> None:
    """Nile at Aswan: the best change of mean comes after 1898, with the published sums of squares.

    Zeileis and others (2003): sums of squares with no, one and two changes, and the criterion
    (variance and dates counted) 1318, 1270, 1276; published values from memory.
    """
    wanted = expected("g_nile_expected", "published")
    years, steps, shares, weights = _white(column("g_nile", "flow_1e8_m3"))
    floor = np.zeros(1)
    none = (
        jump_scan.start_model(local_level.factor_covariance(years, shares), steps).squares[0, 0] / 2
    )
    assert none == pytest.approx(wanted["rss_no_break"], abs=0.5)
    one = jump_scan.scan_jumps(years, steps, shares, weights, floor=floor, with_drift=False)
    best = int(one.score[:, 0].argmax())
    rss = one.squares[best, 0, 0] / 2
    assert 1871 + best == wanted["last_year_of_first_segment"]
    assert rss == pytest.approx(wanted["rss_one_break"], abs=0.5)
    size = wanted["mean_1899_1970"] - wanted["mean_1871_1898"]
    assert one.size[best, 0, 0] == pytest.approx(size, abs=0.01)
    two = jump_scan.scan_jumps(
        years, steps, shares, weights, floor=floor, known=np.array([[best]]), with_drift=False
    )
    allowed = np.r_[14 : best - 14, best + 15 : 84]  # at least 15 years in each part, as published
    rss_two = two.squares[allowed, 0, 0].min() / 2
    assert rss_two == pytest.approx(wanted["rss_two_breaks_h15"], abs=0.5)
    published = (wanted["bic_0_breaks"], wanted["bic_1_break"], wanted["bic_2_breaks_h15"])
    for count, squares in enumerate((none, rss, rss_two)):
        log_likelihood = -50 * (np.log(2 * np.pi * squares / 100) + 1)
        criterion = -2 * log_likelihood + np.log(100) * 2 * (count + 1)
        assert criterion == pytest.approx(published[count], abs=0.5)


def test_nile_with_wander_allowed() -> None:
    """Even with drift and wander as rivals, 1898 to 1899 is found, alone, within a few years."""
    change = find_change_points(_path(column("g_nile", "year"), column("g_nile", "flow_1e8_m3")))
    row = change.row(0, named=True)
    assert change.height == 1
    assert (row["t_before"], row["t_after"]) == (1898, 1899)
    assert 1893 <= row["t_low"] <= 1898
    assert 1899 <= row["t_high"] <= 1903
    assert row["size_low"] < 849.9722 - 1097.75 < row["size_high"]
    assert row["drift_p"] > 0.05


def test_kilogram_check_standard() -> None:
    """NIST check standard 41: the known upward step of 1986, best single change after run 150.

    The place and both means are recomputed from the data of the e-Handbook, section 2.3.5.
    """
    name = "m_nist_kilogram_check_standard"
    times = column(name, "date_decimal_year_1900")
    values = column(name, "check_standard_correction_mg")
    change = find_change_points(_path(times, values, resolution=1e-5))
    row = change.row(0, named=True)
    assert change.height == 1
    assert row["t_before"] == pytest.approx(times[149])
    assert 86 <= row["t_low"] <= row["t_high"] <= 87
    assert row["size_low"] < 19.47609 - 19.43861 < row["size_high"]


def _jumped(plan: Plan, *, seed: int, size: float) -> tuple[pl.DataFrame, NDArray[np.int64]]:
    """Return the steps of a fleet and, for every other meter, the step that jumps, else −1.

    A jump of whole steps of the dial shifts every later reading alike, so that it can be added
    to the readings as they are.
    """
    _, steps = simulated(plan, seed=seed)
    rng = np.random.default_rng(seed)
    at = rng.integers(1, plan.visits - 2, plan.meters)
    at[1::2] = -1
    number = pl.int_range(pl.len()).over("series")
    where = pl.Series("at", np.repeat(at, plan.visits - 1))
    return steps.with_columns(pl.col("step") + size * (number == where)), at


@pytest.mark.parametrize(("resolution", "wander"), [(0.05, 0.0), (0.05, 0.03), (0.1, 0.03)])
def test_jumps_are_found_dated_and_sized(resolution: float, wander: float) -> None:
    """Of jumps of 0.3 % in every other meter of 300 at least 90 % are found.

    The intervals for date and size cover at least 92 %, and at most 5 % of the other meters are
    said to have jumped.
    """
    plan = replace(
        Plan(meters=300, resolution=resolution, wander=wander, tolerance=9.0), **SOME_DRIFTING
    )
    steps, at = _jumped(plan, seed=4, size=0.3)
    changes = find_change_points(steps)
    first = changes.sort("p").unique("series", keep="first", maintain_order=True)
    series = first["series"].to_numpy()
    truly = at[series] >= 0
    assert truly.sum() / (at >= 0).sum() > 0.9
    assert (~truly).sum() / (at < 0).sum() < 0.05
    ends = steps["t_years"].to_numpy().reshape(plan.meters, -1)[series, at[series]]
    dated = (first["t_low"] < ends - 1e-9).to_numpy() & (first["t_high"] > ends - 1e-9).to_numpy()
    assert dated[truly].mean() > 0.92
    sized = (first["size_low"] < 0.3).to_numpy() & (first["size_high"] > 0.3).to_numpy()
    assert sized[truly].mean() > 0.92


@pytest.mark.parametrize("resolution", [0.05, 0.1])
@pytest.mark.parametrize("kind", [STEADY, DRIFTING, NOISY])
def test_drift_wander_and_noise_do_not_pass_for_jumps(
    resolution: float, kind: dict[str, Any]
) -> None:
    """Of 400 steady, drifting or noisy meters at most 1 % are said to have jumped.

    A slow drift seen on a coarse dial climbs in jumps of one step of the dial.
    """
    plan = replace(Plan(meters=400, resolution=resolution, wander=0.03, noise_sd=0.02), **kind)
    _, steps = simulated(plan, seed=9)
    assert find_change_points(steps)["series"].n_unique() <= 4


def test_two_jumps_are_both_found_and_the_drift_between_them() -> None:
    """Two jumps on a drifting path, each placed given the other; the drift is what is left."""
    rng = np.random.default_rng(1)
    times = 20 + np.arange(32) / 4
    values = 0.04 * times + rng.normal(0, 0.01, 32) + 0.3 * (times > 22.1) - 0.2 * (times > 25.6)
    changes = find_change_points(_path(times, values, resolution=0.01))
    assert changes.schema == CHANGES
    assert changes["t_after"].to_list() == pytest.approx([22.25, 25.75])
    assert changes["size"].to_list() == pytest.approx([0.3, -0.2], abs=0.05)
    assert changes["drift_low"][0] < 0.04 < changes["drift_high"][0]
    assert (changes["drift_p"] < 0.01).all()


def test_jump_of_one_step_of_the_dial_is_not_told_from_drift() -> None:
    """0.0 for three years and 0.1 for three is one step of a dial read to 0.1; of 0.02 a jump."""
    values = np.repeat([0.0, 0.1], 12) + np.tile([0.0, 0.02], 12)
    times = 20 + np.arange(24) / 4
    assert find_change_points(_path(times, values, resolution=0.1)).height == 0
    assert find_change_points(_path(times, values, resolution=0.02)).height == 1


def test_too_little_history_and_stillness_give_no_jump() -> None:
    """Short, motionless or simultaneous histories have no row, and no division by zero."""
    times = np.arange(7) / 4
    assert find_change_points(_path(times, np.repeat([0.0, 1.0], [3, 4]))).height == 0
    longer = np.arange(12) / 4
    assert find_change_points(_path(longer, np.full(12, 0.1), resolution=0.1)).height == 0
    assert find_change_points(_path(np.full(12, 20.0), np.arange(12.0))).height == 0
    assert find_change_points(_path(longer, np.zeros(12)).clear()).schema == CHANGES


@pytest.mark.parametrize(
    ("wrong", "named"),
    [({"level": 0}, "level"), ({"most": 0}, "most"), ({"fewest": 5}, "fewest")],
)
def test_settings_that_cannot_be_meant_are_refused(wrong: dict[str, Any], named: str) -> None:
    """The message names the setting."""
    with pytest.raises(ValueError, match=named):
        find_change_points(_path(np.arange(12.0), np.arange(12.0)), **wrong)
