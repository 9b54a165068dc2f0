"""Adjustments that nobody recorded: what the readings tell of them, and what forecasts lose.

The measure is the fleet filter of `tests.forecast.unrecorded_fleets`, which knows which visits
adjusted.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import special

from drift.arrays import Floats
from drift.forecast.fit import fit_fleet
from drift.forecast.grid.filter import walk
from drift.forecast.grid.model import (
    Grid,
    Habit,
    HyperParameters,
    Kind,
    Settings,
    log_rate_prior,
    make_grid,
)
from drift.forecast.grid.predict import Model
from drift.forecast.grid.reading_likelihood import make_tables
from drift.forecast.grid.span import known_before, open_span
from drift.forecast.grid.state import State, mean_levels
from drift.forecast.grid.visits import Visits, read_visits, visits_before
from drift.forecast.habits import with_points_heard
from tests.csv_folders import readings, write
from tests.forecast.unrecorded_fleets import (
    HABITS,
    Habits,
    Unlabelled,
    ask_fleet_filter,
    compare,
    expected_area,
    ledger_of,
    live,
    put_to_test,
    write_history,
)

ONE = HyperParameters(
    wander=0.02,
    noise_sd=0.03,
    visit_sd=0.0,
    kinds=(Kind(1.0, 1.0, 1.0),),
    spike_weight=0.7,
    slab_mean=0.0,
    slab_sd=0.08,
    shock_rate=1e-6,
    shock_size=0.12,
    reset_sd=0.02,
    start_sd=0.05,
    habit=Habit((0.1,), (0.2, 0.6)),
)


def followed(visits: Visits, hyper: HyperParameters = ONE) -> tuple[State, Grid]:
    """Filter lives of equal length."""
    grid = make_grid(hyper, resolutions=visits.resolutions)
    tables = make_tables(hyper, grid, resolutions=visits.resolutions)
    lives = np.arange(visits.count.size)
    return walk(visits, lives, hyper=hyper, grid=grid, tables=tables), grid


def two_readings(folder: Path, found: float, left: float, *, points: tuple[float, ...]) -> Visits:
    """Return one visit that read every point once as found and once as left."""
    rows = [
        f"A,2024-01-10,{stage},{point},{point + bias:.2f}"
        for point in points
        for stage, bias in (("as_found", found), ("as_left", left))
    ]
    return read_visits(ledger_of(write(folder, readings=readings(*rows))), resolution=0.1)


def by_hand(found: float, left: float, *, resolution: float, points: int) -> tuple[float, float]:
    """Return P(adjusted) and the mean level after one visit, by sums over a fine row of levels."""
    level = np.arange(-0.6, 0.6, 5e-4)

    def bell(sd: float) -> Floats:
        density: Floats = np.exp(-0.5 * (level / sd) ** 2) / sd
        return density

    def shown(reading: float) -> Floats:
        edge = (level - reading) / ONE.noise_sd
        half = resolution / 2 / ONE.noise_sd
        chance: Floats = special.ndtr(edge + half) - special.ndtr(edge - half)
        return chance

    known = bell(ONE.start_sd) * shown(found)
    same = known / known.sum() * shown(left)
    fresh = bell(ONE.reset_sd) / bell(ONE.reset_sd).sum() * shown(left)
    share = 0.6 if abs(found) > 0.1 else 0.2
    odds = special.logit(share) + points * np.log(fresh.sum() / same.sum())
    chance = float(special.expit(odds))
    mean = chance * (level @ fresh) / fresh.sum() + (1 - chance) * (level @ same) / same.sum()
    return chance, float(mean)


@pytest.mark.parametrize(("found", "left"), [(0.1, 0.0), (0.2, 0.1), (0.2, 0.2), (0.3, 0.0)])
@pytest.mark.parametrize("points", [1, 3])
def test_read_again_and_adjusted_are_mixed_by_what_the_readings_say(
    tmp_path: Path, found: float, left: float, points: int
) -> None:
    """The level after the visit is Bayes' mixture, the points of the visit having one say."""
    verified = (0.0, 5.0, 10.0)[:points]
    visits = two_readings(tmp_path, found, left, points=verified)
    assert visits.mixed.all()
    assert not visits.reset.any()
    heard = with_points_heard(visits, hyper=ONE, grid=make_grid(ONE, resolutions=np.array([0.1])))
    state, grid = followed(heard)
    _, mean = by_hand(found, left, resolution=0.1, points=points)
    assert mean_levels(state, grid) == pytest.approx(mean, abs=0.002)


def test_looking_back_mixes_as_looking_ahead_does(tmp_path: Path) -> None:
    """Right after an open visit, nothing later to tell, the smoother knows what the filter does."""
    rows = [
        f"A,{day},{stage},5.0,{5 + bias:.2f}"
        for day, stage, bias in (
            ("2024-01-10", "as_found", 0.1),
            ("2024-04-10", "as_found", 0.2),
            ("2024-04-10", "as_left", 0.1),
            ("2024-04-11", "as_found", 0.1),
        )
    ]
    ledger = ledger_of(write(tmp_path, readings=readings(*rows)))
    visits = read_visits(ledger, resolution=0.1)
    grid = make_grid(ONE, resolutions=visits.resolutions)
    before = visits_before(visits, float(visits.years[0, 2]))
    state, _ = followed(before)
    model = Model(Settings(), ONE, grid)
    chain = open_span(visits, 0, model, first=0, until=2, drops=np.empty(0))
    mass = known_before(chain, 0.1)[-1][0]
    level = (mass.sum(axis=0) * chain.lattice.levels(float(chain.times[-1]))).sum() / mass.sum()
    assert level == pytest.approx(mean_levels(state, grid)[0], abs=0.002)


def test_recorded_work_leaves_nothing_open(tmp_path: Path) -> None:
    """A hand reset in the service table is an adjustment, whatever the readings say."""
    history = live(Habits(meters=40, visits=8, recorded=True), seed=3)
    visits = read_visits(ledger_of(write_history(tmp_path, history, visits=8)), resolution=0.1)
    assert np.array_equal(visits.reset, history.adjusted)
    assert not visits.mixed.any()


def test_a_laboratorys_habit_is_learnt(tmp_path: Path) -> None:
    """Shares rise from next to none to next to all at the laboratory's own limit.

    One that resets at half the tolerance and one that reads as left at every visit, both on a
    dial whose step is the tolerance; of failures that are read again in three cases of ten, about
    seven tenths are adjusted.
    """
    shares = {}
    for name, habits in HABITS.items():
        history = live(replace(habits, meters=100, visits=13, resolution=0.1), seed=4)
        folder = write_history(tmp_path / name.replace(" ", "_"), history, visits=13)
        visits = read_visits(ledger_of(folder), resolution=0.1)
        habit = fit_fleet(visits, tolerance=0.1, sample=4000).hyper.habit
        shares[name] = habit.share(np.array([0.0, 0.05, 0.1, 0.15]))
    assert shares["resets at 0.05"][2] > 0.9
    assert (shares["as left at every visit"][:3] < 0.1).all()
    assert shares["as left at every visit"][3] > 0.9
    assert shares["read again"][3] == pytest.approx(0.7, abs=0.15)


def test_drift_rates_need_not_be_normal(tmp_path: Path) -> None:
    """Of a fleet whose rates end at 0.14 % a year, few are believed beyond; normal ones would be.

    Slow rates are left as they are, so that the share of steady meters keeps its meaning.
    """
    history = live(Habits(meters=150, visits=13, drifting=0.6, always=True), seed=9)
    visits = read_visits(ledger_of(write_history(tmp_path, history, visits=13)), resolution=0.1)
    hyper = fit_fleet(visits, tolerance=0.1, sample=4000).hyper
    grid = make_grid(hyper, resolutions=visits.resolutions)
    beyond = np.abs(grid.drifts) > 0.16
    learnt, normal = (
        float(np.exp(log_rate_prior(each, grid))[beyond].sum())
        for each in (hyper, replace(hyper, slab_tilt=()))
    )
    assert learnt < normal / 2
    assert hyper.spike_weight == pytest.approx(0.4, abs=0.15)


def test_the_fleet_filter_is_calibrated() -> None:
    """What the measure says happens as often as it says, within four standard errors."""
    history = live(Habits(meters=300, visits=14, resolution=0.1), seed=6)
    chance = ask_fleet_filter(history)[:, 8:]
    out = np.abs(history.level[:, 8:]) > 0.1
    error = np.sqrt((chance * (1 - chance)).sum(axis=1)).mean() / np.sqrt(out.size)
    assert chance.mean() == pytest.approx(out.mean(), abs=4 * max(error, 0.004))


def test_the_fleet_filter_is_kalmans_where_all_is_normal() -> None:
    """On a fine dial, without drift, jumps and noisy meters, P(out) is that of a Kalman filter."""
    habits = Habits(
        meters=50, visits=8, resolution=1e-3, limit=9.0, drifting=0.0, jumping=0.0, noisy=0.0
    )
    history = live(replace(habits, start_sd=0.08), seed=8)
    made = ask_fleet_filter(history)
    mean, variance = np.zeros(50), np.full(50, 0.08**2)
    for j in range(8):
        if j > 0:
            variance = variance + 0.02**2 * (history.years[:, j] - history.years[:, j - 1])
            low, high = ((edge - mean) / np.sqrt(variance) for edge in (-0.1, 0.1))
            assert made[:, j] == pytest.approx(special.ndtr(low) + special.ndtr(-high), abs=4e-3)
        gain = variance / (variance + 0.03**2 / 2)
        mean = mean + gain * (history.found[:, j].mean(axis=1) - mean)
        variance = (1 - gain) * variance


def test_expected_areas_weigh_every_pair() -> None:
    """The expected area under the curve is the sum over all pairs of cases, ties counted half."""
    rng = np.random.default_rng(7)
    truth = rng.beta(0.5, 2.0, 400)
    score = np.round(truth + 0.1 * rng.normal(size=400), 1)
    above = (score[:, None] > score) + 0.5 * (score[:, None] == score)
    weight = truth[:, None] * (1 - truth)
    area = (above * weight).sum() / weight.sum()
    assert expected_area(score, truth) == pytest.approx(area)
    assert expected_area(truth, truth) > area


def cell(folder: Path, habits: Habits, *, cuts: tuple[int, ...] = (12, 17, 22)) -> Unlabelled:
    """Return how far forecasts of a fleet lie from the fleet filter's."""
    made, best = put_to_test(folder, habits, seed=1, cuts=cuts)
    return compare(made, best)


def test_forecasts_without_records_come_near_the_fleet_filter(tmp_path: Path) -> None:
    """A small fleet on a coarse dial, read as left at every visit: room for its size."""
    habits = replace(HABITS["as left at every visit"], meters=150, visits=13, resolution=0.1)
    made = cell(tmp_path, habits, cuts=(12,))
    assert made.excess <= 0.1
    assert made.ranked >= 0.98


def test_records_lose_nothing(tmp_path: Path) -> None:
    """With a service table forecasts are at least as near as without."""
    habits = Habits(meters=150, visits=13, resolution=0.1)
    kept = cell(tmp_path / "kept", replace(habits, recorded=True), cuts=(12,))
    none = cell(tmp_path / "none", habits, cuts=(12,))
    assert kept.excess <= none.excess + 0.01


@pytest.mark.long
@pytest.mark.parametrize("noise_sd", [0.02, 0.03, 0.04])
@pytest.mark.parametrize("resolution", [0.05, 0.1])
@pytest.mark.parametrize("name", list(HABITS))
def test_full_fleets_come_near_the_fleet_filter(
    tmp_path: Path, name: str, resolution: float, noise_sd: float
) -> None:
    """500 meters, one interval after visits 12, 17 and 22: 0.03, 0.03 and 0.99; 0.1 read again."""
    made = cell(tmp_path, replace(HABITS[name], resolution=resolution, noise_sd=noise_sd))
    assert made.excess <= (0.1 if name == "read again" else 0.03)
    if name != "read again":
        assert made.gap <= 0.03
        assert made.ranked >= 0.99
