"""Hyper-parameters recovered from simulated fleets, and what is done where data are few."""

from dataclasses import asdict, replace
from functools import cache

import numpy as np
import polars as pl
import pytest

from drift.arrays import Floats
from drift.forecast.beliefs import BELIEFS, Belief
from drift.forecast.current_state import look_back
from drift.forecast.fit import Fit, fit_fleet
from drift.forecast.forecasts import forecast
from drift.forecast.grid.model import Settings, make_grid
from drift.forecast.grid.predict import Model
from drift.forecast.grid.visits import Visits, read_visits, visits_before
from drift.forecast.scatter import level_spread, replicate_noise
from tests.forecast.simulator import Plan, simulate, to_ledger


def fleet(plan: Plan, seed: int = 1) -> Visits:
    """Return the visits of a simulated fleet."""
    return read_visits(to_ledger(simulate(plan, seed=seed)), resolution=0.1)


@cache
def fit(plan: Plan, seed: int = 1) -> Fit:
    """Fit a simulated fleet."""
    return fit_fleet(fleet(plan, seed), tolerance=0.1, sample=4000)


@pytest.mark.parametrize(
    ("resolution", "noise_sd"), [(0.05, 0.02), (0.05, 0.04), (0.1, 0.02), (0.1, 0.04)]
)
def test_a_fleets_parameters_come_back(resolution: float, noise_sd: float) -> None:
    """Noise within a tenth, wander within a third, share and size of drifts about right."""
    hyper = fit(Plan(meters=80, resolution=resolution, noise_sd=noise_sd)).hyper
    assert hyper.noise_sd == pytest.approx(noise_sd, rel=0.1)
    assert hyper.wander == pytest.approx(0.02, rel=0.35)
    assert hyper.spike_weight == pytest.approx(0.65, abs=0.2)
    assert 0.05 < hyper.slab_sd < 0.13
    assert hyper.kinds[1].weight == pytest.approx(0.1, abs=0.1)


def test_an_error_shared_by_a_visits_readings_is_found() -> None:
    """With 0.03 shared and 0.02 own noise, both come back; without it there is none."""
    hyper = fit(Plan(meters=40, visits=16, noise_sd=0.02, visit_sd=0.03, noisy=0.0)).hyper
    assert hyper.visit_sd == pytest.approx(0.03, rel=0.25)
    assert hyper.noise_sd == pytest.approx(0.02, rel=0.15)
    assert fit(Plan(meters=40, visits=20)).hyper.visit_sd == 0.0


def test_a_fleet_that_all_drifts_one_way_is_known_for_it() -> None:
    """Where all drift upward, the mean rate of a drifting meter is positive."""
    plan = Plan(meters=40, visits=20, drifting=0.9, noisy=0.0)
    upward = simulate(plan, seed=2)
    keep = np.flatnonzero(upward.drift >= 0)
    ledger = to_ledger(upward)
    visits = read_visits(ledger.filter(ledger["series"].is_in(keep.tolist())), resolution=0.1)
    assert fit_fleet(visits, tolerance=0.1, sample=4000).hyper.slab_mean > 0.04


def test_no_readings_give_the_beliefs() -> None:
    """A fleet of which nothing is known yet has the usual parameters."""
    visits = visits_before(fleet(Plan(meters=3, visits=4)), 0.0)
    made = fit_fleet(visits, tolerance=0.1, sample=4000)
    assert made.lives == 0
    assert made.hyper.wander == BELIEFS["wander"].median
    assert made.hyper.noise_sd == BELIEFS["noise_sd"].median


def test_beliefs_scale_with_the_tolerance() -> None:
    """A tolerance ten times as large makes every length ten times as long."""
    visits = visits_before(fleet(Plan(meters=3, visits=4)), 0.0)
    one = fit_fleet(visits, tolerance=0.1, sample=4000).hyper
    ten = fit_fleet(visits, tolerance=1.0, sample=4000).hyper
    for name in ("wander", "noise_sd", "slab_sd", "shock_size", "reset_sd", "start_sd"):
        ratio = asdict(ten)[name] / asdict(one)[name]
        assert ratio == pytest.approx(10.0)
    assert ten.shock_rate == one.shock_rate


def test_one_meter_stays_near_the_beliefs() -> None:
    """Eight visits of one meter move no parameter by more than a factor of three."""
    made = fit(Plan(meters=1, visits=8))
    for name in ("wander", "noise_sd", "shock_rate", "shock_size"):
        assert 1 / 3 < asdict(made.hyper)[name] / BELIEFS[name].median < 3


def test_a_fit_is_repeatable() -> None:
    """The same fleet gives the same parameters, digit for digit."""
    visits = fleet(Plan(meters=20, visits=12))
    assert fit_fleet(visits, tolerance=0.1, sample=4000) == fit_fleet(
        visits, tolerance=0.1, sample=4000
    )


def test_a_large_fleet_is_sampled() -> None:
    """No more visits than asked for are fitted to, in whole histories spread over the fleet."""
    made = fit_fleet(fleet(Plan(meters=60, visits=12)), tolerance=0.1, sample=240)
    assert made.lives == 20


def test_the_noise_behind_replicates_sees_through_rounding() -> None:
    """From pairs on a 0.1 dial the noise comes back within a fifth, levels unknown."""
    for noise_sd in (0.02, 0.04):
        visits = fleet(Plan(meters=60, resolution=0.1, noise_sd=noise_sd, noisy=0.0), seed=3)
        lives = np.arange(visits.count.size)
        assert replicate_noise(visits, lives, Belief(0.03, 0.6)) == pytest.approx(noise_sd, rel=0.2)


def test_the_spread_of_levels_sees_through_noise_and_rounding() -> None:
    """Levels of spread 0.06 behind coarse noisy pairs have it again; none leave the belief."""
    rng = np.random.default_rng(5)
    level = 0.06 * rng.normal(size=(400, 1))
    pairs = np.rint((level + 0.03 * rng.normal(size=(400, 2))) / 0.1) * 0.1
    kind, resolutions = np.zeros(400, dtype=np.int64), np.array([0.1])
    belief = Belief(0.02, 0.7)
    made = level_spread(pairs, kind, resolutions, noise=0.03, belief=belief)
    assert made == pytest.approx(0.06, rel=0.2)
    nothing = np.full((3, 2), np.nan)
    assert level_spread(nothing, kind[:3], resolutions, noise=0.03, belief=belief) == 0.02


STARTS = (0.3, 1.0, 3.0)
QUIET = Plan(meters=24, visits=40, replicates=1, noise_sd=0.008, resolution=0.01)


def fits_from_elsewhere(visits: Visits, plan: Plan, made: Fit) -> list[Fit]:
    """Return fits that start with the noise far too small, right and far too large."""
    starts = [
        replace(made.hyper, noise_sd=factor * plan.noise_sd, wander=0.02 / factor, visit_sd=0.0)
        for factor in STARTS
    ]
    return [fit_fleet(visits, tolerance=0.1, sample=4000, start=start) for start in starts]


def level_coverage(visits: Visits, levels: Floats, made: Fit) -> float:
    """Return how often the 90 % bands of the levels at the last half of the visits hold them."""
    grid = make_grid(made.hyper, resolutions=visits.resolutions)
    model = Model(Settings(threads=1), made.hyper, grid)
    wanted = np.zeros(visits.years.shape, dtype=bool)
    wanted[:, visits.years.shape[1] // 2 :] = True
    past = look_back(visits, wanted, model).levels
    inside = (levels >= past.low) & (levels <= past.high)
    return float(inside[wanted].mean())


@pytest.mark.parametrize(
    "plan",
    [QUIET, Plan(meters=5, visits=8, replicates=3), Plan(meters=40, visits=12, noise_sd=0.06)],
)
def test_a_fit_reaches_its_top_from_wherever_it_starts(plan: Plan) -> None:
    """Within one unit of the best log likelihood of several starts, and it says so."""
    made = fit(plan)
    others = fits_from_elsewhere(fleet(plan), plan, made)
    assert made.converged
    assert made.log_likelihood > max(other.log_likelihood for other in others) - 1.0


def test_a_fit_whose_steps_run_out_says_so() -> None:
    """One step from the beliefs does not reach a fleet of quiet dials."""
    visits = fleet(QUIET)
    assert not fit_fleet(visits, tolerance=0.1, sample=4000, rounds=1).converged


def test_a_quiet_fleet_is_known_to_be_quiet() -> None:
    """From single readings of noise 0.008 the noise comes back, not that of the belief."""
    assert fit(QUIET).hyper.noise_sd == pytest.approx(0.008, rel=0.15)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_steady_meter_near_the_tolerance_is_next_to_surely_in(seed: int) -> None:
    """Of 24 quiet meters that do not wander one stays at +0.085: about 1 % of it lies beyond 0.1.

    What is left is what jumps the fleet's other meters make.
    """
    lived = simulate(replace(QUIET, wander=0.0), seed=seed)
    noise = 0.008 * np.random.default_rng(seed).normal(size=lived.found[0].shape)
    found, left = lived.found.copy(), lived.left.copy()
    found[0], left[0] = np.rint((0.085 + noise) / 0.01) * 0.01, np.nan
    ledger = to_ledger(replace(lived, found=found, left=left))
    now = float(ledger["t_years"].max())  # type: ignore[arg-type]  # a number
    due = pl.DataFrame({"series": [0], "due_t_years": [now + 0.25]})
    chance = forecast(ledger, due=due, now=now).series["p_out_due"][0]
    assert 0.001 < chance < 0.03


@pytest.mark.long
@pytest.mark.parametrize("noise_sd", [0.008, 0.02, 0.06])
@pytest.mark.parametrize(
    ("meters", "visits", "replicates"),
    [(5, 8, 1), (5, 60, 3), (24, 40, 1), (100, 12, 2), (100, 60, 1), (1000, 8, 3), (1000, 40, 1)],
)
def test_all_fits_reach_their_top_and_bands_hold(
    noise_sd: float, meters: int, visits: int, replicates: int
) -> None:
    """Over noise, visits, replicates and meters; bands where there are cases enough to tell."""
    plan = Plan(
        meters=meters, visits=visits, replicates=replicates, noise_sd=noise_sd, resolution=0.01
    )
    lived = simulate(plan, seed=1)
    seen = read_visits(to_ledger(lived), resolution=0.1)
    made = fit_fleet(seen, tolerance=0.1, sample=4000)
    others = fits_from_elsewhere(seen, plan, made)
    assert made.converged
    assert made.log_likelihood > max(other.log_likelihood for other in others) - 1.0
    if meters * visits >= 1000:
        assert 0.88 <= level_coverage(seen, lived.level, made) <= 0.92
