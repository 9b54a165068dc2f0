"""This module forecasts every past visit from the visits before it; it scores nothing."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields

import numpy as np

from drift.stats.blocks import Floats, Integers
from drift.stats.forecast.grid import walk
from drift.stats.forecast.predict import (
    Dial,
    Levels,
    Means,
    Model,
    level_columns,
    mean_columns,
    predict_visit,
)
from drift.stats.forecast.rates import read_posterior
from drift.stats.forecast.readings import make_tables
from drift.stats.forecast.state import State, take
from drift.stats.forecast.visits import Flags, Visits

# Series filtered together: small enough for a processor's cache, large enough to hide Python.
BLOCK = 256


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

    levels: Levels
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
    levels = {field.name: np.full(visits.years.shape, np.nan) for field in fields(Levels)}
    means = {field.name: np.full(visits.years.shape, np.nan) for field in fields(Means)}

    def follow(part: Integers) -> None:
        def watch(j: int, active: int, state: State) -> None:
            rows = np.flatnonzero(wanted[part[:active], j])
            if rows.size == 0:
                return
            at, now = part[rows], take(state, rows)
            level, mean = predict_visit(
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

    with ThreadPoolExecutor(model.settings.threads) as pool:
        list(pool.map(follow, blocks(visits, np.flatnonzero(wanted.any(axis=1)))))
    return Past(Levels(**levels), Means(**means))
