"""This module invents fleets whose adjustments nobody recorded, writes them, and asks their filter.

A fleet is what a laboratory's habit leaves on file: readings as found and as left, no service
table.  The *fleet filter* knows the fleet's true parameters, the exact rounding likelihood and
which visits adjusted, but no meter's own drift rate or noise: what no forecaster can beat.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special

from drift.forecast.forecasts import forecast
from drift.frames import DAYS_PER_YEAR, EPOCH
from drift.meter.ledger import build_ledger
from tests.csv_folders import load

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Habits:
    """A fleet and what its laboratory does; % air, years, days.

    ``limit`` is the mean as found from beyond which a meter fails, ``reread`` the share of failures
    that are only read again, ``always`` whether readings as left are taken at every visit.
    """

    meters: int = 500
    visits: int = 23
    replicates: int = 2
    resolution: float = 0.05
    noise_sd: float = 0.03
    limit: float = 0.1
    reread: float = 0.0
    always: bool = False
    recorded: bool = False
    wander: float = 0.02
    reset_sd: float = 0.02
    start_sd: float = 0.03
    drifting: float = 0.2
    drift_range: tuple[float, float] = (0.032, 0.14)
    jumping: float = 1 / 12
    jump_sd: float = 0.12
    noisy: float = 0.05
    noisy_scale: float = 2.0
    tolerance: float = 0.1


HABITS = {
    "resets at 0.1": Habits(),
    "resets at 0.05": Habits(limit=0.05),
    "as left at every visit": Habits(always=True),
    "read again": Habits(reread=0.3),
}


@dataclass(frozen=True, slots=True)
class History:
    """A fleet and its truth; arrays of shape (meters, visits) or (meters, visits, replicates)."""

    habits: Habits
    years: Floats
    found: Floats
    left: Floats
    level: Floats
    adjusted: Flags


def live(habits: Habits, *, seed: int) -> History:
    """Let a fleet live through its visits."""
    rng = np.random.default_rng(seed)
    n, shape = habits.meters, (habits.meters, habits.visits)
    way = rng.choice([-1.0, 1.0], n)
    drift = np.where(rng.random(n) < habits.drifting, way * rng.uniform(*habits.drift_range, n), 0)
    noise = habits.noise_sd * np.where(rng.random(n) < habits.noisy, habits.noisy_scale, 1.0)
    jump_at = np.where(rng.random(n) < habits.jumping, rng.integers(1, habits.visits, n), 0)
    days = np.cumsum(np.maximum(np.rint(rng.normal(91.0, 14.0, shape)), 7.0), axis=1)
    years = 15.0 + days / DAYS_PER_YEAR
    found, left = np.empty((2, *shape, habits.replicates))
    level, adjusted = np.empty(shape), np.zeros(shape, dtype=bool)
    x = habits.start_sd * rng.normal(size=n)
    for j in range(habits.visits):
        if j > 0:
            gap = years[:, j] - years[:, j - 1]
            x = x + drift * gap + habits.wander * np.sqrt(gap) * rng.normal(size=n)
            x = x + np.where(jump_at == j, habits.jump_sd * rng.normal(size=n), 0.0)
        level[:, j] = x
        found[:, j] = _read(x, noise, habits, rng)
        failed = np.abs(found[:, j].mean(axis=1)) > habits.limit + 1e-9
        adjusted[:, j] = failed & (rng.random(n) >= habits.reread)
        x = np.where(adjusted[:, j], habits.reset_sd * rng.normal(size=n), x)
        left[:, j] = _read(x, noise, habits, rng)
        left[~(failed | habits.always), j] = np.nan
    return History(habits, years, found, left, level, adjusted)


def _read(x: Floats, noise: Floats, habits: Habits, rng: np.random.Generator) -> Floats:
    """Return replicate readings of the levels `x`, rounded to the dial's resolution."""
    exact = x[:, None] + noise[:, None] * rng.normal(size=(x.size, habits.replicates))
    rounded: Floats = np.rint(exact / habits.resolution) * habits.resolution
    return rounded


def write_history(folder: Path, history: History, *, visits: int) -> Path:
    """Write the first `visits` visits as CSV files; a service table only where one is kept."""
    habits, kept = history.habits, slice(visits)
    write_readings(
        folder,
        years=history.years[:, kept],
        found=history.found[:, kept],
        left=history.left[:, kept],
        resolution=habits.resolution,
    )
    if habits.recorded:
        at, j = np.nonzero(history.adjusted[:, kept])
        pl.DataFrame(
            {
                "meter_id": [f"M{each:05d}" for each in at],
                "performed_on": _dates(history.years[at, j]),
                "action": "hand_reset",
            }
        ).write_csv(folder / "service.csv")
    return folder


def write_readings(
    folder: Path, *, years: Floats, found: Floats, left: Floats, resolution: float
) -> Path:
    """Write biases at 5 % air as a file of readings, NaN for none.

    ``years`` has the shape (meters, visits), ``found`` and ``left`` one axis more of replicates.
    """
    folder.mkdir(parents=True, exist_ok=True)
    meter, visit, replicate = (grid.ravel() for grid in np.indices(found.shape))
    stages = []
    for stage, biases in (("as_found", found), ("as_left", left)):
        frame = pl.DataFrame(
            {
                "meter_id": [f"M{each:05d}" for each in meter],
                "performed_on": _dates(years[meter, visit]),
                "stage": stage,
                "correct_air_pct": 5.0,
                "reading_air_pct": np.round(5.0 + biases[meter, visit, replicate], 4),
                "replicate": replicate + 1,
                "resolution_pct": resolution,
            }
        )
        stages.append(frame.filter(pl.col("reading_air_pct").is_not_nan()))
    pl.concat(stages).write_csv(folder / "readings.csv")
    return folder


def _dates(years: Floats) -> list[date]:
    """Return `t_years` as dates."""
    return [EPOCH + timedelta(days=round(float(year) * DAYS_PER_YEAR)) for year in years]


def ledger_of(folder: Path) -> pl.DataFrame:
    """Return the ledger of a folder of CSV files."""
    _, sources = load(folder)
    return build_ledger(
        sources.sessions,
        marks=sources.marks,
        service=sources.service,
        meters=sources.meters,
        resolution_pct=0.1,
    )


def forecast_next(ledger: pl.DataFrame, history: History, *, visit: int) -> Floats:
    """Return P(true bias out) of each meter at the time of `visit` (0 for the first)."""
    series = ledger.select("series", "meter_id").unique().sort("meter_id")["series"]
    due = pl.DataFrame({"series": series, "due_t_years": history.years[:, visit]})
    now = float(ledger["t_years"].max())  # type: ignore[arg-type]  # a number
    made = forecast(ledger, due=due, now=min(now, float(history.years[:, visit].min())))
    return made.series.sort("meter_id")["p_out_due"].to_numpy()


_STEP, _CELLS, _RATES = 0.005, 288, 10


def ask_fleet_filter(history: History) -> Floats:
    """Return P(true bias out) before each visit but the first, shape (meters, visits).

    One wide periodic grid of levels for each drift rate and noise, moved in the frequency domain:
    the filter shares nothing with the tool's.
    """
    habits = history.habits
    grid = _STEP * np.arange(-_CELLS // 2, _CELLS // 2, dtype=np.float64)
    frequency = 2 * np.pi * np.fft.rfftfreq(_CELLS, d=_STEP)
    low, high = habits.drift_range
    one_way = low + (np.arange(_RATES) + 0.5) / _RATES * (high - low)
    rates = np.concatenate([[0.0], one_way, -one_way])
    weights = np.append(1 - habits.drifting, np.full(2 * _RATES, habits.drifting / 2 / _RATES))
    noises = habits.noise_sd * np.array([1.0, habits.noisy_scale])
    prior = np.array([1 - habits.noisy, habits.noisy])[:, None] * weights
    # One jump in some meters' histories, at any of their visits: a rate, up to its square.
    chance = habits.jumping / (habits.visits - 1)
    jumped = 1 - chance + chance * np.exp(-(frequency**2) / 2 * habits.jump_sd**2)
    mass = prior[None, :, :, None] * _bell(grid, habits.start_sd)
    mass = np.tile(mass, (habits.meters, 1, 1, 1))
    outside = np.abs(grid) > habits.tolerance
    p_out = np.full(history.level.shape, np.nan)
    for j in range(habits.visits):
        if j > 0:
            gap = (history.years[:, j] - history.years[:, j - 1])[:, None, None]
            moved = (
                -1j * frequency * rates[:, None] * gap - frequency**2 / 2 * habits.wander**2 * gap
            )
            factor = (np.exp(moved) * jumped)[:, None]
            mass = np.maximum(np.fft.irfft(np.fft.rfft(mass) * factor, _CELLS), 0.0)
            mass /= mass.sum(axis=(1, 2, 3), keepdims=True)
            p_out[:, j] = mass[..., outside].sum(axis=(1, 2, 3))
        mass = _learn(mass, grid, history.found[:, j], noises, habits)
        reset = history.adjusted[:, j]
        mass[reset] = mass[reset].sum(axis=3, keepdims=True) * _bell(grid, habits.reset_sd)
        read = ~np.isnan(history.left[:, j, 0])
        mass[read] = _learn(mass[read], grid, history.left[read, j], noises, habits)
    return p_out


def _bell(grid: Floats, sd: float) -> Floats:
    bell = np.exp(-0.5 * (grid / sd) ** 2)
    share: Floats = bell / bell.sum()
    return share


def _learn(mass: Floats, grid: Floats, readings: Floats, noises: Floats, habits: Habits) -> Floats:
    """Return `mass`, shape (meters, noises, rates, cells), after readings (meters, replicates)."""
    half = habits.resolution / 2
    chance = np.ones((mass.shape[0], noises.size, grid.size))
    for replicate in range(readings.shape[1]):
        offset = readings[:, replicate, None, None] - grid
        each = noises[:, None]
        chance *= (
            special.ndtr((offset + half) / each) - special.ndtr((offset - half) / each) + 1e-12
        )
    mass = mass * chance[:, :, None]
    learnt: Floats = mass / mass.sum(axis=(1, 2, 3), keepdims=True)
    return learnt


@dataclass(frozen=True, slots=True)
class Unlabelled:
    """How far forecasts lie from those of the fleet filter, without what happened.

    ``excess`` is the Brier score lost, mean (P − F)² over mean F (1 − F); ``gap`` the largest mean
    of P − F in a tenth of P with at least 60 cases; ``ranked`` the expected area under the
    receiver operating characteristic of P over that of F.
    """

    excess: float
    gap: float
    ranked: float


def compare(chance: Floats, best: Floats) -> Unlabelled:
    """Compare forecasts with the fleet filter's; arrays of shape (cases,)."""
    band = np.minimum((chance * 10).astype(np.int64), 9)
    gaps = [
        abs(float((chance - best)[band == place].mean()))
        for place in range(10)
        if (band == place).sum() >= 60
    ]
    return Unlabelled(
        excess=float(((chance - best) ** 2).mean() / (best * (1 - best)).mean()),
        gap=max(gaps),
        ranked=expected_area(chance, best) / expected_area(best, best),
    )


def expected_area(score: Floats, truth: Floats) -> float:
    """Return the expected area under the curve of `score` where cases happen with chance `truth`.

    Every pair of cases counts with the chance that the one happens and the other does not; ties
    count half.
    """
    _, place = np.unique(score, return_inverse=True)
    happens = np.bincount(place, weights=truth)
    spared = np.bincount(place, weights=1 - truth)
    below = np.cumsum(spared) - spared / 2
    return float(happens @ below / (happens.sum() * spared.sum()))


def put_to_test(
    folder: Path, habits: Habits, *, seed: int, cuts: tuple[int, ...] = (12, 17, 22)
) -> tuple[Floats, Floats]:
    """Return forecasts one interval after each of `cuts` visits, and the fleet filter's."""
    history = live(habits, seed=seed)
    best = ask_fleet_filter(history)
    made = []
    for cut in cuts:
        written = write_history(folder / f"{seed}_{cut}", history, visits=cut)
        made.append(forecast_next(ledger_of(written), history, visit=cut))
    return np.concatenate(made), np.concatenate([best[:, cut] for cut in cuts])
