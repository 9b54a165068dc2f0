"""This module says where each meter stands now and where it goes, and forecasts past visits."""

from dataclasses import dataclass, fields

import numpy as np

from drift.arrays import Flags, Floats, Integers
from drift.beside import Threads
from drift.forecast.grid.filter import walk
from drift.forecast.grid.horizon import rate_quantile
from drift.forecast.grid.passage import Passage, crossing_chances, crossing_time, make_passage
from drift.forecast.grid.predict import (
    Dial,
    Means,
    Model,
    PredictedLevels,
    level_columns,
    mean_columns,
    predict_as_found,
    predict_levels,
)
from drift.forecast.grid.rates import Posterior, Rates, join_kinds, read_posterior
from drift.forecast.grid.reading_likelihood import Tables, make_tables
from drift.forecast.grid.state import State, put, take
from drift.forecast.grid.visits import Visits, recent_visits
from drift.frames import DAYS_PER_YEAR

# Visits back to which a shock is looked for.
_RECENT = 8

Columns = dict[str, Floats]

# Series filtered together: small enough for a processor's cache, large enough to hide Python.
BLOCK = 256


def current_states(
    visits: Visits, lives: Integers, model: Model, *, now: float, due: Floats
) -> Columns:
    """Forecast `lives` from their last visits.

    Parameters
    ----------
    visits : Visits
        The fleet.
    lives : array, shape (lives,)
        Positions in `visits`.
    model : Model
        Of the fleet.
    now : float
        Time the forecasts speak for, `t_years`.
    due : array, shape (lives,)
        When each is next seen, `t_years`.

    Returns
    -------
    dict of str to array
        Arrays of shape (lives,), or (lives, horizons) for names that start with ``horizon_``.
    """
    settings = model.settings
    tables = make_tables(model.hyper, model.grid, resolutions=visits.resolutions)
    seen = visits.years[lives, visits.count[lives] - 1]
    longest = max(now - float(seen.min()), 0.0) + settings.horizon_years
    passage = make_passage(
        longest, tolerance=settings.tolerance, hyper=model.hyper, grid=model.grid
    )
    place = np.empty(visits.series.size, dtype=np.int64)
    place[lives] = np.arange(lives.size)
    parts = blocks(visits, lives)

    def work(part: Integers) -> Columns:
        state, calm = _follow(visits, part, model, tables)
        posterior = read_posterior(state, model.grid)
        return (
            _standing(state, posterior.rates, calm, model)
            | _ahead(state, posterior, visits, part, model, now=now, due=due[place[part]])
            | _crossing(state, posterior, passage, model, now=now)
        )

    with Threads(settings.threads) as pool:
        made = list(pool.map(work, parts))
    where = np.argsort(place[np.concatenate(parts)])
    return {name: np.concatenate([block[name] for block in made])[where] for name in made[0]}


def _follow(
    visits: Visits, part: Integers, model: Model, tables: Tables
) -> tuple[State, tuple[Floats, Floats]]:
    """Filter a block; return its state, P(no shock of late) and P(no drift | none)."""
    last = visits.count[part] - 1
    column = np.arange(visits.years.shape[1])
    adjusted = np.where(visits.reset[part], column, 0).max(axis=1)
    first = np.maximum(adjusted, last - _RECENT)
    snapshot: list[State] = []

    def watch(j: int, active: int, state: State) -> None:
        if not snapshot:
            snapshot.append(take(state, np.arange(part.size)))
        rows = np.flatnonzero((first[:active] == j - 1) & (first[:active] < last[:active]))
        if rows.size:
            put(snapshot[0], rows, take(state, rows))

    hyper, grid = model.hyper, model.grid
    state = walk(visits, part, hyper=hyper, grid=grid, tables=tables, watch=watch)
    calm, steady = np.ones(part.size), _no_drift(state)
    order = np.argsort(first - last, kind="stable")
    order = order[first[order] < last[order]]
    if order.size:
        start = take(snapshot[0], order)
        gone = state.log_likelihood[order] - start.log_likelihood
        before = start.log_likelihood.copy()
        tail = recent_visits(visits, part[order], first[order], width=_RECENT + 1)
        end = walk(
            tail,
            np.arange(order.size),
            hyper=hyper,
            grid=grid,
            tables=tables,
            start=start,
            calm=True,
        )
        calm[order] = np.exp(np.minimum(end.log_likelihood - before - gone, 0.0))
        steady[order] = _no_drift(end)
    return state, (calm, steady)


def _no_drift(state: State) -> Floats:
    """Return the probability that each series does not drift."""
    chance: Floats = state.mass[:, :, 0].sum(axis=(1, 2), dtype=np.float64)
    return chance


def _standing(state: State, rates: Rates, calm: tuple[Floats, Floats], model: Model) -> Columns:
    """Return drift rate and what each series is like."""
    settings, grid, hyper = model.settings, model.grid, model.hyper
    kinds = state.mass.sum(axis=(2, 3), dtype=np.float64)
    noise = np.array([kind.noise for kind in hyper.kinds]) * hyper.noise_sd
    share = (1 - settings.band_level) / 2
    p_drifting = 1 - rates.weight[:, 0]
    p_steady = np.minimum(calm[0] * calm[1], rates.weight[:, 0])
    return {
        "drift": (rates.weight * rates.mean).sum(axis=1),
        "drift_low": rate_quantile(rates, share, grid=grid),
        "drift_high": rate_quantile(rates, 1 - share, grid=grid),
        "p_drifting": p_drifting,
        "p_steady": p_steady,
        "p_shock": np.maximum(rates.weight[:, 0] - p_steady, 0.0),
        "noise_sd": kinds @ noise,
        "last_t_years": state.years,
    }


def _ahead(
    state: State,
    posterior: Posterior,
    visits: Visits,
    part: Integers,
    model: Model,
    *,
    now: float,
    due: Floats,
) -> Columns:
    """Return predictions at the due time, now, at the last visit and at each horizon."""
    dial = last_dial(visits, part, visits.count[part] - 1)
    joined = join_kinds(posterior, model.hyper)

    def levels_at(time: Floats) -> Columns:
        ahead = np.maximum(time - state.years, 0.0)
        return level_columns(predict_levels(joined, model, ahead=ahead, dial=dial))

    present = np.full(part.size, now)
    later = np.maximum(np.maximum(due, now) - state.years, 0.0)
    levels, means = predict_as_found(posterior, model, ahead=later, dial=dial)
    columns = {f"due_{name}": values for name, values in level_columns(levels).items()}
    columns |= {f"found_{name}": values for name, values in mean_columns(means).items()}
    columns |= {f"now_{name}": values for name, values in levels_at(present).items()}
    columns |= {f"then_{name}": values for name, values in levels_at(state.years).items()}
    ahead = [levels_at(present + days / DAYS_PER_YEAR) for days in model.settings.horizons_days]
    for name in ahead[0] if ahead else ():
        columns[f"horizon_{name}"] = np.stack([one[name] for one in ahead], axis=1)
    return columns


def _crossing(
    state: State, posterior: Posterior, passage: Passage, model: Model, *, now: float
) -> Columns:
    """Return when the true bias first leaves the tolerance: median and interval, `t_years`."""
    settings = model.settings
    chances = crossing_chances(posterior, passage, tolerance=settings.tolerance)
    limit = np.maximum(now - state.years, 0.0) + settings.horizon_years
    half = settings.crossing_level / 2
    shares = {"crossing": 0.5, "crossing_early": 0.5 - half, "crossing_late": 0.5 + half}
    columns = {}
    for name, share in shares.items():
        after = crossing_time(chances, passage.years, share)
        columns[name] = np.where(after <= limit, state.years + after, np.nan)
    return columns


@dataclass(frozen=True, slots=True)
class Past:
    """Forecasts of past visits; each array of shape (all lives, visits), NaN where none was made.

    Attributes
    ----------
    levels : Levels
        Of true biases.
    means : Means
        Of as-found means.
    """

    levels: PredictedLevels
    means: Means


def last_dial(visits: Visits, at: Integers, j: int | Integers) -> Dial:
    """Return how the lives `at` were read at their visit `j`."""
    found = visits.found[at, j]
    left = visits.left[at, j]
    some = np.concatenate([found, left], axis=1)
    first = np.argmax(~np.isnan(some), axis=1)
    reading = np.nan_to_num(some[np.arange(at.size), first])
    count = np.where(visits.found_count[at, j] > 0, visits.found_count[at, j], 1)
    return Dial(reading, visits.resolutions[visits.kind[at, j]], count)


def blocks(visits: Visits, lives: Integers) -> list[Integers]:
    """Cut lives into blocks to be filtered together, longest first."""
    order = lives[np.argsort(-visits.count[lives], kind="stable")]
    return [order[start : start + BLOCK] for start in range(0, order.size, BLOCK)]


def found_means(visits: Visits, at: Integers, j: int) -> Floats:
    """Return the as-found means of the lives `at` at visit `j`, NaN where not read."""
    found = visits.found[at, j]
    counted = np.arange(found.shape[1]) < visits.found_count[at, j][:, None]
    total = np.where(counted, found, 0.0).sum(axis=1)
    number = visits.found_count[at, j]
    mean: Floats = np.where(number > 0, total / np.maximum(number, 1), np.nan)
    return mean


def look_back(visits: Visits, wanted: Flags, model: Model) -> Past:
    """Forecast past visits from what came before them.

    Parameters
    ----------
    visits : Visits
        The fleet.
    wanted : array of bool, shape (lives, visits)
        Visits to forecast; first visits cannot be.
    model : Model
        Of the fleet.
    """
    tables = make_tables(model.hyper, model.grid, resolutions=visits.resolutions)
    levels = {field.name: np.full(visits.years.shape, np.nan) for field in fields(PredictedLevels)}
    means = {field.name: np.full(visits.years.shape, np.nan) for field in fields(Means)}

    def follow(part: Integers) -> None:
        def watch(j: int, active: int, state: State) -> None:
            rows = np.flatnonzero(wanted[part[:active], j])
            if rows.size == 0:
                return
            at, now = part[rows], take(state, rows)
            level, mean = predict_as_found(
                read_posterior(now, model.grid),
                model,
                ahead=visits.years[at, j] - now.years,
                dial=last_dial(visits, at, j - 1),
                found=found_means(visits, at, j),
            )
            for name, values in level_columns(level).items():
                levels[name][at, j] = values
            for name, values in mean_columns(mean).items():
                means[name][at, j] = values

        walk(visits, part, hyper=model.hyper, grid=model.grid, tables=tables, watch=watch)

    with Threads(model.settings.threads) as pool:
        list(pool.map(follow, blocks(visits, np.flatnonzero(wanted.any(axis=1)))))
    return Past(PredictedLevels(**levels), Means(**means))
