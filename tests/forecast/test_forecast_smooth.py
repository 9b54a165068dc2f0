"""The path of a past span against statsmodels' smoother and against simulated truth."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray
from statsmodels.tsa.statespace.kalman_smoother import KalmanSmoother

from drift.forecast.grid.model import Grid, HyperParameters, Kind, Settings, make_grid
from drift.forecast.grid.predict import Model
from drift.forecast.grid.visits import read_visits
from drift.forecast.smooth import Smoothed, smooth_point
from drift.frames import DAYS_PER_YEAR
from drift.meter.ledger import LEDGER

Floats = NDArray[np.float64]

USUAL = HyperParameters(
    wander=0.03,
    noise_sd=0.02,
    visit_sd=0.0,
    kinds=(Kind(1.0, 1.0, 1.0),),
    spike_weight=0.6,
    slab_mean=0.0,
    slab_sd=0.12,
    shock_rate=0.3,
    shock_size=0.15,
    reset_sd=0.02,
    start_sd=0.03,
)
DAY = 1 / DAYS_PER_YEAR


def first_out(smoothed: Smoothed, shares: tuple[float, ...]) -> list[float]:
    """Return quantiles of the time at which it was first out, given that it was, `t_years`.

    NaN where it was hardly ever out (under 1 %).  A quantile before the span's first day is that
    day: it may have been out when the span began.
    """
    chance = smoothed.p_been_out
    if chance[-1] < 0.01:
        return [float("nan")] * len(shares)
    share = chance / chance[-1]
    return [
        float(smoothed.years[0] if wanted <= share[0] else np.interp(wanted, share, smoothed.years))
        for wanted in shares
    ]


def ledger(days: Floats, visits: list[dict[str, object]], *, resolution: float) -> pl.DataFrame:
    """Return the ledger of one series read on `days`."""
    rows = [
        dict.fromkeys(LEDGER)
        | {
            "series": 0,
            "meter_id": "A",
            "point_pct": 5.0,
            "visit": number,
            "t_years": 20.0 + float(day) * DAY,
            "resolution_pct": resolution,
            "adjusted": False,
            "evidence_lost": False,
            "left_bias_pct": 0.0,
            "phase": 1,
        }
        | visit
        for number, (day, visit) in enumerate(zip(days, visits, strict=True), start=1)
    ]
    return pl.DataFrame(rows, schema=LEDGER)


def found(days: Floats, biases: list[list[float]], *, resolution: float = 0.05) -> pl.DataFrame:
    """Return the ledger of one series that was never adjusted."""
    visits: list[dict[str, object]] = [{"as_found_biases_pct": each} for each in biases]
    return ledger(days, visits, resolution=resolution)


def model(hyper: HyperParameters, grid: Grid | None = None, *, resolution: float) -> Model:
    """Return the model of a fleet with 80 % bands."""
    grid = grid or make_grid(hyper, resolutions=np.array([resolution]))
    return Model(Settings(band_level=0.8), hyper, grid)


def test_without_shock_drift_and_rounding_it_is_the_kalman_smoother() -> None:
    """Mean and standard deviation of each day are those of statsmodels' smoothed state."""
    rng = np.random.default_rng(2)
    days = np.array([0.0, 60.0, 150.0, 230.0, 330.0])
    biases = np.rint((0.05 + 0.02 * rng.normal(size=5)) * 1e5) / 1e5
    hyper = replace(USUAL, spike_weight=1.0, shock_rate=0.0, start_sd=0.04)
    grid = Grid(
        step=0.004,
        cells=120,
        drifts=np.array([0.0, -0.1, 0.1]),
        rate_step=0.2,
        fineness=400,
        outlier=0.0,
        far=0.0,
        precision=np.float64,
    )
    frame = found(days, [[float(b)] for b in biases], resolution=1e-5)
    visits = read_visits(frame, resolution=1e-5)
    made = smooth_point(visits, 0, model(hyper, grid, resolution=1e-5), first=1, until=3)

    daily = np.full(331, np.nan)
    daily[days.astype(int)] = biases
    peer = KalmanSmoother(k_endog=1, k_states=1, k_posdef=1)
    peer.bind(daily)
    peer["design"], peer["transition"], peer["selection"] = [np.eye(1)] * 3
    peer["obs_cov"] = np.array([[hyper.noise_sd**2]])
    peer["state_cov"] = np.array([[hyper.wander**2 * DAY]])
    peer.initialize_known(np.zeros(1), np.array([[hyper.start_sd**2]]))
    smoothed = peer.smooth()
    span = slice(60, 231)
    assert made.years == pytest.approx(20.0 + np.arange(60, 231) * DAY)
    assert made.level == pytest.approx(smoothed.smoothed_state[0, span], abs=1e-4)
    assert made.sd == pytest.approx(np.sqrt(smoothed.smoothed_state_cov[0, 0, span]), rel=0.01)
    half = 1.2816 * made.sd
    assert made.high - made.low == pytest.approx(2 * half, rel=0.02)


def simulated(rng: np.random.Generator) -> tuple[Floats, pl.DataFrame, int] | None:
    """Return a true daily path since the last visit inside, the ledger and the failed visit.

    None where no visit after the fourth found the meter out of tolerance.
    """
    gaps = rng.integers(70, 112, size=11)
    days = np.concatenate([[0], np.cumsum(gaps)])
    drift = 0.0 if rng.random() < USUAL.spike_weight else USUAL.slab_sd * rng.normal()
    steps = drift * DAY + USUAL.wander * np.sqrt(DAY) * rng.normal(size=days[-1])
    struck = rng.random(days[-1]) < -np.expm1(-USUAL.shock_rate * DAY)
    steps += struck * USUAL.shock_size * rng.normal(size=days[-1])
    path = USUAL.start_sd * rng.normal() + np.concatenate([[0.0], np.cumsum(steps)])
    visits: list[dict[str, object]] = []
    for number, day in enumerate(days):
        exact = path[day] + USUAL.noise_sd * rng.normal(size=2)
        biases = np.rint(exact / 0.05) * 0.05
        visit: dict[str, object] = {"as_found_biases_pct": biases.tolist()}
        failed = abs(biases.mean()) > 0.1 + 1e-9
        if failed:
            left = USUAL.reset_sd * rng.normal()
            read = np.rint((left + USUAL.noise_sd * rng.normal(size=2)) / 0.05) * 0.05
            visit |= {"adjusted": True, "as_left_biases_pct": read.tolist()}
        visits.append(visit)
        if failed and number < 4:
            return None
        if failed:
            opened = int(days[number - 1])
            return (
                path[opened : day + 1],
                ledger(days[: number + 1], visits, resolution=0.05),
                number,
            )
    return None


def brackets(cases: int, *, seed: int) -> tuple[list[bool], list[Smoothed], list[Floats]]:
    """Return whether each 80 % bracket of the day first out held it, the spans and the truth."""
    rng = np.random.default_rng(seed)
    held: list[bool] = []
    spans: list[Smoothed] = []
    paths: list[Floats] = []
    fleet = model(USUAL, resolution=0.05)
    while len(spans) < cases:
        case = simulated(rng)
        if case is None:
            continue
        path, frame, number = case
        made = smooth_point(
            read_visits(frame, resolution=0.05), 0, fleet, first=number - 1, until=number
        )
        spans.append(made)
        paths.append(path)
        out = np.abs(path) > 0.1
        if out.any():
            true = made.years[int(np.argmax(out))]
            early, late = first_out(made, (0.1, 0.9))
            held.append(bool(early - 1e-9 <= true <= late + 1e-9))
    return held, spans, paths


def judge(cases: int, *, seed: int, room: float) -> None:
    """Hold brackets, bands and probabilities of simulated cases to the truth, with some room."""
    held, spans, paths = brackets(cases, seed=seed)
    assert np.mean(held) == pytest.approx(0.8, abs=0.05 + room)
    inside = [
        ((path >= made.low) & (path <= made.high)).mean()
        for made, path in zip(spans, paths, strict=True)
    ]
    assert np.mean(inside) == pytest.approx(0.8, abs=0.05 + room)
    chance = np.concatenate([made.p_below + made.p_above for made in spans])
    happened = np.abs(np.concatenate(paths)) > 0.1
    for low, high in ((0.0, 0.3), (0.3, 0.7), (0.7, 1.0)):
        band = (chance >= low) & (chance <= high)
        assert chance[band].mean() == pytest.approx(happened[band].mean(), abs=0.05 + room)


def test_brackets_hold_the_day_it_went_out() -> None:
    """On a few dozen failures: bracket, band and probability of each day, with room for chance."""
    judge(50, seed=8, room=0.1)


@pytest.mark.long
def test_brackets_hold_the_day_it_went_out_in_75_to_85_per_cent() -> None:
    """On hundreds of failures the 80 % bracket of the day first out holds it in 75 to 85 %."""
    judge(400, seed=9, room=0.0)


def test_a_recorded_drop_is_the_likely_day() -> None:
    """Of a jump between two visits, most lies on the day of the drop; without one it is spread."""
    days = np.array([0.0, 90.0, 180.0, 270.0, 360.0])
    biases = [[0.0, 0.0]] * 4 + [[0.2, 0.25]]
    frame = found(days, biases)
    visits, fleet = read_visits(frame, resolution=0.05), model(USUAL, resolution=0.05)
    drop = 20.0 + 300 * DAY
    told = smooth_point(visits, 0, fleet, first=3, until=4, drops=np.array([drop]))
    untold = smooth_point(visits, 0, fleet, first=3, until=4)
    at = int(np.argmin(np.abs(told.years - drop)))
    assert told.p_above[at] - told.p_above[at - 1] > 0.6
    assert np.diff(untold.p_above).max() < 0.05
    early, late = first_out(told, (0.1, 0.9))
    assert early == pytest.approx(drop, abs=1.5 * DAY)
    late_untold, early_untold = first_out(untold, (0.9, 0.1))
    assert late - early < 0.5 * (late_untold - early_untold)


def test_an_adjustment_in_the_span_sets_the_level_anew() -> None:
    """Between two failures with a reset the path starts again where it was left."""
    days = np.array([0.0, 90.0, 180.0, 270.0])
    reset: dict[str, object] = {"adjusted": True, "as_left_biases_pct": [0.0, 0.0]}
    visits: list[dict[str, object]] = [
        {"as_found_biases_pct": [0.0, 0.0]},
        {"as_found_biases_pct": [0.0, 0.05]},
        {"as_found_biases_pct": [0.2, 0.2]} | reset,
        {"as_found_biases_pct": [0.2, 0.2]} | reset,
    ]
    frame = ledger(days, visits, resolution=0.05)
    made = smooth_point(
        read_visits(frame, resolution=0.05), 0, model(USUAL, resolution=0.05), first=1, until=3
    )
    met = int(np.argmin(np.abs(made.years - 20.0 - 180 * DAY)))
    assert made.level[met] > 0.15
    assert made.level[met + 1] < 0.1
    assert made.level[-1] > 0.15


def test_a_long_span_is_cut_into_few_times_that_hold_its_visits() -> None:
    """Ten years give at most some 400 times, the ends and the visits among them."""
    days = np.array([0.0, 90.0, 1777.0, 3650.0])
    frame = found(days, [[0.0]] * 4)
    made = smooth_point(
        read_visits(frame, resolution=0.05), 0, model(USUAL, resolution=0.05), first=0, until=3
    )
    assert made.years.size <= 404
    for day in days:
        assert np.abs(made.years - 20.0 - day * DAY).min() < 1e-9


def test_visits_that_are_not_there_are_refused() -> None:
    """The span needs two visits of the life, in order."""
    frame = found(np.array([0.0, 90.0]), [[0.0]] * 2)
    visits, fleet = read_visits(frame, resolution=0.05), model(USUAL, resolution=0.05)
    for first, until in ((1, 1), (0, 2), (-1, 1)):
        with pytest.raises(ValueError, match="asked for"):
            smooth_point(visits, 0, fleet, first=first, until=until)
