"""Real histories: the input tables made from them still hold what their sources say."""

import csv
import math
from collections import defaultdict
from datetime import date
from decimal import Decimal
from itertools import combinations
from pathlib import Path
from statistics import fmean, median, stdev

import pytest

from drift.intake.columns import TABLES
from tests import real_histories
from tests.real_histories import reference_rows

Row = dict[str, str]


def written(folder: Path, table: str = "readings") -> list[Row]:
    with (folder / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def bias(row: Row) -> float:
    return float(row["reading_air_pct"]) - float(row["correct_air_pct"])


def expected(name: str) -> dict[str, Row]:
    return {row["quantity"]: row for row in reference_rows(name)}


def half_a_unit(printed: str) -> float:
    """Return half a unit of the last printed digit, with a hair for binary fractions."""
    return 0.5000001 / float(10 ** len(printed.partition(".")[2]))


def assert_readings_can_be_meant(rows: list[Row]) -> None:
    """Assert that no reading lies outside the bounds of its column."""
    columns = {column.name: column for column in TABLES["readings"]}
    assert set(rows[0]) <= set(columns)
    for name in ("correct_air_pct", "reading_air_pct", "resolution_pct", "water_temp_c"):
        low, high = columns[name].low, columns[name].high
        assert low is not None
        assert high is not None
        assert all(low <= float(row[name]) <= high for row in rows if name in row)


def test_thermometer_fleet_keeps_every_recalibration(tmp_path: Path) -> None:
    """Counts and moments of the errors at 10 °C: Ocean Observatories Initiative, recomputed."""
    real_histories.write_thermometer_fleet(tmp_path)
    rows = written(tmp_path)
    assert_readings_can_be_meant(rows)
    summary = {
        row["quantity"]: float(row["recomputed"])
        for row in reference_rows("m_ooi_ctd_temperature_asfound_summary")
    }
    found = [row for row in rows if row["stage"] == "as_found"]
    left = [row for row in rows if row["stage"] == "as_left"]
    assert len({row["meter_id"] for row in rows}) == summary["n_instruments"]
    assert len(found) == 4 * summary["n_asfound_events"]
    assert len(left) == 4 * summary["n_calibrations"]
    assert len(written(tmp_path, "service")) == summary["n_asfound_events"]
    assert {bias(row) for row in left} == {0.0}
    errors = [bias(row) / 0.02 for row in found if row["correct_air_pct"] == "8.333333"]
    assert median(errors) == pytest.approx(summary["median_error_10C_mK"], abs=5e-7)
    assert sum(abs(error) > 5 for error in errors) == summary["n_abs_gt_5_mK"]
    assert sum(abs(error) > 10 for error in errors) == summary["n_abs_gt_10_mK"]
    small = [error for error in errors if abs(error) <= 10]
    assert fmean(small) == pytest.approx(summary["mean_excl_gt10_mK"], abs=5e-7)
    assert stdev(small) == pytest.approx(summary["sd_excl_gt10_mK"], abs=5e-7)


def test_kilogram_check_standard_keeps_its_runs_and_its_step(tmp_path: Path) -> None:
    """Baseline to 1985 and the known step after run 150: NIST/SEMATECH e-Handbook data, recomputed.

    The file MASS.DAT goes with section 2.3.5; the handbook's printed limits could not be read.
    """
    real_histories.write_kilogram_check_standard(tmp_path)
    rows = written(tmp_path)
    assert_readings_can_be_meant(rows)
    numbers = {
        name: float(row["recomputed"])
        for name, row in expected("m_nist_kilogram_check_standard_expected").items()
    }
    dates = [row["performed_on"] for row in rows]
    assert dates == sorted(dates)
    assert [row["visit_id"] for row in rows] == sorted({row["visit_id"] for row in rows})
    milligrams = [bias(row) - 19.5 for row in rows]
    assert len(milligrams) == numbers["n"]
    baseline = [
        mg for mg, row in zip(milligrams, rows, strict=True) if row["performed_on"] < "1985"
    ]
    assert len(baseline) == numbers["n_baseline_to_1985"]
    assert fmean(baseline) == pytest.approx(numbers["ewma_target_baseline_mean"], abs=5e-8)
    assert stdev(baseline) == pytest.approx(numbers["baseline_sd"], abs=5e-9)
    split = int(numbers["one_step_change_first_segment_n"])
    assert fmean(milligrams[:split]) == pytest.approx(numbers["one_step_mean_before"], abs=5e-8)
    assert fmean(milligrams[split:]) == pytest.approx(numbers["one_step_mean_after"], abs=5e-8)
    # Pairs of one decimal date count nothing in the recomputed statistic.
    when = [
        row["date_decimal_year_1900"] for row in reference_rows("m_nist_kilogram_check_standard")
    ]
    exact = [round(mg, 5) for mg in milligrams]
    pairs = combinations(zip(when, exact, strict=True), 2)
    s = sum((b > a) - (b < a) for (early, a), (late, b) in pairs if early != late)
    assert s == numbers["mann_kendall_S"]


def test_decimal_years_become_the_days_they_name() -> None:
    """0 is New Year's Day, 0.884 day 323 and 0.999 the last day of a common year."""
    rows = reference_rows("m_nist_kilogram_check_standard")
    assert rows[0]["date_decimal_year_1900"] == "75.884"
    assert real_histories._day(Decimal("75.884")) == date(1975, 11, 19)
    assert real_histories._day(Decimal("85.000")) == date(1985, 1, 1)
    assert real_histories._day(Decimal("85.999")) == date(1985, 12, 31)


def test_resistivity_check_standard_keeps_both_levels_of_scatter(tmp_path: Path) -> None:
    """Level-1 and level-2 standard deviations and limits: e-Handbook 2.6.2.1 to 2.6.2.4."""
    real_histories.write_resistivity_check_standard(tmp_path)
    rows = written(tmp_path)
    assert_readings_can_be_meant(rows)
    occasions: dict[str, list[float]] = defaultdict(list)
    for row in rows:
        occasions[row["visit_id"]].append(bias(row) + 97)
    means = [fmean(values) for values in occasions.values()]
    spreads = [stdev(values) for values in occasions.values()]
    within = math.sqrt(fmean(spread**2 for spread in spreads))
    critical = float(expected("b_ehb_262_resistivity_expected")["F_0.95_5_125"]["recomputed"])
    reached = {
        "n_days": len(means),
        "level1_sd_pooled": within,
        "level1_df": sum(len(values) - 1 for values in occasions.values()),
        "level2_sd": stdev(means),
        "level2_df": len(means) - 1,
        "precision_chart_ucl": within * math.sqrt(critical),
        "bias_chart_center": fmean(means),
        "bias_chart_lcl_2sigma": fmean(means) - 2 * stdev(means),
        "bias_chart_ucl_2sigma": fmean(means) + 2 * stdev(means),
        "n_sd_above_precision_ucl": sum(s > within * math.sqrt(critical) for s in spreads),
        "n_outside_2sigma_bias": sum(abs(m - fmean(means)) > 2 * stdev(means) for m in means),
    }
    for name, row in expected("b_ehb_262_resistivity_expected").items():
        if name == "F_0.95_5_125":
            continue
        assert reached[name] == pytest.approx(
            float(row["recomputed"]), abs=6e-8 if name.startswith("level1_sd") else 6e-7
        )
        if row["published"]:
            assert reached[name] == pytest.approx(
                float(row["published"]), abs=half_a_unit(row["published"])
            )
