"""This module forecasts every past visit from the visits before it; it scores nothing."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, fields

import numpy as np

from drift.stats.blocks import Floats, Integers
from drift.stats.forecast.grid import State, make_tables, take, walk
from drift.stats.forecast.predict import Model, Prediction, predict
from drift.stats.forecast.visits import Visits

# Series filtered together: small enough for a processor's cache, large enough to hide Python.
BLOCK = 32


@dataclass(frozen=True, slots=True)
class Dial:
    """How each series is read, as far as its last visit tells; arrays of shape (series,).

    Attributes
    ----------
    reading : array
        A bias that the dial can show, % air.
    resolution : array
        Its step, % air.
    replicates : array
        Readings taken at a visit.
    """

    reading: Floats
    resolution: Floats
    replicates: Integers


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


def look_back(visits: Visits, lives: Integers, model: Model, *, threads: int) -> Prediction:
    """Forecast each visit of `lives` but the first from what came before it.

    Returns
    -------
    Prediction
        Arrays of shape (all lives, visits), NaN for first visits and lives not asked for.
    """
    tables = make_tables(model.hyper, model.grid, resolutions=visits.resolutions)
    names = [field.name for field in fields(Prediction)]
    record = {name: np.full(visits.years.shape, np.nan) for name in names}

    def follow(part: Integers) -> None:
        def watch(j: int, active: int, state: State) -> None:
            at = part[:active]
            dial = last_dial(visits, at, j - 1)
            number = np.maximum(visits.found_count[at, j], 1)
            found = visits.found[at, j].copy()
            found[np.arange(found.shape[1]) >= visits.found_count[at, j][:, None]] = np.nan
            made = predict(
                take(state, np.arange(active)),
                model,
                ahead=visits.years[at, j] - state.years[:active],
                reading=dial.reading,
                resolution=dial.resolution,
                replicates=dial.replicates,
                found=np.where(
                    visits.found_count[at, j] > 0, np.nansum(found, axis=1) / number, np.nan
                ),
            )
            for name, values in asdict(made).items():
                record[name][at, j] = values

        walk(visits, part, hyper=model.hyper, grid=model.grid, tables=tables, watch=watch)

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(follow, blocks(visits, lives)))
    return Prediction(**record)
