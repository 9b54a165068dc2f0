"""The row of trend evidence of each series: equal to library fits, honest where it cannot say."""

from typing import Any

import hypothesis.strategies as st
import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from scipy import stats

from drift.trend.false_discovery import discovery_q
from drift.trend.regression import TRENDS, fit_trends
from tests.published.reference_tables import column, expected


def _paths(*series: tuple[Any, Any], resolution: float | None = None) -> pl.DataFrame:
    """Return paths numbered from 0, each given as times and values."""
    frames = [
        pl.DataFrame(
            {
                "series": [number] * len(values),
                "t_years": [float(t) for t in times],
                "value": list(values),
                "resolution": [resolution] * len(values),
            },
            schema={
                "series": pl.Int64,
                "t_years": pl.Float64,
                "value": pl.Float64,
                "resolution": pl.Float64,
            },
        )
        for number, (times, values) in enumerate(series)
    ]
    return pl.concat(frames)


def test_ragged_fleet_equals_library_fits() -> None:
    """Slope, interval, intercept and scatter of a ragged fleet equal scipy's linregress."""
    rng = np.random.default_rng(4)
    fleet = []
    for _ in range(60):
        visits = int(rng.integers(6, 45))
        times = np.sort(np.round(rng.uniform(20, 27, visits), 1))
        fleet.append((times, np.round(rng.normal(0.02 * times, 0.05), 2)))
    trends = fit_trends(_paths(*fleet), level=0.1)
    assert trends.schema == TRENDS
    assert trends["series"].to_list() == list(range(60))
    for row, (times, values) in zip(trends.iter_rows(named=True), fleet, strict=True):
        line = stats.linregress(times, values)
        reach = stats.t.ppf(0.95, times.size - 2) * line.stderr
        assert row["points"] == times.size
        assert row["slope"] == pytest.approx(line.slope, abs=1e-9)
        assert row["slope_low"] == pytest.approx(line.slope - reach, abs=1e-9)
        assert row["slope_high"] == pytest.approx(line.slope + reach, abs=1e-9)
        assert row["intercept"] == pytest.approx(line.intercept, abs=1e-9)
        scatter = line.stderr * np.sqrt(row["sum_squares_t"])
        assert row["residual_sd"] == pytest.approx(scatter, abs=1e-9)
        assert row["sum_squares_t"] == pytest.approx(((times - times.mean()) ** 2).sum(), abs=1e-9)
        slopes = stats.theilslopes(values, times, alpha=0.9)
        assert (row["sen_slope"], row["sen_low"], row["sen_high"]) == pytest.approx(
            (slopes.slope, slopes.low_slope, slopes.high_slope), abs=1e-9
        )


def test_statsmodels_agrees() -> None:
    """One series also against statsmodels OLS, the library that a colleague would use."""
    from statsmodels.regression.linear_model import OLS  # noqa: PLC0415  # a second to import

    rng = np.random.default_rng(9)
    times, values = np.sort(rng.uniform(20, 26, 24)), rng.normal(0, 0.05, 24)
    row = fit_trends(_paths((times, values))).row(0, named=True)
    fit = OLS(values, np.stack([np.ones(24), times], axis=1)).fit()
    low, high = fit.conf_int(alpha=0.05)[1]
    assert row["slope"] == pytest.approx(fit.params[1], abs=1e-9)
    assert (row["slope_low"], row["slope_high"]) == pytest.approx((low, high), abs=1e-9)
    assert row["residual_sd"] == pytest.approx(np.sqrt(fit.scale), abs=1e-9)


def test_rounded_examples() -> None:
    """Check values derived apart: three cells, and only two.

    On two cells the slope is not identifiable, yet that there is a trend can still be tested.
    """
    times = np.arange(12) * 0.25
    three = [0, 0, 0, 0.1, 0, 0.1, 0, 0.1, 0.1, 0.1, 0.2, 0.1]
    two = [0, 0, 0, 0, 0, 0.1, 0, 0.1, 0.1, 0, 0.1, 0.1]
    trends = fit_trends(_paths((times, three), (times, two), resolution=0.1))
    seen = trends.row(0, named=True)
    assert seen["slope"] == pytest.approx(0.0531469, abs=5e-8)
    error = (seen["slope_high"] - seen["slope"]) / stats.t.ppf(0.975, 10)
    assert error == pytest.approx(0.0154818, abs=5e-8)
    assert 2 * stats.t.sf(seen["slope"] / error, 10) == pytest.approx(0.006408, abs=5e-7)
    assert not seen["resolution_limited"]
    hidden = trends.row(1, named=True)
    assert hidden["resolution_limited"]
    assert hidden["kendall_p"] == pytest.approx(0.034756, abs=5e-7)
    for name in ("slope", "slope_low", "slope_high", "intercept", "residual_sd"):
        assert hidden[name] is None
    for name in ("sen_slope", "sen_low", "sen_high"):
        assert hidden[name] is None


@pytest.mark.parametrize(
    ("offset", "values", "limited"),
    [
        (0.01, [0.0, 0.05, 0.1, 0.0, 0.1, 0.05], True),  # means of replicates, two cells
        (0.0, [0.3] * 6, True),
        (0.0, [0.0, 0.1, 0.2, 0.1, 0.0, 0.1], False),
        (0.04, [0.0, 0.15, 0.1, 0.0, 0.1, 0.05], False),
    ],
)
def test_cells_are_counted_by_range(offset: float, values: list[float], *, limited: bool) -> None:
    """Two neighbouring cells limit, wherever the correct air content puts them on the grid."""
    shifted = [value - offset for value in values]
    trends = fit_trends(_paths((range(6), shifted), resolution=0.1))
    assert trends["resolution_limited"].to_list() == [limited]
    assert (trends["slope"].null_count() == 1) is limited


def test_single_readings_in_a_third_cell_lift_the_limit() -> None:
    """Means within 0.1 of each other, but readings from −0.1 to 0.1: three cells were seen."""
    paths = _paths((range(6), [0.0, 0.05, 0.0, 0.1, 0.05, 0.1]), resolution=0.1)
    assert fit_trends(paths)["resolution_limited"].to_list() == [True]
    wide = paths.with_columns(lowest=pl.col("value") - 0.1, highest=pl.col("value"))
    assert fit_trends(wide)["resolution_limited"].to_list() == [False]


def test_path_that_never_moves_has_no_slope_even_on_an_unknown_dial() -> None:
    """A scatter of zero is never reported, whatever the resolution."""
    row = fit_trends(_paths((range(8), [0.02] * 8))).row(0, named=True)
    assert (row["residual_sd"], row["slope"], row["kendall_p"]) == (None, None, 1.0)
    assert row["resolution_limited"]


def test_too_little_history_says_nothing() -> None:
    """Nulls are skipped and counted out; below the fewest visits only their number is given."""
    paths = _paths((range(7), [0.0, None, 0.1, None, 0.2, 0.4, 0.1]), ([1.0], [None]))
    trends = fit_trends(paths, fewest=6)
    assert trends["points"].to_list() == [5, 0]
    rest = trends.drop("series", "points", "resolution_limited")
    assert all(value is None for row in rest.rows() for value in row)
    assert fit_trends(paths, fewest=5)["slope"][0] is not None
    assert fit_trends(paths.clear()).height == 0


def test_visits_all_on_one_date_have_no_slope() -> None:
    """No time between visits: no slope and no trend, and no division by zero."""
    row = fit_trends(_paths(([24.37] * 7, np.arange(7.0)))).row(0, named=True)
    assert (row["slope"], row["slope_low"], row["sen_slope"]) == (None, None, None)
    assert (row["kendall_s"], row["kendall_p"]) == (0.0, 1.0)


@pytest.mark.parametrize("wrong", [{"level": 0.0}, {"level": 1.0}, {"fewest": 2}])
def test_settings_that_cannot_be_meant_are_refused(wrong: dict[str, Any]) -> None:
    """The message names the setting."""
    with pytest.raises(ValueError, match=next(iter(wrong))):
        fit_trends(_paths((range(6), range(6))), **wrong)


def test_nan_is_refused() -> None:
    """A NaN is an error upstream, never a missing value."""
    with pytest.raises(ValueError, match="value"):
        fit_trends(_paths((range(6), [0.0, 1.0, float("nan"), 1.0, 2.0, 3.0])))


numbers = st.lists(st.integers(-40, 40), min_size=6, max_size=30)


@settings(max_examples=60, deadline=None)
@given(numbers, st.integers(-50, 50), st.sampled_from([0.5, 2.0, 8.0]), st.integers(0, 10**6))
def test_shift_scale_reversal_and_order(
    values: list[int], shift: int, scale: float, seed: int
) -> None:
    """A shift changes no slope, scaling scales it, reversed time flips it, row order is nothing."""
    times = np.cumsum(1 + np.arange(len(values)) % 3) / 4
    path = np.array(values) / 20
    paths = _paths(
        (times, path), (times, path + shift), (times, path * scale), (-times[::-1], path[::-1])
    )
    shuffled = paths.sample(fraction=1.0, shuffle=True, seed=seed)
    trends = fit_trends(shuffled)
    assert trends.equals(fit_trends(paths))
    base, moved, scaled, back = trends.rows(named=True)
    assert back["kendall_s"] == -base["kendall_s"]
    for other in (moved, scaled, back):
        assert other["kendall_p"] == pytest.approx(base["kendall_p"], abs=1e-12)
    if base["slope"] is None:
        assert moved["slope"] is None
        return
    for name, mirror in (
        ("slope", "slope"),
        ("sen_slope", "sen_slope"),
        ("slope_low", "slope_high"),
        ("sen_low", "sen_high"),
    ):
        assert moved[name] == pytest.approx(base[name], abs=1e-9)
        assert scaled[name] == pytest.approx(scale * base[name], abs=1e-9)
        assert back[name] == pytest.approx(-base[mirror], abs=1e-9)


def test_thermometer_of_the_gum() -> None:
    """JCGM 100:2008 H.3: slope, intercept at 20 °C, residual scatter and their uncertainties."""
    name = "l_gum_h3_thermometer"
    times = column(name, "t_read_C") - 20
    row = fit_trends(_paths((times, column(name, "correction_b_C")))).row(0, named=True)
    published, recomputed = expected(f"{name}_expected", "published"), expected(f"{name}_expected")
    assert row["slope"] == pytest.approx(published["y2_slope"], abs=5e-6)
    assert row["intercept"] == pytest.approx(published["y1_intercept"], abs=5e-5)
    assert row["residual_sd"] == pytest.approx(published["residual_s"], abs=5e-5)
    slope_u = row["residual_sd"] / np.sqrt(row["sum_squares_t"])
    assert slope_u == pytest.approx(published["s_y2"], abs=5e-6)
    assert slope_u == pytest.approx(recomputed["s_y2"], abs=5e-13)
    at_30 = row["intercept"] + row["slope"] * 10
    assert at_30 == pytest.approx(published["b_at_30C"], abs=5e-5)
    from_mean = 10 - row["mean_t_years"]
    u_30 = row["residual_sd"] * np.sqrt(1 / 11 + from_mean**2 / row["sum_squares_t"])
    assert u_30 == pytest.approx(published["u_b_at_30C"], abs=5e-5)


def test_rocket_propellant() -> None:
    """Montgomery, Peck and Vining example 2.1: slope, its interval, prediction at 10 weeks."""
    name = "j_prediction_rocket_propellant"
    times, values = column(name, "age_weeks"), column(name, "shear_strength_psi")
    row = fit_trends(_paths((times, values))).row(0, named=True)
    wanted = expected(f"{name}_expected")
    assert row["slope"] == pytest.approx(wanted["slope"], abs=5e-7)
    assert row["intercept"] == pytest.approx(wanted["intercept"], abs=5e-7)
    assert row["residual_sd"] ** 2 == pytest.approx(wanted["ms_residual"], abs=5e-7)
    assert row["slope_low"] == pytest.approx(wanted["slope_ci95_low"], abs=5e-7)
    assert row["slope_high"] == pytest.approx(wanted["slope_ci95_high"], abs=5e-7)
    away = (10 - row["mean_t_years"]) ** 2 / row["sum_squares_t"]
    reach = stats.t.ppf(0.975, 18) * row["residual_sd"] * np.sqrt(1 + 1 / 20 + away)
    fit = row["intercept"] + 10 * row["slope"]
    assert fit - reach == pytest.approx(wanted["pi95_at_10_low"], abs=5e-5)
    assert fit + reach == pytest.approx(wanted["pi95_at_10_high"], abs=5e-5)


def test_benjamini_hochberg_example() -> None:
    """Benjamini and Hochberg (1995) section 4.1: 4 of 15 rejected at 0.05; adjusted values."""
    p = column("i_bh1995", "p")
    q = discovery_q(p)
    assert (q <= 0.05).sum() == 4
    assert q == pytest.approx(column("i_bh1995", "bh_adjusted"), abs=5e-9)


def test_discovery_equals_scipy_whatever_the_order() -> None:
    """Unsorted p values with ties and without a test equal scipy's false_discovery_control."""
    rng = np.random.default_rng(3)
    p = np.round(rng.uniform(size=200) ** 3, 2)
    p[::7] = np.nan
    q = discovery_q(p)
    tested = ~np.isnan(p)
    assert q[tested] == pytest.approx(stats.false_discovery_control(p[tested]), abs=1e-12)
    assert np.isnan(q[~tested]).all()
    assert discovery_q(np.array([])).size == 0
    with pytest.raises(ValueError, match="0 to 1"):
        discovery_q(np.array([0.5, 1.2]))
