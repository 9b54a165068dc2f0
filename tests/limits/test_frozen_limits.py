"""Limits are frozen: once its baseline is complete, no later visit of any meter moves a phase's."""

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from drift.limits.charting import Family, draw_family
from drift.limits.choices import ChartSettings
from tests.limits.chart_fleets import fleet, rounded

VISITS = 7
SCATTER = ["spread", "range", "repeatability"]


def growing_fleet(seed: int, *, step: float, replicates: int) -> pl.DataFrame:
    """Return 30 meters that come in over six years on days of their own, some adjusted or noisy.

    Later meters scatter up to three times as much, which would widen everybody's limits.
    """
    random = np.random.default_rng(seed)
    meters, visits = 30, 24
    start = np.sort(random.uniform(0, 6, meters))
    spread = 0.02 * (1 + 2 * start / 6)[:, None, None]
    ends = (
        random.random((meters, visits)) < np.where(np.arange(meters) % 3 == 0, 0.25, 0.04)[:, None]
    )
    phase = 1 + np.cumsum(ends, axis=1) - ends
    level = 0.03 * random.standard_normal((meters, visits + 1))
    level = np.take_along_axis(level, phase, axis=1)[:, :, None]
    exact = level + spread * random.standard_normal((meters, visits, replicates))
    days = np.rint(365.25 * (start[:, None] + np.arange(visits) / 4)) + random.integers(
        0, 20, (meters, visits)
    )
    return fleet(
        rounded(exact, step),
        step=step,
        phase=pl.Series(phase.ravel()),
        t_years=pl.Series(days.ravel() / 365.25),
        gauge=1,
    )


def complete(family: Family) -> pl.DataFrame:
    """Return the chart, series and phase of each limits whose baseline is complete."""
    open_still = family.charted.filter("may_change").select("series", "phase").unique()
    of_level = ~pl.col("chart").is_in(SCATTER)
    full = family.limits.filter(pl.col("points") >= VISITS).select("chart", "series", "phase")
    return pl.concat(
        [
            full.filter(of_level).join(open_still, on=["series", "phase"], how="anti"),
            full.filter(~of_level),
        ]
    )


@pytest.mark.parametrize(("step", "replicates"), [(0.05, 2), (0.1, 1), (1e-4, 2)])
def test_limits_of_complete_baselines_stay_to_the_last_digit(step: float, replicates: int) -> None:
    """Three reviews of a growing fleet: centre, spread, limits, rates and words do not move."""
    points = growing_fleet(1, step=step, replicates=replicates)
    settings = ChartSettings(baseline_visits=VISITS)
    charts = ("individuals", "moving_range", "ewma", "cusum", "mean", "range")
    last = draw_family(points, settings=settings, charts=charts)
    seen = 0
    for until in (3.5, 7.0):
        known = points.filter(pl.col("t_years") <= until)
        then = draw_family(known, settings=settings, charts=charts)
        frozen = complete(then)
        key = ["chart", "series", "phase"]
        before = then.limits.join(frozen, on=key, how="semi").sort(key)
        after = last.limits.join(frozen, on=key, how="semi").sort(key)
        assert_frame_equal(before, after, check_exact=True)
        # Visits of a phase that is still short may yet get limits of its own: they are left out.
        place = [*key, "visit"]
        marked = then.points.join(frozen, on=key, how="semi").sort(place)
        same = last.points.join(marked.select(place), on=place, how="semi").sort(place)
        marked = marked.join(same.select(place), on=place, how="semi")
        assert_frame_equal(marked, same, check_exact=True)
        one = pl.col("chart") == "individuals"
        assert same.filter(one, "in_baseline").height == before.filter(one)["points"].sum()
        seen += before["sigma"].count()
    assert seen > 20 * len(charts)
