"""Predictions against closed forms, published rounding moments and simulated paths."""

import numpy as np
import polars as pl
import pytest
from scipy import special, stats

from drift.forecast.forecasts import any_out, forecast
from drift.forecast.grid.horizon import (
    Bins,
    found_out,
    mean_band,
    mean_lattice,
    reading_table,
)
from drift.forecast.grid.model import HyperParameters, Kind, Settings, make_grid
from drift.forecast.grid.passage import crossing_time, make_passage
from drift.forecast.learn import tie_points
from tests.forecast.simulator import Plan, simulate, to_ledger
from tests.forecast.test_forecast_filter import USUAL, found
from tests.forecast.test_forecast_filter import ledger as ledger_of

BINS = Bins(step=0.1 / 40, resolution=0.1, replicates=1)


def plain(noise_sd: float, *, wander: float = 0.02, shock_rate: float = 0.0) -> HyperParameters:
    """Return hyper-parameters of a fleet of one kind."""
    return HyperParameters(
        wander=wander,
        noise_sd=noise_sd,
        visit_sd=0.0,
        kinds=(Kind(1.0, 1.0, 1.0),),
        spike_weight=0.5,
        slab_mean=0.0,
        slab_sd=0.08,
        shock_rate=shock_rate,
        shock_size=0.12,
        reset_sd=0.02,
        start_sd=0.05,
    )


@pytest.mark.parametrize(
    ("noise_sd", "level", "mean", "sd"),
    [
        (0.05, 0.025, 0.024771, 0.057735),
        (0.03, 0.025, 0.019613, 0.041245),
        (0.03, 0.0, 0.0, 0.030916),
        (0.02, 0.05, 0.05, 0.05),
    ],
)
def test_rounded_readings_have_their_exact_moments(
    noise_sd: float, level: float, mean: float, sd: float
) -> None:
    """Mean and standard deviation of a reading on a 0.1 dial.

    The check value was derived apart from the code tested.
    """
    table = reading_table(BINS, plain(noise_sd))
    lattice = mean_lattice(np.zeros(1), table.shape[2], bins=BINS)[0]
    row = table[0, table.shape[1] // 2 + round(level / BINS.step)]
    assert row.sum() == pytest.approx(1.0, abs=1e-9)
    assert row @ lattice == pytest.approx(mean, abs=2e-6)
    assert np.sqrt(row @ lattice**2 - (row @ lattice) ** 2) == pytest.approx(sd, abs=2e-6)


def test_the_mean_of_three_readings_is_counted_out() -> None:
    """The distribution of the mean of three readings equals that of all their triples."""
    bins = Bins(step=0.05 / 20, resolution=0.05, replicates=3)
    table = reading_table(bins, plain(0.03))
    lattice = mean_lattice(np.zeros(1), table.shape[2], bins=bins)[0]
    level, values = 0.0325, np.arange(-8, 10) * 0.05
    one = special.ndtr((values + 0.025 - level) / 0.03) - special.ndtr(
        (values - 0.025 - level) / 0.03
    )
    triple = (values[:, None, None] + values[:, None] + values) / 3
    chance = one[:, None, None] * one[:, None] * one
    row = table[0, table.shape[1] // 2 + round(level / bins.step)]
    for mean in (-0.05, 0.0, 0.05 / 3, 0.1):
        expected = chance[np.isclose(triple, mean)].sum()
        assert row[np.isclose(lattice, mean)].sum() == pytest.approx(expected, abs=1e-9)


def test_the_two_methods_of_comparison_part_at_the_tolerance() -> None:
    """A mean of 0.12 is out by the absolute method and in by rounding (ASTM E29); 0.1 never is.

    0.15 rounds half to even, to 0.2.
    """
    means = np.array([0.1, 0.3 - 0.2, -0.12, 0.14, 0.15, 0.16])
    absolute = found_out(means, Settings(comparison="absolute"))
    rounding = found_out(means, Settings(comparison="rounding"))
    assert absolute.tolist() == [0, 0, 1, 1, 1, 1]
    assert rounding.tolist() == [0, 0, 0, 0, 1, 1]


@pytest.mark.parametrize("ratio", [0.5, 0.7, 1.0, 2.0, 4.0])
def test_bands_of_means_on_a_lattice_cover_what_they_say_on_average(ratio: float) -> None:
    """Over all phases of the lattice, 90 % bands of normal readings cover 88 to 93 %."""
    bins = Bins(step=0.01, resolution=0.1, replicates=1)
    covered = []
    for phase in (np.arange(100) + 0.5) / 100:
        lattice = (np.arange(-40, 41) + phase)[None] * 0.1
        edges = np.concatenate([lattice - 0.05, lattice[:, -1:] + 0.05], axis=1)
        masses = np.diff(special.ndtr(edges / (ratio * 0.1)), axis=1)
        low, high = mean_band(masses, lattice, bins=bins, level=0.9)
        covered.append(masses[(lattice >= low[:, None]) & (lattice <= high[:, None])].sum())
    assert 0.88 <= np.mean(covered) <= 0.935


@pytest.mark.parametrize("rate", [0.02, 0.08, 0.14])
def test_first_passage_is_the_inverse_gaussian_distribution(rate: float) -> None:
    """Without shocks, far from the other bound, it equals scipy's inverse Gaussian."""
    hyper = plain(0.03, wander=0.02)
    grid = make_grid(hyper, resolutions=np.array([0.1]))
    near = int(np.argmin(np.abs(grid.drifts - rate)))
    passage = make_passage(4.0, tolerance=0.1, hyper=hyper, grid=grid)
    drift, middle = grid.drifts[near], passage.levels.size // 2
    distance = 0.1 - passage.levels[middle]
    shape = (distance / 0.02) ** 2
    mean = distance / drift
    expected = stats.invgauss.cdf(passage.years, mu=mean / shape, scale=shape)
    assert drift > 0.01
    # Leaving by the other bound adds at most what it does without a drift.
    other = 2 * special.ndtr(-0.1 / (0.02 * np.sqrt(np.maximum(passage.years, 1e-9))))
    assert (np.abs(passage.chance[0, middle, near] - expected) <= other + 0.006).all()


def test_crossing_chances_are_those_of_simulated_paths() -> None:
    """With wander, drift and shocks, 4,000 paths in steps of four days leave as foretold."""
    hyper = plain(0.03, wander=0.02, shock_rate=0.2)
    grid = make_grid(hyper, resolutions=np.array([0.1]))
    years = np.array([0.0, 0.25, 0.5, 1.0, 2.0, 3.0])
    passage = make_passage(3.0, tolerance=0.1, hyper=hyper, grid=grid)
    rate = int(np.argmin(np.abs(grid.drifts - 0.04)))
    level = int(np.argmin(np.abs(passage.levels - 0.02)))
    rng = np.random.default_rng(7)
    step, number = 0.01, 4000
    x = np.full(number, passage.levels[level])
    left = np.full(number, np.inf)
    for k in range(1, 301):
        x = x + grid.drifts[rate] * step + 0.02 * np.sqrt(step) * rng.normal(size=number)
        x = x + 0.12 * rng.normal(size=number) * (rng.random(number) < 0.2 * step)
        left = np.where((np.abs(x) > 0.1) & np.isinf(left), k * step, left)
    simulated = [(left <= year).mean() for year in years]
    foretold = np.interp(years, passage.years, passage.chance[0, level, rate])
    # Paths seen every four days leave a little later than paths seen always.
    assert foretold == pytest.approx(np.array(simulated), abs=0.025)


def test_a_crossing_is_interpolated_or_not_within_the_years_looked_at() -> None:
    """Half is reached between two times, and never where the chance stays below."""
    chances = np.array([[0.0, 0.2, 0.6], [0.7, 0.8, 0.9], [0.0, 0.1, 0.2]])
    when = crossing_time(chances, np.array([0.0, 1.0, 2.0]), 0.5)
    assert when[:2].tolist() == pytest.approx([1.75, 0.0])
    assert np.isnan(when[2])


@pytest.mark.parametrize("tie", [0.0, 0.3, 0.8])
def test_some_point_out_is_the_multivariate_normal_probability(tie: float) -> None:
    """One minus the probability of a box under the equicorrelated normal, by scipy's integrator."""
    below, above = np.array([0.02, 0.05, 0.01]), np.array([0.1, 0.2, 0.03])
    chance = any_out(below, above, np.zeros(3, dtype=np.int64), meters=1, tie=tie)[0]
    normal = stats.multivariate_normal(np.zeros(3), (1 - tie) * np.eye(3) + tie)
    inside = normal.cdf(
        special.ndtri(1 - above), lower_limit=special.ndtri(below), rng=np.random.default_rng(1)
    )
    assert chance == pytest.approx(1 - inside, abs=2e-4)


def test_points_that_move_as_one_are_as_bad_as_the_worst() -> None:
    """A meter is never better than its worst point nor worse than the sum; one point is itself."""
    below, above = np.array([0.0, 0.0, 0.3]), np.array([0.2, 0.2, 0.0])
    meter = np.array([0, 0, 1])
    tight = any_out(below, above, meter, meters=3, tie=0.98)
    loose = any_out(below, above, meter, meters=3, tie=0.0)
    assert 0.2 <= tight[0] < 0.24
    assert loose[0] == pytest.approx(1 - 0.8**2, abs=1e-6)
    assert tight[1] == pytest.approx(0.3)
    assert np.isnan(tight[2])


def test_the_tie_of_points_is_their_correlation() -> None:
    """Scores with an intraclass correlation of 0.6 give it back; none give the usual."""
    rng = np.random.default_rng(3)
    shared = rng.normal(size=(800, 1))
    scores = np.sqrt(0.6) * shared + np.sqrt(0.4) * rng.normal(size=(800, 3))
    place = np.repeat(np.arange(800), 3)
    assert tie_points(scores.ravel(), place) == pytest.approx(0.6, abs=0.05)
    assert tie_points(np.empty(0), np.empty(0, dtype=np.int64)) == 0.5


@pytest.fixture(scope="module")
def fleet_ledger() -> pl.DataFrame:
    """Return the ledger of a small fleet, series in pairs of points of one meter."""
    ledger = to_ledger(simulate(Plan(meters=12, visits=14), seed=3))
    return ledger.with_columns(
        meter_id=pl.format("M{}", pl.col("series") // 2),
        point_pct=5.0 * (1 + pl.col("series") % 2),
    )


def due_in(ledger: pl.DataFrame, years: float) -> tuple[pl.DataFrame, float]:
    """Return the due frame of a ledger so many years after now, and now."""
    now = float(ledger["t_years"].max())  # type: ignore[arg-type]  # a number
    series = ledger.select(pl.col("series").unique().sort())
    return series.with_columns(due_t_years=pl.lit(now + years)), now


def test_forecasts_hang_together(fleet_ledger: pl.DataFrame) -> None:
    """Probabilities, bands, horizons and meters agree with each other."""
    due, now = due_in(fleet_ledger, 0.25)
    made = forecast(fleet_ledger, due=due, now=now)
    series = made.series
    assert series.height == 12
    for name in ("p_out_due", "p_found_out_due", "p_out_now", "p_steady", "p_drifting", "p_shock"):
        assert series[name].is_between(0.0, 1.0).all()
    kinds = series["p_steady"] + series["p_drifting"] + series["p_shock"]
    assert kinds.to_list() == pytest.approx([1.0] * 12, abs=1e-6)
    assert (series["at_due_low"] < series["at_due"]).all()
    assert (series["at_due"] < series["at_due_high"]).all()
    assert (series["drift_low"] <= series["drift_high"]).all()
    both = series.filter(pl.col("crossing").is_not_null())
    assert (both["crossing_early"] <= both["crossing"]).all()
    assert made.horizons.height == 12 * 5
    assert made.meters.height == 6
    assert made.meter_horizons.height == 6 * 5
    worst = series.group_by("meter_id").agg(worst=pl.col("p_out_due").max()).sort("meter_id")
    joined = made.meters.sort("meter_id")["p_out_due"] - worst["worst"]
    assert (joined >= -1e-12).all()


def test_the_due_date_is_one_more_horizon(fleet_ledger: pl.DataFrame) -> None:
    """Due in 90 days and 90 days ahead are the same forecast."""
    due, now = due_in(fleet_ledger, 90 / 365.25)
    made = forecast(fleet_ledger, due=due, now=now)
    ahead = made.horizons.filter(pl.col("horizon_days") == 90)
    assert made.series["p_out_due"].to_list() == pytest.approx(ahead["p_out"].to_list(), abs=1e-6)
    assert made.series["at_due"].to_list() == pytest.approx(ahead["level"].to_list(), abs=1e-9)


def test_an_overdue_meter_is_forecast_for_now(fleet_ledger: pl.DataFrame) -> None:
    """A due date in the past is answered for the present."""
    due, now = due_in(fleet_ledger, -0.2)
    made = forecast(fleet_ledger, due=due, now=now + 0.1)
    assert made.series["p_out_due"].to_list() == pytest.approx(
        made.series["p_out_now"].to_list(), abs=1e-6
    )


def test_neither_threads_nor_other_series_change_a_forecast(fleet_ledger: pl.DataFrame) -> None:
    """One thread or two, all series or one, the numbers are the same."""
    due, now = due_in(fleet_ledger, 0.25)
    one = forecast(fleet_ledger, due=due, now=now, settings=Settings(threads=1))
    two = forecast(fleet_ledger, due=due, now=now, settings=Settings(threads=2))
    assert one.series.equals(two.series)
    assert one.meters.equals(two.meters)
    some = forecast(fleet_ledger, due=due.filter(pl.col("series") == 5), now=now)
    alone, among = some.series.row(0, named=True), one.series.row(5, named=True)
    for name in ("level", "drift", "p_out_due", "next_mean_low", "p_steady"):
        assert alone[name] == pytest.approx(among[name], abs=1e-6)


def test_without_a_due_date_there_is_no_forecast(fleet_ledger: pl.DataFrame) -> None:
    """Series that nobody asks about give empty frames of the usual columns."""
    due = pl.DataFrame(schema={"series": pl.Int64, "due_t_years": pl.Float64})
    made = forecast(fleet_ledger, due=due, now=30.0)
    assert made.series.is_empty()
    assert made.meters.is_empty()


def test_a_single_new_meter_can_be_forecast() -> None:
    """One visit of one meter gives finite, unassuming numbers."""
    ledger = to_ledger(simulate(Plan(meters=1), seed=1), visits=1)
    due, now = due_in(ledger, 0.25)
    made = forecast(ledger, due=due, now=now)
    row = made.series.row(0, named=True)
    assert 0.0 < row["p_out_due"] < 0.5
    assert row["drift_low"] < 0 < row["drift_high"]
    assert made.meters["p_out_due"][0] == pytest.approx(row["p_out_due"])


def test_a_shock_is_told_from_drift() -> None:
    """A step between steady stretches is a shock; a ramp of the same height is a drift."""
    rng = np.random.default_rng(2)
    plan = Plan(meters=30, visits=20, shock_rate=0.02, tolerance=10.0)
    ledger = to_ledger(simulate(plan, seed=4))
    noise = np.rint(0.03 * rng.normal(size=(2, 20, 2)) / 0.05) * 0.05
    step = np.where(np.arange(20) < 16, 0.0, 0.25)
    ramp = 0.03 * np.arange(20)
    shaped = [*(step[:, None] + noise[0]).tolist(), *(ramp[:, None] + noise[1]).tolist()]
    cut = ledger.filter(pl.col("series") >= 2)
    made_up = ledger.filter(pl.col("series") < 2).with_columns(
        as_found_biases_pct=pl.Series(shaped)
    )
    frame = pl.concat([made_up, cut])
    due, now = due_in(frame, 0.25)
    made = forecast(frame, due=due, now=now).series
    assert made["p_shock"][0] > 0.8
    assert made["p_drifting"][1] > 0.9
    assert made["drift"][1] == pytest.approx(0.12, abs=0.03)


_STAGES = ("found", "left")
ODD: dict[str, list[dict[str, object]]] = {
    "three percent out, never adjusted": [found(3.0, 3.1) for _ in range(6)],
    "a dial of half a percent": [found(0.5 * (j % 2), 0.0, resolution_pct=0.5) for j in range(6)],
    "ten replicates": [found(*([0.0, 0.05] * 5)) for _ in range(5)],
    "two visits on one day": [found(0.0, 0.0, t_years=15.0), found(0.1, 0.1, t_years=15.0)],
    "nothing as found, ever": [
        {"as_left_biases_pct": [0.0, 0.05], "adjusted": True, "left_bias_pct": 0.025}
        for _ in range(4)
    ],
    "no readings at all": [{"left_bias_pct": None} for _ in range(3)],
    "evidence lost each time": [found(0.1 * j, 0.0, evidence_lost=j > 0) for j in range(5)],
    "twenty years between visits": [found(0.0), found(0.3, t_years=35.0), found(0.0, t_years=55.0)],
    "a display of a millionth": [found(0.001234 * j, resolution_pct=1e-6) for j in range(6)],
    "no resolution known": [found(0.0, 0.1, resolution_pct=None) for _ in range(4)],
}


@pytest.mark.parametrize("visits", ODD.values(), ids=ODD.keys())
def test_odd_histories_give_honest_numbers(visits: list[dict[str, object]]) -> None:
    """Whatever a history is like, probabilities are probabilities and bands are in order."""
    frame = ledger_of(*visits)
    due, now = due_in(frame, 0.25)
    made = forecast(frame, due=due, now=now)
    row = made.series.row(0, named=True)
    for name in ("p_out_due", "p_found_out_due", "p_out_now", "p_steady", "p_drifting", "p_shock"):
        assert 0.0 <= row[name] <= 1.0
    assert row["at_due_low"] <= row["at_due"] <= row["at_due_high"]
    assert row["next_mean_low"] < row["next_mean_high"]
    assert row["drift_low"] <= row["drift_high"]
    assert made.horizons["p_out"].is_between(0.0, 1.0).all()
    given = [len(v.get(f"as_{stage}_biases_pct") or ()) for v in visits for stage in _STAGES]  # type: ignore[arg-type]  # lists
    assert row["readings"] == sum(given)


def test_a_meter_far_out_is_said_to_be() -> None:
    """Three percent out and left so, it is out now, at the due date and ever since."""
    frame = ledger_of(*ODD["three percent out, never adjusted"])
    due, now = due_in(frame, 0.25)
    row = forecast(frame, due=due, now=now).series.row(0, named=True)
    assert row["level"] == pytest.approx(3.05, abs=0.03)
    assert row["p_out_due"] > 0.999
    assert row["p_out_now"] > 0.999
    assert row["crossing"] == pytest.approx(now)


def test_usual_parameters_have_kinds_of_one_shock_rate_side_by_side() -> None:
    """The filter takes kinds of equal shock factor as one run, so they must stand together."""
    factors = [kind.shocks for kind in USUAL.kinds]
    assert factors == sorted(factors)
