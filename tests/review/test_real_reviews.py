"""The main job on histories that nobody here invented, against every number their sources give.

Sources and their status: tests/published/SOURCES.md; changes of unit: tests/real_histories.py.
"""

from collections.abc import Callable
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from scipy import stats

from drift.api.reviews import Written, review_source
from drift.meter.segments import unadjusted_paths
from drift.review.policy import read_policy
from drift.trend.regression import fit_trends
from tests.real_histories import (
    CTD_POLICY,
    PCT_PER_MK,
    reference_rows,
    write_kilogram_check_standard,
    write_resistivity_check_standard,
    write_thermometer_fleet,
)

MK = float(PCT_PER_MK)


def tell_nobody(_done: int, _of: int) -> None:
    pass


def reviewed(
    folder: Path,
    write: Callable[[Path], None],
    *,
    as_of: date,
    policy: str = "",
    with_pages: bool = True,
) -> Written:
    source, choices = folder / "source", folder / "policy.toml"
    source.mkdir()
    write(source)
    choices.write_text(policy, encoding="utf-8")
    return review_source(
        source,
        out=folder / "out",
        as_of=as_of,
        policy=read_policy(choices),
        with_pages=with_pages,
        progress=tell_nobody,
    )


@pytest.fixture(scope="module")
def thermometers(tmp_path_factory: pytest.TempPathFactory) -> Written:
    return reviewed(
        tmp_path_factory.mktemp("thermometers"),
        write_thermometer_fleet,
        as_of=date(2025, 12, 31),
        policy=CTD_POLICY,
        with_pages=False,
    )


@pytest.fixture(scope="module")
def kilogram(tmp_path_factory: pytest.TempPathFactory) -> Written:
    return reviewed(
        tmp_path_factory.mktemp("kilogram"),
        write_kilogram_check_standard,
        as_of=date(1988, 12, 31),
        policy="baseline_visits = 99\n",
    )


@pytest.fixture(scope="module")
def resistivity(tmp_path_factory: pytest.TempPathFactory) -> Written:
    return reviewed(
        tmp_path_factory.mktemp("resistivity"),
        write_resistivity_check_standard,
        as_of=date(2001, 12, 31),
        policy="baseline_visits = 25\n",
    )


def expected(name: str, column: str) -> dict[str, float]:
    rows = reference_rows(name)
    return {row["quantity"]: float(row[column]) for row in rows if row[column]}


def every_page_exists(written: Written, meters: int) -> bool:
    pages = list((written.data.parent / "meters").glob("*.html"))
    return written.index is not None and written.index.is_file() and len(pages) == meters


def test_the_thermometer_fleet_is_taken_whole(thermometers: Written) -> None:
    """79 instruments, 496 recalibrations, 575 calibrations: none held back."""
    published = expected("m_ooi_ctd_temperature_asfound_summary", "recomputed")
    ledger = thermometers.review.ledger
    found = ledger.filter(pl.col("as_found_bias_pct").is_not_null())
    assert thermometers.rows.held_back == 0
    assert ledger["meter_id"].n_unique() == published["n_instruments"]
    assert found.select("meter_id", "visit_id").n_unique() == published["n_asfound_events"]
    assert ledger.select("meter_id", "visit_id").n_unique() == published["n_calibrations"]


@pytest.mark.long
def test_each_thermometer_has_its_page(tmp_path: Path) -> None:
    """A page for each of 79 instruments, most of which were seen a few times."""
    written = reviewed(
        tmp_path, write_thermometer_fleet, as_of=date(2025, 12, 31), policy=CTD_POLICY
    )
    assert every_page_exists(written, 79)


def test_the_thermometers_errors_are_those_of_the_source(thermometers: Written) -> None:
    """Median, mean, standard deviation and counts of the errors at 10 °C, in mK again."""
    published = expected("m_ooi_ctd_temperature_asfound_summary", "recomputed")
    ledger = thermometers.review.ledger.filter((pl.col("point_pct") - 8.333333).abs() < 1e-3)
    error = ledger["as_found_bias_pct"].drop_nulls() / MK
    usual = error.filter(error.abs() <= 10)
    assert error.median() == pytest.approx(published["median_error_10C_mK"], abs=1e-4)
    assert (error.abs() > 5).sum() == published["n_abs_gt_5_mK"]
    assert (error.abs() > 10).sum() == published["n_abs_gt_10_mK"]
    assert usual.mean() == pytest.approx(published["mean_excl_gt10_mK"], abs=1e-4)
    assert usual.std() == pytest.approx(published["sd_excl_gt10_mK"], abs=1e-4)


def test_a_recalibration_resets_a_thermometer(thermometers: Written) -> None:
    """As each recalibration leaves no error, a drift step is the error as found."""
    steps = thermometers.review.ledger.drop_nulls("drift_step_pct")
    difference = steps["drift_step_pct"] - steps["as_found_bias_pct"]
    assert steps.height == 4 * 496
    assert difference.abs().max() == pytest.approx(0.0, abs=1e-12)


def test_the_kilogram_history_is_charted_from_its_stated_baseline(kilogram: Written) -> None:
    """217 runs, limits from the 99 of 1975 to 1985: target and standard deviation of the source."""
    published = expected("m_nist_kilogram_check_standard_expected", "recomputed")
    ledger = kilogram.review.ledger
    values = ledger["as_found_bias_pct"] - 19.5
    baseline = values.head(99)
    assert ledger.height == published["n"]
    assert baseline.mean() == pytest.approx(published["ewma_target_baseline_mean"], abs=5e-8)
    assert baseline.std() == pytest.approx(published["baseline_sd"], abs=5e-9)
    limits = kilogram.review.limits.filter(pl.col("chart") == "ewma").row(0, named=True)
    assert limits["points"] == published["n_baseline_to_1985"]
    assert limits["centre"] - 19.5 == pytest.approx(
        published["ewma_target_baseline_mean"], abs=1e-4
    )


def test_the_kilograms_known_step_is_seen(kilogram: Written) -> None:
    """The upward step of mid-1986 signals on the EWMA chart, and on no day long before it."""
    signals = kilogram.review.signals.filter(
        (pl.col("chart") == "ewma") & (pl.col("visit_on") > date(1985, 1, 1))
    )
    first = signals["visit_on"].min()
    assert isinstance(first, date)
    assert date(1986, 1, 1) < first < date(1987, 1, 1)
    before = kilogram.review.ledger["as_found_bias_pct"].head(150).mean()
    after = kilogram.review.ledger["as_found_bias_pct"].tail(67).mean()
    published = expected("m_nist_kilogram_check_standard_expected", "recomputed")
    assert before - 19.5 == pytest.approx(published["one_step_mean_before"], abs=5e-8)  # type: ignore[operator]  # a number
    assert after - 19.5 == pytest.approx(published["one_step_mean_after"], abs=5e-8)  # type: ignore[operator]  # a number


def test_the_kilograms_trend_is_that_of_the_source(kilogram: Written) -> None:
    """Slope with its standard error, Mann–Kendall S, variance and Z (dates rounded to days)."""
    published = expected("m_nist_kilogram_check_standard_expected", "recomputed")
    trend = fit_trends(unadjusted_paths(kilogram.review.ledger)).row(0, named=True)
    half = (trend["slope_high"] - trend["slope_low"]) / 2
    error = half / stats.t.ppf(0.975, trend["points"] - 2)
    assert trend["slope"] == pytest.approx(published["ols_slope_mg_per_year"], rel=1e-3)
    assert error == pytest.approx(published["ols_slope_se"], rel=1e-3)
    assert trend["kendall_s"] == published["mann_kendall_S"]
    assert trend["kendall_p"] == pytest.approx(
        2 * stats.norm.sf(published["mann_kendall_Z"]), rel=1e-3
    )


def test_the_resistivity_history_gives_the_handbooks_figures(resistivity: Written) -> None:
    """e-Handbook 2.6.2.1–2.6.2.4: level-1 and level-2 standard deviations, centre and limits."""
    published = expected("b_ehb_262_resistivity_expected", "published")
    review = resistivity.review
    days = review.ledger["as_found_bias_pct"] + 97
    level_1 = review.meters["repeatability_pct"].item()
    level_2 = days.std()
    assert isinstance(level_2, float)
    freedom = (review.ledger["as_found_replicates"] - 1).sum()
    quantile = stats.f.ppf(0.95, 5, freedom)
    assert review.ledger.height == published["n_days"]
    assert freedom == published["level1_df"]
    assert level_1 == pytest.approx(published["level1_sd_pooled"], abs=5e-6)
    assert level_2 == pytest.approx(published["level2_sd"], abs=5e-5)
    assert days.len() - 1 == published["level2_df"]
    assert quantile == pytest.approx(published["F_0.95_5_125"], abs=5e-7)
    assert level_1 * quantile**0.5 == pytest.approx(published["precision_chart_ucl"], abs=5e-6)
    assert days.mean() == pytest.approx(published["bias_chart_center"], abs=5e-6)
    assert days.mean() - 2 * level_2 == pytest.approx(published["bias_chart_lcl_2sigma"], abs=5e-6)  # type: ignore[operator]  # a number
    assert days.mean() + 2 * level_2 == pytest.approx(published["bias_chart_ucl_2sigma"], abs=5e-6)  # type: ignore[operator]  # a number


def test_single_instruments_get_their_pages(kilogram: Written, resistivity: Written) -> None:
    """A fleet of one has a fleet page and a dossier."""
    assert every_page_exists(kilogram, 1)
    assert every_page_exists(resistivity, 1)
