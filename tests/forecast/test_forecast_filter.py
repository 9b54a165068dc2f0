"""The filter against other methods: Kalman recursion, quadrature, symmetry and planted events."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray
from scipy import integrate, special
from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

from drift.forecast.grid.filter import walk
from drift.forecast.grid.model import Grid, HyperParameters, Kind, cell_probability, make_grid
from drift.forecast.grid.rates import read_posterior
from drift.forecast.grid.reading_likelihood import group_readings, make_tables, reading_chances
from drift.forecast.grid.state import State, mean_levels, state_levels
from drift.forecast.grid.visits import read_visits, visits_before
from drift.meter.ledger import LEDGER

Floats = NDArray[np.float64]

USUAL = HyperParameters(
    wander=0.02,
    noise_sd=0.03,
    visit_sd=0.0,
    kinds=(Kind(1.0, 1.0, 0.8), Kind(2.1, 1.0, 0.1), Kind(1.0, 8.0, 0.1)),
    spike_weight=0.6,
    slab_mean=0.0,
    slab_sd=0.08,
    shock_rate=0.04,
    shock_size=0.12,
    reset_sd=0.02,
    start_sd=0.05,
)


def ledger(*visits: dict[str, object], series: int = 0) -> pl.DataFrame:
    """Return the ledger of one series from what differs from visit to visit."""
    rows = []
    for number, visit in enumerate(visits, start=1):
        row = dict.fromkeys(LEDGER) | {
            "series": series,
            "meter_id": "A",
            "point_pct": 5.0,
            "visit": number,
            "t_years": 15.0 + number * 0.25,
            "resolution_pct": 0.05,
            "adjusted": False,
            "evidence_lost": False,
            "left_bias_pct": 0.0,
            "phase": 1,
            "gauge": 1,
        }
        rows.append(row | visit)
    return pl.DataFrame(rows, schema=LEDGER)


def found(*biases: float, **more: object) -> dict[str, object]:
    """Return a visit that found these biases."""
    return {"as_found_biases_pct": list(biases)} | more


def run(
    frame: pl.DataFrame, hyper: HyperParameters = USUAL, grid: Grid | None = None
) -> tuple[State, Grid]:
    """Filter every life of a ledger."""
    visits = read_visits(frame, resolution=0.1)
    grid = grid or make_grid(hyper, resolutions=visits.resolutions)
    tables = make_tables(hyper, grid, resolutions=visits.resolutions)
    order = np.argsort(-visits.count, kind="stable")
    state = walk(visits, order, hyper=hyper, grid=grid, tables=tables)
    back = np.argsort(order)
    state.mass, state.offset = state.mass[back], state.offset[back]
    state.origin, state.years = state.origin[back], state.years[back]
    state.log_likelihood = state.log_likelihood[back]
    return state, grid


def drift_mean(state: State, grid: Grid) -> Floats:
    """Return the posterior mean of the drift rates."""
    rates = read_posterior(state, grid).rates
    mean: Floats = (rates.weight * rates.mean).sum(axis=1)
    return mean


def gaussian_case(seed: int) -> tuple[Floats, Floats, HyperParameters, Grid]:
    """Return times, readings, parameters and grid of a history without shocks or rounding.

    Times and readings lie on the lattice of the filter's tables, so that nothing is rounded there.
    """
    rng = np.random.default_rng(seed)
    step = 1e-5
    gaps = rng.integers(2, 7, 17) / 16
    years = np.concatenate([[0.0], np.cumsum(gaps)])
    wandered = 0.05 * gaps + 0.03 * np.sqrt(gaps) * rng.normal(size=17)
    level = rng.normal(0.0, 0.04) + np.concatenate([[0.0], np.cumsum(wandered)])
    readings = np.rint((level + 0.03 * rng.normal(size=18)) / step) * step
    hyper = HyperParameters(
        wander=0.03,
        noise_sd=0.03,
        visit_sd=0.0,
        kinds=(Kind(1.0, 1.0, 1.0),),
        spike_weight=0.0,
        slab_mean=0.0,
        slab_sd=0.06,
        shock_rate=0.0,
        shock_size=0.1,
        reset_sd=0.02,
        start_sd=0.04,
    )
    drifts = (np.arange(114) - 56.5) * 0.0064
    grid = Grid(
        step=0.005,
        cells=160,
        drifts=np.concatenate([[0.0], drifts]),
        rate_step=0.0064,
        fineness=500,
        outlier=0.0,
        far=0.0,
        precision=np.float64,
    )
    return years, readings, hyper, grid


@pytest.mark.parametrize("seed", [4, 5, 6])
def test_without_shock_and_rounding_it_is_the_state_space_model(seed: int) -> None:
    """The log likelihood is that of statsmodels' Kalman filter, the state its filtered state."""
    years, readings, hyper, grid = gaussian_case(seed)
    frame = ledger(
        *(
            found(float(y), t_years=float(t), resolution_pct=1e-5)
            for t, y in zip(years, readings, strict=True)
        )
    )
    state, grid = run(frame, hyper, grid)

    gaps = np.append(np.diff(years), 0.0)
    filtered = KalmanFilter(k_endog=1, k_states=2, k_posdef=1)
    filtered.bind(readings.copy())
    filtered["design"] = np.array([[1.0, 0.0]])
    filtered["obs_cov"] = np.array([[hyper.noise_sd**2]])
    transition = np.zeros((2, 2, gaps.size))
    transition[0, 0] = transition[1, 1] = 1.0
    transition[0, 1] = gaps
    filtered["transition"] = transition
    filtered["selection"] = np.array([[1.0], [0.0]])
    filtered["state_cov"] = (hyper.wander**2 * gaps)[None, None, :]
    filtered.initialize_known(np.zeros(2), np.diag([hyper.start_sd**2, hyper.slab_sd**2]))
    result = filtered.filter()

    # The filter's likelihood is of readings in cells of 0.00001, the other's a density.
    expected = result.llf + years.size * np.log(1e-5)
    assert state.log_likelihood[0] == pytest.approx(expected, abs=1e-6)
    level, drift = result.filtered_state[:, -1]
    assert mean_levels(state, grid)[0] == pytest.approx(level, abs=1e-6)
    rates = state.mass.sum(axis=(1, 3))[0]
    assert rates @ grid.drifts == pytest.approx(drift, abs=1e-6)


def test_one_visit_is_the_rounding_likelihood_by_quadrature() -> None:
    """Posterior mean and evidence of twelve coarse readings equal adaptive quadrature.

    Readings and noise of check value R4 of the project's notes on resolution.
    """
    readings = [0.0, 0.0, 0.1, 0.0, 0.1, 0.1, 0.0, 0.1, 0.1, 0.1, 0.2, 0.1]
    noise, start = 0.0516813, 0.3
    hyper = HyperParameters(
        wander=0.02,
        noise_sd=noise,
        visit_sd=0.0,
        kinds=(Kind(1.0, 1.0, 1.0),),
        spike_weight=0.5,
        slab_mean=0.0,
        slab_sd=0.08,
        shock_rate=0.0,
        shock_size=0.1,
        reset_sd=0.02,
        start_sd=start,
    )
    grid = Grid(
        step=0.005,
        cells=200,
        drifts=np.array([0.0, -0.05, 0.05]),
        rate_step=0.1,
        fineness=200,
        outlier=0.0,
        far=0.0,
        precision=np.float64,
    )
    state, grid = run(ledger(found(*readings, resolution_pct=0.1)), hyper, grid)

    def weight(level: float, power: int) -> float:
        edges = (np.array(readings)[:, None] + [-0.05, 0.05] - level) / noise
        cells = special.ndtr(edges[:, 1]) - special.ndtr(edges[:, 0])
        bell = np.exp(-0.5 * (level / start) ** 2) / (start * np.sqrt(2 * np.pi))
        return float(level**power * cells.prod() * bell)

    total, first = (
        integrate.quad(weight, -0.4, 0.5, args=(power,), epsabs=0, epsrel=1e-10, limit=200)[0]
        for power in (0, 1)
    )
    assert state.log_likelihood[0] == pytest.approx(np.log(total), abs=1e-6)
    assert mean_levels(state, grid)[0] == pytest.approx(first / total, abs=1e-6)
    # With so wide a prior the posterior mean lies at the published maximum, 0.0750137 ± 0.017.
    assert mean_levels(state, grid)[0] == pytest.approx(0.0750137, abs=0.001)


def test_two_readings_that_share_an_error_are_one_correlated_pair() -> None:
    """Evidence of a finely read visit is the bivariate normal density."""
    hyper = HyperParameters(
        wander=0.02,
        noise_sd=0.02,
        visit_sd=0.03,
        kinds=(Kind(1.0, 1.0, 1.0),),
        spike_weight=0.5,
        slab_mean=0.0,
        slab_sd=0.08,
        shock_rate=0.0,
        shock_size=0.1,
        reset_sd=0.02,
        start_sd=0.05,
    )
    grid = Grid(
        step=0.004,
        cells=160,
        drifts=np.array([0.0, -0.05, 0.05]),
        rate_step=0.1,
        fineness=40,
        outlier=0.0,
        far=0.0,
        precision=np.float64,
    )
    pair = np.array([0.031, 0.058])
    state, grid = run(ledger(found(*pair, resolution_pct=1e-4)), hyper, grid)
    covariance = np.full((2, 2), 0.05**2 + 0.03**2) + 0.02**2 * np.eye(2)
    density = -0.5 * pair @ np.linalg.solve(covariance, pair)
    density -= 0.5 * np.log(np.linalg.det(covariance)) + np.log(2 * np.pi)
    # The matrix of the shared error is cut at three standard deviations.
    assert state.log_likelihood[0] == pytest.approx(density + 2 * np.log(1e-4), abs=0.01)
    mean = 0.05**2 * np.linalg.solve(covariance, pair).sum()
    assert mean_levels(state, grid)[0] == pytest.approx(mean, abs=5e-4)


def history(seed: int, number: int = 20) -> list[dict[str, object]]:
    """Return visits of a drifting, coarsely read meter."""
    rng = np.random.default_rng(seed)
    level = 0.01 + 0.06 * 0.25 * np.arange(number) % 0.12
    readings = np.rint((level[:, None] + 0.03 * rng.normal(size=(number, 2))) / 0.05) * 0.05
    return [found(*map(float, pair)) for pair in readings]


def test_a_mirrored_history_has_a_mirrored_posterior() -> None:
    """Negating every reading negates level and drift."""
    plain = history(1)
    mirrored = [found(*(-b for b in visit["as_found_biases_pct"])) for visit in plain]  # type: ignore[attr-defined]  # a list
    (one, grid), (other, _) = run(ledger(*plain)), run(ledger(*mirrored))
    assert mean_levels(one, grid)[0] == pytest.approx(-mean_levels(other, grid)[0], abs=1e-5)
    assert drift_mean(one, grid)[0] == pytest.approx(-drift_mean(other, grid)[0], abs=1e-5)
    assert one.log_likelihood[0] == pytest.approx(other.log_likelihood[0], abs=1e-3)


def test_replicates_may_come_in_any_order() -> None:
    """Swapping the readings of every visit changes nothing."""
    plain = history(2)
    swapped = [found(*reversed(visit["as_found_biases_pct"])) for visit in plain]  # type: ignore[call-overload]  # a list
    (one, grid), (other, _) = run(ledger(*plain)), run(ledger(*swapped))
    assert mean_levels(one, grid)[0] == pytest.approx(mean_levels(other, grid)[0], abs=1e-6)


def test_series_do_not_touch_each_other() -> None:
    """A series filtered among others of other lengths is as it is alone."""
    frames = [ledger(*history(seed, 8 + 5 * seed), series=seed) for seed in range(3)]
    together, grid = run(pl.concat(frames))
    for place, frame in enumerate(frames):
        alone, _ = run(frame)
        assert mean_levels(together, grid)[place] == pytest.approx(
            mean_levels(alone, grid)[0], abs=1e-6
        )
        assert together.log_likelihood[place] == pytest.approx(alone.log_likelihood[0], abs=1e-4)


def test_single_precision_is_enough() -> None:
    """Single and double precision agree to six digits of the level."""
    frame = ledger(*history(3, 40))
    single, grid = run(frame)
    double, _ = run(frame, grid=replace(grid, precision=np.float64))
    assert mean_levels(single, grid)[0] == pytest.approx(mean_levels(double, grid)[0], abs=1e-6)
    assert single.log_likelihood[0] == pytest.approx(double.log_likelihood[0], abs=1e-3)


def test_the_usual_grid_is_fine_enough() -> None:
    """Level and drift on the usual grid are those on one several times as fine."""
    frame = pl.concat([ledger(*history(seed, 24), series=seed) for seed in range(4)])
    coarse, grid = run(frame)
    rates = 60
    rate_step = 4 * USUAL.slab_sd / rates
    fine = Grid(
        step=0.2 * USUAL.noise_sd,
        cells=140,
        drifts=np.concatenate([[0.0], (np.arange(2 * rates) - rates + 0.5) * rate_step]),
        rate_step=rate_step,
        fineness=64,
        precision=np.float64,
    )
    exact, _ = run(frame, grid=fine)
    assert mean_levels(coarse, grid) == pytest.approx(mean_levels(exact, fine), abs=0.002)
    assert drift_mean(coarse, grid) == pytest.approx(drift_mean(exact, fine), abs=0.004)


def test_an_adjustment_moves_the_level_and_keeps_the_drift() -> None:
    """After a reset the level is the as-left one, and what was learnt of the drift stays."""
    drifting = [found(*(0.03 * j,) * 2, left_bias_pct=0.03 * j) for j in range(8)]
    before, grid = run(ledger(*drifting))
    last = drifting[-1] | {
        "adjusted": True,
        "as_left_biases_pct": [0.0, 0.0],
        "left_bias_pct": 0.0,
    }
    after, _ = run(ledger(*drifting[:-1], last))
    assert mean_levels(before, grid)[0] > 0.15
    assert abs(mean_levels(after, grid)[0]) < 0.02
    assert drift_mean(after, grid)[0] == pytest.approx(drift_mean(before, grid)[0], abs=0.01)


def test_an_adjustment_of_known_size_moves_the_level_by_it() -> None:
    """A mark moved by a known amount is a jump by that amount, known to the reset's spread."""
    visits = [found(0.1, 0.1, left_bias_pct=0.1) for _ in range(6)]
    moved = visits[-1] | {"adjusted": True, "left_bias_pct": None}
    frame = ledger(*visits[:-1], moved)
    jump = pl.when(pl.col("adjusted")).then(-0.2)
    before, grid = run(ledger(*visits))
    after, _ = run(frame.with_columns(known_jump_pct=jump))
    assert mean_levels(after, grid)[0] == pytest.approx(
        mean_levels(before, grid)[0] - 0.2, abs=2e-3
    )
    unknown, _ = run(frame)
    assert abs(mean_levels(unknown, grid)[0]) < 0.01


def test_an_adjustment_nobody_read_leaves_the_level_about_zero() -> None:
    """Without as-left readings the level after a reset is N(0, reset_sd²)."""
    lost = {"adjusted": True, "left_bias_pct": None}
    state, grid = run(ledger(found(0.1, 0.1), found(0.15, 0.15, **lost)))
    mass, levels = state.mass.sum(axis=1), state_levels(state, grid)
    spread = np.sqrt((mass * levels**2).sum())
    # The faint far tail that every such density has adds a little.
    assert spread == pytest.approx(USUAL.reset_sd, abs=0.002)


def test_a_change_between_visits_is_a_jump_of_unknown_size() -> None:
    """Evidence lost before a visit makes the visit count for itself."""
    steady = [found(0.0, 0.0) for _ in range(10)]
    moved = found(0.1, 0.1, evidence_lost=True)
    state, grid = run(ledger(*steady, moved))
    doubted, _ = run(ledger(*steady, found(0.1, 0.1)))
    assert mean_levels(state, grid)[0] > 0.07
    assert mean_levels(doubted, grid)[0] < mean_levels(state, grid)[0]


def test_a_replaced_gauge_starts_a_life_with_the_fleets_drift() -> None:
    """After a replacement at a visit the drift is as unknown as for a new meter."""
    drifting = [found(*(0.03 * j,) * 2, left_bias_pct=0.03 * j) for j in range(8)]
    replaced = drifting[-1] | {
        "adjusted": True,
        "as_left_biases_pct": [0.0, 0.0],
        "left_bias_pct": 0.0,
        "events": "gauge replaced",
    }
    frame = ledger(*drifting[:-1], replaced)
    visits = read_visits(frame, resolution=0.1)
    assert visits.count.tolist() == [8, 1]
    assert visits.last.tolist() == [False, True]
    state, grid = run(frame)
    assert drift_mean(state, grid)[0] > 0.08
    assert drift_mean(state, grid)[1] == pytest.approx(0.0, abs=1e-4)
    assert abs(mean_levels(state, grid)[1]) < 0.02


def test_a_gauge_replaced_between_visits_cuts_before_the_later_one() -> None:
    """The count of gauges rises at the later visit, and the life starts there."""
    frame = ledger(
        found(0.0, 0.0),
        found(0.1, 0.1),
        found(0.0, 0.0, gauge=2, evidence_lost=True, events="gauge replaced on 2015-07-01"),
        found(0.0, 0.05, gauge=2),
    )
    visits = read_visits(frame, resolution=0.1)
    assert visits.count.tolist() == [2, 2]
    assert visits.visit[1, :2].tolist() == [3, 4]
    assert visits.fresh.tolist() == [False, True]


def test_a_slip_of_the_pen_is_survived() -> None:
    """One reading of 30 % air among zeros gives numbers, and the level comes back."""
    zeros = [found(0.0, 0.0) for _ in range(6)]
    state, grid = run(ledger(*zeros, found(30.0, 30.0), *zeros))
    assert np.isfinite(state.mass).all()
    assert np.isfinite(state.log_likelihood).all()
    assert abs(mean_levels(state, grid)[0]) < 0.02


def test_readings_as_left_without_adjustment_count_as_readings() -> None:
    """Two more readings of an untouched meter narrow its level."""
    few, grid = run(ledger(found(0.0, 0.05)))
    more = found(0.0, 0.05, as_left_biases_pct=[0.05, 0.0])
    many, _ = run(ledger(more))

    def spread(state: State) -> float:
        mass, levels = state.mass.sum(axis=1), state_levels(state, grid)
        return float((mass * levels**2).sum() - (mass * levels).sum() ** 2)

    assert spread(many) < 0.8 * spread(few)


def test_a_visit_without_readings_changes_nothing() -> None:
    """A visit at which nothing was read leaves the state of the visit before."""
    read = history(5, 6)
    (one, grid), (other, _) = (
        run(ledger(*read)),
        run(ledger(*read, {"as_found_biases_pct": None, "left_bias_pct": 0.0})),
    )
    assert other.log_likelihood[0] == pytest.approx(one.log_likelihood[0], abs=1e-9)
    assert mean_levels(other, grid)[0] == pytest.approx(mean_levels(one, grid)[0], abs=1e-9)


def test_what_was_known_before_a_day_has_no_later_visit() -> None:
    """The fleet as known before a time ends with the last visit before it."""
    visits = read_visits(ledger(*history(6, 9)), resolution=0.1)
    seen = visits_before(visits, float(visits.years[0, 5]))
    assert seen.count.tolist() == [5]
    assert np.isnan(seen.found[0, 5:]).all()


@pytest.mark.parametrize(
    ("frame", "message"),
    [
        (ledger(), "the ledger is empty"),
        (ledger(found(0.0, float("nan"))), "not finite"),
        (ledger(found(0.0, t_years=float("inf"))), "not finite"),
    ],
)
def test_what_cannot_be_filtered_is_refused(frame: pl.DataFrame, message: str) -> None:
    """An empty ledger and values that are not finite raise with the reason."""
    with pytest.raises(ValueError, match=message):
        read_visits(frame, resolution=0.1)


@pytest.mark.parametrize(
    ("readings", "groups"),
    [
        ([0.05], 1),
        ([0.1, 0.0, 0.05], 1),
        ([0.1, 0.1, 0.1, -0.05], 2),
        ([0.03, 0.05], 2),
        ([0.0, 0.4], 2),
    ],
)
def test_readings_in_groups_are_as_probable_as_one_by_one(
    readings: list[float], groups: int
) -> None:
    """The tables of patterns give the product of the single readings' probabilities."""
    steps = np.array([0.05])
    grid = replace(make_grid(USUAL, resolutions=steps), fineness=500, precision=np.float64)
    made = group_readings(np.array([[readings]]), np.zeros((1, 1), dtype=np.int64), steps)
    assert made.middle.shape == (1, 1, groups)
    tables = make_tables(USUAL, grid, resolutions=steps)
    base = np.array([[-0.15]])
    product = np.ones(grid.cells)
    looked = reading_chances(base, made.at(np.array([0]), 0), margin=0, grid=grid, tables=tables)
    for _, chance in looked:
        product *= chance[0, 1, 0]
    level = base[0] + grid.step * np.arange(grid.cells)
    alone = np.ones(grid.cells)
    for reading in readings:
        shown = cell_probability(level - reading, resolution=0.05, sd=2.1 * USUAL.noise_sd)
        alone *= (1 - grid.outlier) * shown + grid.outlier * 0.05
    assert product == pytest.approx(alone, rel=1e-2)
