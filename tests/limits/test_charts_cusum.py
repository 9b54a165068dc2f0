"""The two-sided CUSUM: published sums and onsets, an interval that allows for short baselines."""

import numpy as np
import polars as pl
import pytest

from drift.limits.charts.cusum import ONSETS, decision_interval, run_length, signal_rate
from drift.limits.choices import ChartSettings
from tests.limits.chart_fleets import fleet, history
from tests.limits.drawn_charts import cusum, find_onsets
from tests.published.reference_tables import column

# e-Handbook 6.3.2.3 (recalled, arithmetic redone): target 325, k 0.3175, h 4.1959.
HANDBOOK = [
    *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600),
    *(324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
]


def test_handbook_cusum() -> None:
    """e-Handbook 6.3.2.3: upper sums 3.0075, 4.9400 (first signal) and 19.0350, lower 0.7150."""
    settings = ChartSettings(
        limits="sigma",
        given_centre=325.0,
        given_sigma=0.635,
        cusum_reference=0.3175 / 0.635,
        cusum_decision=4.1959 / 0.635,
    )
    points = cusum(history(HANDBOOK), settings=settings).points
    high = points.filter(pl.col("chart") == "cusum_high")
    assert high["value"][12] == pytest.approx(3.0075, abs=1e-9)
    assert high["value"][13] == pytest.approx(4.9400, abs=1e-9)
    assert high["value"][19] == pytest.approx(19.0350, abs=1e-9)
    assert high["upper"][0] == pytest.approx(4.1959, abs=1e-12)
    assert high.filter(pl.col("value") > pl.col("upper"))["visit"][0] == 14
    low = points.filter(pl.col("chart") == "cusum_low")
    assert -low["value"].to_numpy().min() == pytest.approx(0.7150, abs=1e-9)
    assert low["value"].arg_min() == 7
    assert low.filter(pl.col("value") < pl.col("lower")).is_empty()


def test_textbook_cusum_with_onset() -> None:
    """Montgomery, example 9.1: all 60 sums; signal at 29, shift since 23, new mean 11.25."""
    settings = ChartSettings(limits="sigma", given_centre=10.0, given_sigma=1.0)
    points = history(column("e_cusum30", "x"))
    charted = cusum(points, settings=settings).points
    for chart, header, sign in (("cusum_high", "c_plus", 1), ("cusum_low", "c_minus", -1)):
        values = charted.filter(pl.col("chart") == chart)["value"].to_numpy()
        assert sign * values == pytest.approx(column("e_cusum30", header), abs=1e-9)
    onset = find_onsets(points, settings=settings).row(0, named=True)
    assert (onset["chart"], onset["visit"], onset["onset_visit"]) == ("cusum_high", 29, 23)
    assert onset["visits_since_onset"] == column("e_cusum30", "n_plus")[28] == 7
    assert 10 + onset["shift"] == pytest.approx(11.25, abs=0.005)


def test_onsets_on_both_sides_and_none() -> None:
    """A fall is dated with a negative shift; a phase without a signal has no row."""
    random = np.random.default_rng(1)
    readings = random.normal(0, 1, (3, 40, 1))
    readings[1, 20:] -= 4
    settings = ChartSettings(limits="sigma", given_centre=0.0, given_sigma=1.0, cusum_decision=8.0)
    onsets = find_onsets(fleet(readings, step=1e-6), settings=settings)
    assert onsets.schema == ONSETS
    assert onsets["series"].to_list() == [1]
    row = onsets.row(0, named=True)
    assert row["chart"] == "cusum_low"
    assert abs(row["onset_visit"] - 21) <= 2
    assert row["onset_t_years"] == pytest.approx((row["onset_visit"] - 1) / 4)
    assert row["shift"] == pytest.approx(-4, abs=1.5)


def test_published_run_lengths() -> None:
    """Two-sided ARLs of k 0.5, h 4 (Lucas and Crosier 1982, from memory) within 3 % up to 1.5 σ."""
    shifts = column("d_arl_cusum_k05_h4", "shift_sigma")
    printed = column("d_arl_cusum_k05_h4", "arl_two_sided_published")
    use = shifts <= 1.5
    high = run_length(reference=0.5, decision=4.0, shift=shifts[use])
    low = run_length(reference=0.5, decision=4.0, shift=-shifts[use])
    assert 1 / (1 / high + 1 / low) == pytest.approx(printed[use], rel=0.03)


def test_the_interval_grows_with_what_is_not_known() -> None:
    """A known process keeps its interval; an uncertain centre or spread widens it."""
    nominal = float(signal_rate(reference=0.5, decision=5.0, centre_error=0.0, df=np.inf)[0])
    known, centre, spread = decision_interval(
        reference=0.5, nominal=nominal, centre_error=[0, 0.38, 0], df=[np.inf, np.inf, 6]
    )
    assert known == pytest.approx(5.0, abs=1e-3)
    assert centre > 1.5 * known
    assert spread > known
    kept = signal_rate(reference=0.5, decision=centre, centre_error=0.38, df=np.inf)[0]
    assert kept == pytest.approx(nominal, rel=1e-3)


def test_a_short_baseline_keeps_its_promise() -> None:
    """500 meters in control, 7 visits of baseline and 33 more: no more signals than promised."""
    random = np.random.default_rng(2)
    points = fleet(random.normal(0, 0.03, (500, 40, 1)), step=1e-6)
    settings = ChartSettings()
    charted = cusum(points, settings=settings)
    promised = charted.limits["nominal_rate"][0] * 40
    signalled = find_onsets(points, settings=settings)["series"].n_unique() / 500
    assert signalled < 1.3 * promised
    textbook = ChartSettings(limits="sigma")
    naive = find_onsets(points, settings=textbook)["series"].n_unique() / 500
    assert naive > 3 * promised
