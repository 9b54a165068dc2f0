"""Phases against what came before: F and t, what goes on, what restarts, and false alarms."""

import numpy as np
import polars as pl
import pytest
from scipy import stats

from drift.limits.charting import draw_family
from drift.limits.choices import ChartSettings
from drift.limits.phase_tests import PHASES, ComparedPhases, compare_phases
from tests.limits.chart_fleets import NOMINAL, adjusted_fleet, fleet, history, rounded

OLD = [0.02, 0.01, 0.03, 0.00, 0.02, 0.04, 0.01, 0.03]
NEW = [0.05, 0.06, 0.04, 0.07, 0.05, 0.06, 0.08]


def compared(points: pl.DataFrame, visits: int | None = None) -> ComparedPhases:
    return compare_phases(points, visits=visits or 7, spread_level=0.01, level=0.05)


def in_phases(values: list[float], phases: list[int], *, step: float = 1e-6) -> pl.DataFrame:
    return history(values, step=step, phase=pl.Series(phases))


def test_old_and_new_of_a_mass_laboratory_example() -> None:
    """F 1.05556 (6, 7 df), t −5.62050 (13 df), p 8.33e−5: spread as before, level changed (T2).

    Arithmetic in the style of NIST SOP 9, derived elsewhere; the p of F is two-sided (scipy).
    """
    found = compared(in_phases(OLD + NEW, [1] * 8 + [2] * 7, step=0.001), visits=8)
    row = found.tests.row(0, named=True)
    assert row["f"] == pytest.approx(1.05556, abs=5e-6)
    assert row["f_p"] == pytest.approx(2 * stats.f.sf(1.0555556, 6, 7), rel=1e-6)
    assert row["t"] == pytest.approx(-5.62050, abs=5e-6)
    assert row["t_df"] == 13
    assert row["t_p"] == pytest.approx(8.33e-5, abs=5e-8)
    assert row["verdict"] == "level_differs"
    assert found.points["phase"].to_list() == [1] * 8 + [2] * 7
    assert found.points["scatter_run"].n_unique() == 1


def test_fleet_of_phases_equals_library_tests() -> None:
    """F and t of thirty meters equal scipy's variance ratio and two-sample t test to 1e-9."""
    random = np.random.default_rng(1)
    x = random.normal(0, 0.05, (30, 12))
    points = fleet(x[:, :, None], step=1e-6, phase=pl.Series(([1] * 7 + [2] * 5) * 30))
    found = compared(points).tests
    assert found.schema == PHASES
    assert found["old_visits"].to_list() == [7] * 30
    for row, values in zip(found.iter_rows(named=True), x, strict=True):
        old, new = values[:7], values[7:]
        ratio = new.var(ddof=1) / old.var(ddof=1)
        assert row["f"] == pytest.approx(max(ratio, 1 / ratio), rel=1e-9)
        library = stats.ttest_ind(old, new)
        assert row["t"] == pytest.approx(library.statistic, rel=1e-9)
        assert row["t_p"] == pytest.approx(library.pvalue, rel=1e-9)


def test_short_phases_that_agree_go_on_and_whole_ones_restart() -> None:
    """A phase of two goes on under the limits before it, one of seven has a baseline of its own."""
    random = np.random.default_rng(2)
    calm = random.normal(0, 0.03, 16).tolist()
    found = compared(in_phases(calm, [1] * 7 + [2] * 2 + [3] * 7))
    assert found.tests["verdict"].to_list() == ["goes_on", "own_baseline"]
    assert found.tests["limits_phase"].to_list() == [1, 3]
    assert found.points["phase"].to_list() == [1] * 9 + [3] * 7
    limits = draw_family(
        in_phases(calm, [1] * 7 + [2] * 2 + [3] * 7), settings=ChartSettings()
    ).limits.filter(pl.col("chart") == "individuals")
    assert limits.select("phase", "points", "first_visit", "last_visit").rows() == [
        (1, 7, 1, 7),
        (3, 7, 10, 16),
    ]
    assert "earlier phases, which scatter alike (F test), are pooled" in limits["note"][1]


def test_changed_spread_and_another_gauge_share_nothing() -> None:
    """Tenfold scatter begins another run of spread; so does a new gauge, however alike."""
    random = np.random.default_rng(3)
    values = [*random.normal(0, 0.01, 8), *random.normal(0, 0.1, 5), *random.normal(0, 0.1, 4)]
    points = in_phases(values, [1] * 8 + [2] * 5 + [3] * 4).with_columns(
        gauge=pl.Series([1] * 13 + [2] * 4)
    )
    found = compared(points)
    assert found.tests["verdict"].to_list() == ["spread_differs", "other_gauge"]
    assert found.points.group_by("phase", maintain_order=True).first()["scatter_run"].to_list() == [
        0,
        1,
        2,
    ]


def test_single_visits_are_compared_by_the_usual_scatter_of_the_fleet() -> None:
    """Phases of one visit have no spread: in a fleet known by then the level can be judged.

    What the fleet showed later does not count.
    """
    alone = compared(in_phases([0.0, 0.3], [1, 2])).tests.row(0, named=True)
    assert alone["verdict"] == "cannot_say"
    assert alone["t"] is None
    random = np.random.default_rng(4)
    others = fleet(
        random.normal(0, 0.03, (20, 12, 1)),
        step=1e-6,
        series=pl.Series(np.repeat(np.arange(1, 21), 12)),
    )
    for level, verdict in ((0.3, "level_differs"), (0.03, "goes_on")):
        late = in_phases([0.0, level], [1, 2]).with_columns(pl.col("t_years") + 3)
        both = pl.concat([late, others])
        row = compared(both).tests.row(0, named=True)
        assert row["verdict"] == verdict
        assert row["t_df"] == 6
        assert row["f"] is None
        early = pl.concat([in_phases([0.0, level], [1, 2]), others])
        assert compared(early).tests.row(0, named=True)["verdict"] == "cannot_say"


def test_rounding_alone_makes_no_phase_differ() -> None:
    """Seven equal readings of a coarse dial do not make one step more a change of level."""
    found = compared(in_phases([0.0] * 7 + [0.05], [1] * 7 + [2], step=0.1))
    assert found.tests["verdict"].to_list() == ["goes_on"]


def test_phases_without_readings_and_without_baseline_visits() -> None:
    """A phase never read is passed over; one after a named window has its first visits compared."""
    values = pl.Series([0.0, 0.1, 0.2, 0.1, None, 0.1, 0.0, 0.1])
    points = history(np.zeros(8), step=0.1, phase=pl.Series([1, 1, 1, 1, 2, 3, 3, 3])).with_columns(
        value=values, values=pl.lit(None, dtype=pl.List(pl.Float64))
    )
    found = compared(points)
    assert found.tests["phase"].to_list() == [3]
    windowed = compare_phases(
        points, visits=7, spread_level=0.01, level=0.05, window=(0.0, 0.5)
    ).tests.row(0, named=True)
    assert (windowed["old_visits"], windowed["new_visits"]) == (3, 3)
    assert compared(points.clear()).tests.schema == PHASES


@pytest.mark.parametrize("step", [0.001, 0.05, 0.1])
@pytest.mark.parametrize(("every", "moves"), [(2, 0), (2, 1), (5, 1), (5, 3), (10, 3)])
def test_adjustments_raise_no_false_alarms(step: float, every: int, moves: float) -> None:
    """Meters that only their adjustments move: points outside on each chart at most 1.3 × nominal.

    7,200 points of three charts; twice the standard deviation of so few alarms is allowed on top.
    """
    points = adjusted_fleet(np.random.default_rng(5), every=every, moves=moves, step=step)
    charts = ("individuals", "moving_range", "ewma")
    family = draw_family(points, settings=ChartSettings(), charts=charts)
    for chart in charts:
        shown = family.points.filter((pl.col("chart") == chart) & pl.col("upper").is_not_null())
        assert len(shown) > 0.95 * family.points.filter(pl.col("chart") == chart).height
        low = pl.col("lower").fill_null(-1.0)
        out = shown.filter((pl.col("value") > pl.col("upper")) | (pl.col("value") < low)).height
        expected = 1.3 * NOMINAL * len(shown)
        assert out <= expected + 2 * np.sqrt(expected)


def test_a_meter_adjusted_at_every_second_visit_has_useful_limits() -> None:
    """Where adjustments leave the level alone, half of the meters' limits lie within 3.5 σ."""
    points = adjusted_fleet(np.random.default_rng(6), every=2, moves=0, step=0.001)
    family = draw_family(points, settings=ChartSettings(), charts=("individuals",))
    half = (family.points["upper"] - family.points["lower"]) / 2 / 0.03
    assert float(half.median()) < 3.5  # type: ignore[arg-type]  # numbers


def test_earlier_phases_give_rough_meters_limits() -> None:
    """Thirty meters scatter thrice as much: their own earlier phases say so, and limits follow."""
    points = adjusted_fleet(np.random.default_rng(7), every=3, moves=4, step=0.05, rough=30)
    charted = draw_family(points, settings=ChartSettings(), charts=("individuals",)).points
    mine = charted.filter(pl.col("series") < 30)
    shown = mine.filter(pl.col("upper").is_not_null())
    assert len(shown) > 0.85 * len(mine)
    out = shown.filter(~pl.col("value").is_between("lower", "upper")).height
    assert out <= 4  # 1.9 expected at the nominal rate


@pytest.mark.parametrize(("visits", "step"), [(2, 0.001), (3, 0.05), (5, 0.001)])
def test_ewma_of_short_baselines_keeps_its_rate(visits: int, step: float) -> None:
    """Few visits, all of them in the centre too: the average strays no more than its limits say."""
    random = np.random.default_rng(8)
    x = rounded(random.normal(0, 0.03, (2000, visits)), step)
    points = draw_family(
        fleet(x[:, :, None], step=step), settings=ChartSettings(), charts=("ewma",)
    ).points.drop_nulls("upper")
    out = points.filter(~pl.col("value").is_between("lower", "upper")).height
    expected = 1.3 * NOMINAL * len(points)
    assert out <= expected + 2 * np.sqrt(expected)
    assert len(points) > 0.9 * x.size
