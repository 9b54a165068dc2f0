"""Histories that no chart likes: each gets a stated "cannot say" or limits, never a nan."""

from collections.abc import Callable

import numpy as np
import polars as pl
import pytest

from drift.limits.charting import Family, draw_family
from drift.limits.choices import FORMS, REPLICATES, SINGLE_POINTS, ChartSettings
from drift.limits.rounding.visit_likelihood import Visit, chance_at_least
from tests.limits.chart_fleets import fleet, history, rounded

STEP = 0.05
VISITS = 16


def normal(*shape: int, seed: int = 1) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    return np.asarray(np.random.default_rng(seed).normal(0, 0.03, shape))


def of_counts(counts: list[int], *, meters: int = 8) -> pl.DataFrame:
    """Return meters whose visits have these numbers of readings."""
    readings = [
        rounded(normal(count, seed=100 * meter + visit), STEP)
        for meter in range(meters)
        for visit, count in enumerate(counts)
    ]
    return fleet(np.zeros((meters, len(counts), 1)), step=STEP).with_columns(
        value=pl.Series([each.mean() for each in readings]),
        replicates=pl.Series([len(each) for each in readings]),
        spread=pl.Series([each.std(ddof=1) if len(each) > 1 else None for each in readings]),
        values=pl.Series([each.tolist() for each in readings]),
    )


def constant() -> pl.DataFrame:
    return fleet(np.zeros((8, VISITS, 3)), step=STEP)


def one_point() -> pl.DataFrame:
    return fleet(rounded(normal(1, 1, 3), STEP), step=STEP)


def two_points() -> pl.DataFrame:
    return fleet(rounded(normal(1, 2, 3), STEP), step=STEP)


def gaps() -> pl.DataFrame:
    whole = fleet(rounded(normal(8, VISITS, 3), STEP), step=STEP)
    read = pl.col("visit") % 3 != 0
    names = ("value", "spread", "values")
    return whole.with_columns(pl.when(read).then(name).alias(name) for name in names)


def one_to_nine_replicates() -> pl.DataFrame:
    return of_counts([*range(1, 10), *range(9, 0, -1)])


def mixed_resolutions() -> pl.DataFrame:
    steps = np.where(np.arange(VISITS) % 2 == 0, 0.1, 0.05)
    readings = np.round(normal(8, VISITS, 3) / steps[None, :, None]) * steps[None, :, None]
    return fleet(readings, step=0.1, resolution=pl.Series(np.tile(steps, 8)))


def a_phase_every_visit() -> pl.DataFrame:
    phases = pl.Series(np.tile(np.arange(1, VISITS + 1), 8))
    return fleet(rounded(normal(8, VISITS, 3), STEP), step=STEP, phase=phases)


def nothing() -> pl.DataFrame:
    return fleet(normal(8, VISITS, 3), step=STEP).clear()


HISTORIES = (
    constant,
    one_point,
    two_points,
    gaps,
    one_to_nine_replicates,
    mixed_resolutions,
    a_phase_every_visit,
    nothing,
)


def never_nan(family: Family) -> None:
    """Assert that no number is a nan or infinite, and no limit is there without its centre."""
    for frame in (family.points, family.limits, family.phases):
        for name, kind in frame.schema.items():
            if kind == pl.Float64:
                assert frame[name].is_finite().fill_null(value=True).all(), name
    limited = family.points.filter(pl.col("upper").is_not_null() | pl.col("lower").is_not_null())
    assert limited["centre"].null_count() == 0


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("made", HISTORIES, ids=lambda made: made.__name__)
def test_every_chart_says_or_cannot_say(made: Callable[[], pl.DataFrame], form: str) -> None:
    """All nine charts of each history: finite limits or null ones, and a sentence a phase."""
    points = made()
    family = draw_family(points, settings=ChartSettings(limits=form))
    never_nan(family)
    assert family.limits["note"].str.ends_with(".").all()
    known = family.limits.filter(pl.col("sigma").is_not_null())
    assert (known["sigma"] > 0).all()
    plotted = set(family.points["chart"])
    assert plotted <= {*SINGLE_POINTS, *REPLICATES, "cusum_high", "cusum_low"}
    if points.height:
        assert {"individuals", "ewma", "cusum_high", "cusum_low"} <= plotted


@pytest.mark.parametrize("made", [one_point, two_points])
def test_too_few_points_are_counted(made: Callable[[], pl.DataFrame]) -> None:
    """One or two points have no limits on any chart, and each note says how many there are."""
    points = made()
    family = draw_family(points, settings=ChartSettings())
    assert family.points["upper"].null_count() == family.points.height
    assert family.points["lower"].null_count() == family.points.height
    counted = f"No limits yet: {points.height} of the 7"
    assert family.limits["note"].str.starts_with(counted).all()


@pytest.mark.parametrize("visits", [20, 1000])
def test_a_baseline_longer_than_the_history(visits: int) -> None:
    """Fewer visits than a baseline needs: limits with the pooled spread of like meters, said so."""
    readings = rounded(normal(8, VISITS, 3), STEP)
    family = draw_family(
        fleet(readings, step=STEP),
        settings=ChartSettings(baseline_visits=visits),
        charts=("individuals",),
    )
    never_nan(family)
    assert family.points["upper"].null_count() == 0
    counted = f"Limits from only {VISITS} of the {visits} visits that a baseline needs"
    assert family.limits["note"].str.starts_with(counted).all()
    assert family.limits["note"].str.contains("t factor").all()


def test_limits_follow_the_number_of_replicates() -> None:
    """The mean of nine readings is bounded more closely than one reading, of spread it is less."""
    settings = ChartSettings(limits="t")
    points = of_counts([3] * 7 + [1, 2, 9], meters=1)
    charted = draw_family(points, settings=settings, charts=("mean", "repeatability")).points
    mean = charted.filter(pl.col("chart") == "mean")["upper"]
    assert mean[7] > mean[8] > mean[9]
    scatter = charted.filter(pl.col("chart") == "repeatability")
    assert scatter["visit"].to_list() == [*range(1, 8), 9, 10]
    assert scatter["upper"][7] > scatter["upper"][8]


@pytest.mark.parametrize("step", [0.0, -0.05])
@pytest.mark.parametrize("chart", SINGLE_POINTS + REPLICATES)
def test_a_step_that_cannot_be_is_refused(chart: str, step: float) -> None:
    """A resolution of 0 or below is named in one sentence, by each chart."""
    points = history(np.zeros(9), step=0.1).with_columns(resolution=pl.lit(step))
    with pytest.raises(ValueError, match=f"a resolution of {step} cannot be"):
        draw_family(points, settings=ChartSettings(), charts=(chart,))


@pytest.mark.parametrize("within", [None, 2.0, 40.0])
def test_a_group_without_coarse_spreads_is_predicted_by_its_fine_ones(within: float | None) -> None:
    """No node on the lattice gives no chances, of the shape that others have."""
    chance, values, _ = chance_at_least(
        np.array([-1.0, 0.0, 1.0]), Visit(2, 10.0, 0), spreads=np.empty(0), within=within
    )
    assert chance.shape == (0, 3, len(values))
