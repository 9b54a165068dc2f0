"""Mean, S, range and repeatability charts: textbook limits for any counts, honest on dials."""

import numpy as np
import polars as pl
import pytest
from scipy import stats

from drift.limits.choices import ChartSettings
from tests.limits.chart_fleets import NOMINAL, Cell, fleet, rounded
from tests.limits.drawn_charts import mean, repeatability, spread, value_range
from tests.limits.table_factors import (
    mean_factor_spread,
    range_factors_estimated,
    spread_factors_estimated,
)
from tests.published.reference_tables import column, expected

TEXTBOOK = ChartSettings(limits="sigma", baseline_visits=12)


def _replicates(seed: int, sizes: list[int]) -> tuple[pl.DataFrame, list[np.ndarray]]:
    """Return one meter's points with so many replicates a visit, and the readings."""
    random = np.random.default_rng(seed)
    visits = [random.normal(5, 0.1, size) for size in sizes]
    points = pl.DataFrame(
        {
            "series": [0] * len(sizes),
            "visit": list(range(1, len(sizes) + 1)),
            "phase": [1] * len(sizes),
            "t_years": [visit / 4 for visit in range(len(sizes))],
            "value": [float(visit.mean()) for visit in visits],
            "replicates": sizes,
            "resolution": [1e-6] * len(sizes),
            "values": [visit.tolist() for visit in visits],
        }
    )
    return points, visits


def test_textbook_limits_for_equal_counts() -> None:
    """X̄ ± A3·s̄, B3·s̄ and B4·s̄, D3·R̄ and D4·R̄ with constants computed from definitions.

    e-Handbook 6.3.2.1; the constants themselves are tested against printed tables.
    """
    points, visits = _replicates(1, [4] * 12)
    deviations = np.array([visit.std(ddof=1) for visit in visits])
    ranges = np.array([np.ptp(visit) for visit in visits])
    centre = np.mean([visit.mean() for visit in visits])
    row = mean(points, settings=TEXTBOOK).points.row(0, named=True)
    assert row["centre"] == pytest.approx(centre, abs=1e-12)
    half = float(mean_factor_spread(4)) * deviations.mean()
    assert row["upper"] == pytest.approx(centre + half, abs=1e-12)
    row = spread(points, settings=TEXTBOOK).points.row(0, named=True)
    low, high = (float(each) for each in spread_factors_estimated(4))
    assert row["centre"] == pytest.approx(deviations.mean(), abs=1e-12)
    assert row["upper"] == pytest.approx(high * deviations.mean(), abs=1e-12)
    assert row["lower"] == pytest.approx(low * deviations.mean(), abs=1e-12)
    row = value_range(points, settings=TEXTBOOK).points.row(0, named=True)
    low, high = (float(each) for each in range_factors_estimated(4))
    assert row["centre"] == pytest.approx(ranges.mean(), abs=1e-12)
    assert row["upper"] == pytest.approx(high * ranges.mean(), abs=1e-12)


def test_unequal_counts_have_their_own_limits() -> None:
    """One to nine replicates: limits go with 1/√n, single readings have no S, all are finite."""
    points, _ = _replicates(2, [3, 1, 2, 9, 4, 5, 6, 7, 8, 3, 2, 4])
    settings = ChartSettings(limits="sigma", baseline_visits=12)
    charted = mean(points, settings=settings)
    width = (charted.points["upper"] - charted.points["lower"]).to_numpy()
    sizes = points["replicates"].to_numpy()
    assert width * np.sqrt(sizes) == pytest.approx(width[0] * np.sqrt(3), rel=1e-12)
    for chart in (spread, value_range, repeatability):
        one = chart(points, settings=settings)
        assert 2 not in one.points["visit"]
        assert len(one.points) == 11
        assert one.points["upper"].null_count() == 0
    kept = ChartSettings(baseline_visits=12)
    for chart in (spread, value_range, repeatability):
        assert chart(points, settings=kept).points["upper"].null_count() == 0


def test_handbook_repeatability() -> None:
    """e-Handbook 2.6.2.3, check standard 137: s₁ 0.06139 (125 df), limit 0.09283, 2 days above."""
    known = expected("b_ehb_262_resistivity_expected", "published")
    deviations = column("b_ehb_262_resistivity", "short_term_sd")
    points = fleet(
        column("b_ehb_262_resistivity", "check_standard_ohm_cm")[None, :, None], step=1e-6
    ).with_columns(
        spread=pl.Series(deviations), replicates=pl.lit(6), values=pl.lit(None, pl.List(pl.Float64))
    )
    for form in ("sigma", "t", "kept_rate"):
        settings = ChartSettings(baseline_visits=25, limits=form)
        charted = repeatability(points, settings=settings)
        row = charted.points.row(0, named=True)
        assert row["centre"] == pytest.approx(known["level1_sd_pooled"], abs=5e-6)
        assert row["upper"] == pytest.approx(known["precision_chart_ucl"], abs=5e-6)
        assert row["lower"] is None
        assert charted.limits["df"][0] == known["level1_df"]
        above = charted.points.filter(pl.col("value") > pl.col("upper"))
        recomputed = expected("b_ehb_262_resistivity_expected")
        assert len(above) == recomputed["n_sd_above_precision_ucl"]


@pytest.mark.parametrize(
    ("size", "visits", "root"),
    [(3, 8, 1.90623), (3, 12, 1.84468), (6, 6, 1.59171), (2, 20, 2.08596)],
)
def test_root_f_of_the_repeatability_limit(size: int, visits: int, root: float) -> None:
    """sqrt(F₀.₉₅(J−1, K(J−1))) for J readings on K days, formula e-Handbook 2.2.3.1 (C8)."""
    points, _ = _replicates(3, [size] * visits)
    settings = ChartSettings(baseline_visits=visits, limits="t")
    row = repeatability(points, settings=settings).points.row(0, named=True)
    assert row["upper"] / row["centre"] == pytest.approx(root, abs=6e-6)


def test_kept_rate_of_one_finely_read_meter_is_root_f() -> None:
    """Without rounding and without a fleet the likelihood leads to the handbook's limit."""
    points, visits = _replicates(4, [3] * 20)
    settings = ChartSettings(baseline_visits=20)
    squares = sum(((visit - visit.mean()) ** 2).sum() for visit in visits)
    pooled = np.sqrt(squares / 40)
    row = repeatability(points, settings=settings).points.row(0, named=True)
    assert row["upper"] == pytest.approx(pooled * np.sqrt(stats.f.ppf(0.95, 2, 40)), rel=2e-3)
    one = spread(points, settings=settings).points.row(0, named=True)
    assert one["upper"] == pytest.approx(
        pooled * np.sqrt(stats.f.ppf(1 - NOMINAL, 2, 40)), rel=2e-3
    )
    widest = value_range(points, settings=settings).points.row(0, named=True)
    known = pooled * stats.studentized_range.ppf(1 - NOMINAL, 3, 40)
    assert widest["upper"] == pytest.approx(known, rel=0.01)


def test_mean_chart_of_one_finely_read_meter() -> None:
    """Kept rate without rounding: x̄ ± t·s·sqrt(1/n + 1/N) over all N readings of the baseline."""
    points, visits = _replicates(5, [3] * 12)
    readings = np.concatenate(visits)
    row = mean(points, settings=ChartSettings(baseline_visits=12)).points.row(0, named=True)
    half = stats.t.ppf(1 - NOMINAL / 2, 35) * readings.std(ddof=1) * np.sqrt(1 / 3 + 1 / 36)
    assert row["upper"] - readings.mean() == pytest.approx(half, rel=1e-4)


def test_replicates_that_never_differ() -> None:
    """Equal replicates on a dial: textbook forms cannot say; ours is said to be limited."""
    readings = np.repeat(rounded(np.random.default_rng(6).normal(0, 0.04, (1, 9, 1)), 0.1), 2, 2)
    points = fleet(readings, step=0.1)
    for chart in (mean, spread, value_range, repeatability):
        plain = chart(points, settings=ChartSettings(limits="sigma"))
        assert plain.points["upper"].null_count() == len(plain.points)
        assert "do not scatter" in plain.limits["note"][0]
    ours = repeatability(points, settings=ChartSettings())
    assert "too coarse to show its own scatter" in ours.limits["note"][0]
    assert (ours.points["upper"] > 0).all()
    assert not (ours.points["value"] > ours.points["upper"]).any()


def test_without_replicates_there_is_nothing_to_say() -> None:
    """Single readings have no scatter: the charts say so, and none holds a number for it."""
    points = fleet(np.random.default_rng(7).normal(0, 0.04, (8, 9, 1)), step=1e-6)
    for chart in (mean, spread, value_range, repeatability):
        for form in ("kept_rate", "sigma", "t"):
            charted = chart(points, settings=ChartSettings(limits=form))
            assert charted.points["upper"].null_count() == len(charted.points)
            assert charted.limits["sigma"].null_count() == 8
            assert "0 of the 7 visits with replicates" in charted.limits["note"][0]


@pytest.mark.parametrize("offset", [0.0, 0.25, 0.5])
@pytest.mark.parametrize("sigma", [0.02, 0.04, 0.06])
def test_scatter_limits_keep_their_rate_on_a_dial(sigma: float, offset: float) -> None:
    """S, range and repeatability on a dial of 0.1: at most 1.3 times nominal, 40,000 draws each."""
    cell = Cell(step=0.1, sigma=sigma, offset=offset, replicates=3)
    random = np.random.default_rng(8)
    points = fleet(rounded(cell.read(random, meters=120, visits=7), 0.1), step=0.1)
    fresh = rounded(cell.read(random, meters=40_000, visits=1), 0.1)[:, 0]
    deviations, ranges = fresh.std(axis=1, ddof=1), np.ptp(fresh, axis=1)
    for chart, values, nominal in (
        (spread, deviations, NOMINAL),
        (value_range, ranges, NOMINAL),
        (repeatability, deviations, 0.05),
    ):
        charted = chart(points, settings=ChartSettings())
        upper = charted.points.filter(pl.col("visit") == 7)["upper"].to_numpy()
        ordered = np.sort(values)
        rate = 1 - np.searchsorted(ordered, upper + 1e-9, side="right") / len(ordered)
        assert rate.mean() < 1.3 * nominal + 3 * np.sqrt(nominal / 40_000)
        assert (charted.limits["attained_rate"] <= nominal).all()
