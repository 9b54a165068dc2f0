"""Baselines: which visits they hold, when new visits may join them, and lag-1 autocorrelation."""

import numpy as np
import polars as pl
import pytest
from scipy import stats
from statsmodels.tsa.stattools import acf

from drift.limits.baseline import Baseline, set_baseline
from drift.limits.baseline_change import BASELINE_CHANGES, Sample, compare_samples, find_changes
from drift.limits.charts.autocorrelation import (
    Lag1,
    ewma_widening,
    find_lag1,
    mean_inflation,
    spread_shortfall,
    widening,
)
from drift.limits.choices import ChartSettings
from drift.limits.rounding.borrowing import set_pool
from tests.limits.chart_fleets import fleet, history
from tests.limits.drawn_charts import individuals
from tests.published.reference_tables import column, expected

OLD = [0.02, 0.01, 0.03, 0.00, 0.02, 0.04, 0.01, 0.03]
NEW = [0.05, 0.06, 0.04, 0.07, 0.05, 0.06, 0.08]


def _sample(values: list[float]) -> Sample:
    """Return the moments of one sample read to 0.001."""
    x = np.array(values)
    return Sample(
        count=np.array([float(x.size)]),
        mean=np.array([x.mean()]),
        squares=np.array([((x - x.mean()) ** 2).sum()]),
        step=np.array([0.001]),
        shown=np.array([True]),
    )


def _lag1(baseline: Baseline) -> Lag1:
    """Return the autocorrelation of baselines, all of like meters."""
    pool = set_pool(baseline, baseline.rows)
    return find_lag1(baseline, pool=pool, level=0.01)


def test_old_and_new_of_a_mass_laboratory_example() -> None:
    """F 1.05556 < 3.86597 (6, 7 df), pooled s 0.0132599, t −5.62050 (13 df), p 8.33e−5 (T2).

    Arithmetic in the style of NIST SOP 9, derived elsewhere: spreads agree, levels do not.
    """
    found = compare_samples(_sample(OLD), _sample(NEW), level=0.05)
    assert found.f[0] == pytest.approx(1.05556, abs=5e-6)
    assert found.f_limit[0] == pytest.approx(3.86597, abs=5e-6)
    assert found.pooled_sd[0] == pytest.approx(0.0132599, abs=5e-8)
    assert found.t[0] == pytest.approx(-5.62050, abs=5e-6)
    assert found.t_df[0] == 13
    assert found.t_p[0] == pytest.approx(8.33e-5, abs=5e-8)
    assert found.verdict[0] == "level_differs"


def test_fleet_of_changes_equals_library_tests() -> None:
    """F and t of every meter equal scipy's variance ratio and two-sample t test to 1e-9."""
    random = np.random.default_rng(1)
    x = random.normal(0, 0.05, (30, 18))
    x[5, 7:] += 0.5
    x[6, 7:] *= 6
    changes = find_changes(fleet(x[:, :, None], step=1e-6), visits=7, level=0.05)
    assert changes.schema == BASELINE_CHANGES
    for row, values in zip(changes.iter_rows(named=True), x, strict=True):
        old, new = values[:7], values[7:]
        variances = sorted([old.var(ddof=1), new.var(ddof=1)])
        assert row["f"] == pytest.approx(variances[1] / variances[0], rel=1e-9)
        library = stats.ttest_ind(old, new)
        assert row["t"] == pytest.approx(library.statistic, rel=1e-9)
        assert row["t_p"] == pytest.approx(library.pvalue, rel=1e-9)
    assert changes["verdict"][5] == "level_differs"
    assert changes["verdict"][6] == "spread_differs"
    assert "do not pool" in changes["sentence"][6]
    assert (changes["verdict"] == "alike").sum() > 20


def test_changes_that_cannot_be_tested() -> None:
    """Too few new visits, or a dial that hides the spread: a verdict with a reason, no numbers."""
    random = np.random.default_rng(2)
    short = find_changes(history(random.normal(0, 1, 10)), visits=7, level=0.05).row(0, named=True)
    assert short["verdict"] == "too_few"
    assert short["f"] is None
    assert short["t"] is None
    hidden = history([0.0, 0.1] * 10, step=0.1)
    row = find_changes(hidden, visits=7, level=0.05).row(0, named=True)
    assert row["verdict"] == "cannot_say"
    assert row["f"] is None
    assert row["t"] is not None
    flat = find_changes(history(np.zeros(20), step=0.1), visits=7, level=0.05)
    assert flat["verdict"].to_list() == ["cannot_say"]


def test_first_visits_are_the_baseline_and_stay_it() -> None:
    """Seven first visits set limits; later visits, however far off, do not move them."""
    random = np.random.default_rng(3)
    x = random.normal(0, 0.05, 30)
    before = individuals(history(x[:12]), settings=ChartSettings())
    x[12:] += 1
    after = individuals(history(x), settings=ChartSettings())
    assert after.points["in_baseline"].to_list() == [True] * 7 + [False] * 23
    assert after.points["upper"][0] == pytest.approx(before.points["upper"][0], abs=1e-12)
    limits = after.limits.row(0, named=True)
    assert (limits["points"], limits["first_visit"], limits["last_visit"]) == (7, 1, 7)
    assert (limits["first_t_years"], limits["last_t_years"]) == (0.0, 1.5)


def test_excluded_visits_set_no_limits_but_are_charted() -> None:
    """A visit left out for a reason is plotted, replaced by the next one, and named with it."""
    excluded = pl.Series([None, None, "wet chamber"] + [None] * 9, dtype=pl.String)
    points = history(np.arange(12) % 5 / 10.0, excluded=excluded)
    charted = individuals(points, settings=ChartSettings())
    assert len(charted.points) == 12
    assert (
        charted.points["in_baseline"].to_list() == [True] * 2 + [False] + [True] * 5 + [False] * 4
    )
    assert charted.limits["left_out"][0] == "visit 3: wet chamber"


def test_named_window_and_named_visits() -> None:
    """A window of time, or a column that names visits, is the baseline instead of first visits."""
    points = history(np.arange(16) % 4 / 10.0)
    window = set_baseline(points, visits=7, window=(1.0, 2.5))
    assert np.flatnonzero(window.inside).tolist() == [4, 5, 6, 7, 8, 9, 10]
    named = points.with_columns(baseline=pl.col("visit").is_in([2, 3, 5]))
    assert np.flatnonzero(set_baseline(named, visits=7).inside).tolist() == [1, 2, 4]
    empty = individuals(points, settings=ChartSettings(baseline_window=(50.0, 60.0)))
    assert empty.points["upper"].null_count() == 16
    assert "0 of the 2 visits" in empty.limits["note"][0]


def test_baseline_longer_than_the_history() -> None:
    """Twenty visits asked for, twelve there: no limits, and the count is said."""
    charted = individuals(
        history(np.arange(12) % 5 / 10.0), settings=ChartSettings(baseline_visits=20)
    )
    assert charted.points["upper"].null_count() == 12
    assert "12 of the 20 visits" in charted.limits["note"][0]


@pytest.mark.parametrize("name", ["michelso", "lew", "numacc1", "numacc2"])
def test_certified_autocorrelation(name: str) -> None:
    """NIST StRD univariate sets: certified lag-1 autocorrelation to 12 digits."""
    certified = expected(f"a_strd_{name}_certified", "certified")["lag1_autocorr"]
    y = column(f"a_strd_{name}", "y")
    found = _lag1(set_baseline(history(y), visits=len(y)))
    assert found.estimate[0] == pytest.approx(certified, rel=1e-12)


def test_certified_autocorrelation_of_large_numbers() -> None:
    """NIST StRD NumAcc3, −0.999 of values near 10⁶ in steps of 0.1: to the 9 digits they carry."""
    certified = expected("a_strd_numacc3_certified", "certified")["lag1_autocorr"]
    y = column("a_strd_numacc3", "y")
    found = _lag1(set_baseline(history(y), visits=len(y)))
    assert found.estimate[0] == pytest.approx(certified, rel=1e-9)


def test_handbook_autocorrelation_is_found_and_allowed_for() -> None:
    """e-Handbook 1.4.2.8: lag 1 of 195 calibration factors is 0.2805784, band 0.1404."""
    known = expected("b_ehb_1428_heatflow_expected", "published")
    points = history(column("b_ehb_1428_heatflow", "calibration_factor"), step=1e-6)
    baseline = set_baseline(points, visits=195)
    found = _lag1(baseline)
    assert found.estimate[0] == pytest.approx(known["lag1_autocorr"], abs=5e-8)
    assert found.estimate[0] > known["autocorr_95pct_band"]
    assert found.allowed_for[0] > 0
    limits = individuals(points, settings=ChartSettings(baseline_visits=195)).limits
    assert "successive visits resemble each other" in limits["note"][0]


def test_fleet_autocorrelation_equals_the_single_one() -> None:
    """Each block's estimate equals that of a library; φ of Michelson's data is found."""
    y = column("a_strd_michelso", "y")
    baseline = set_baseline(history(y), visits=len(y))
    found = _lag1(baseline)
    certified = expected("a_strd_michelso_certified", "certified")["lag1_autocorr"]
    assert found.estimate[0] == pytest.approx(certified, rel=1e-9)
    assert found.allowed_for[0] == pytest.approx(certified, abs=0.05)
    random = np.random.default_rng(5)
    x = random.normal(0, 1, (6, 9))
    fleet_of_six = set_baseline(fleet(x[:, :, None], step=1e-6), visits=9)
    several = _lag1(fleet_of_six)
    alone = [acf(row, nlags=1)[1] for row in x]
    assert several.estimate == pytest.approx(alone, abs=1e-12)


def test_autocorrelation_that_cannot_be_had() -> None:
    """A constant series has none and widens nothing."""
    baseline = set_baseline(history([0.3] * 9), visits=9)
    found = _lag1(baseline)
    assert np.isnan(found.estimate[0])
    assert found.allowed_for[0] == 0


@pytest.mark.parametrize("phi", [0.3, 0.6])
def test_moments_of_autocorrelated_baselines(phi: float) -> None:
    """Variance of means and shortfall of s², 7 visits, against 200,000 simulated baselines."""
    random = np.random.default_rng(6)
    x = np.empty((200_000, 7))
    x[:, 0] = random.standard_normal(len(x))
    for visit in range(1, 7):
        noise = random.standard_normal(len(x))
        x[:, visit] = phi * x[:, visit - 1] + np.sqrt(1 - phi**2) * noise
    assert mean_inflation(phi, 7) == pytest.approx(7 * x.mean(axis=1).var(), rel=0.02)
    assert spread_shortfall(phi, 7) == pytest.approx(x.var(axis=1, ddof=1).mean(), rel=0.01)
    assert widening(0.0, 7) == pytest.approx(1)
    assert ewma_widening(0.0, 7, weight=0.2) == pytest.approx(1)
    assert widening(phi, 7) > 1
    assert ewma_widening(phi, 7, weight=0.2) > widening(phi, 7)
