"""This module says what the next as-found readings should show, one by one.

`predict_visit` filters the histories once; `expected_at` says for any later time where the level of
each series lies then, the visit's own shared error included, so that single readings, their means
and any set of replicates can be weighed against it.
"""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from drift.arrays import Floats, Integers
from drift.forecast.current_state import blocks, last_dial
from drift.forecast.fit import Fit, fit_fleet
from drift.forecast.grid.content import in_order_of_content
from drift.forecast.grid.filter import walk
from drift.forecast.grid.horizon import (
    Bins,
    level_masses,
    mean_band,
    mean_lattice,
    reading_table,
    reference_bin,
    spread_masses,
)
from drift.forecast.grid.model import Settings, make_grid
from drift.forecast.grid.predict import Dial, Model, alike
from drift.forecast.grid.rates import Posterior, read_posterior, take_posterior
from drift.forecast.grid.reading_likelihood import make_tables
from drift.forecast.grid.state import take
from drift.forecast.grid.visits import read_visits
from drift.forecast.habits import with_points_heard


@dataclass(frozen=True, slots=True)
class _Block:
    """Series that were filtered together.

    Attributes
    ----------
    series, years : array, shape (series,)
        Names, and times of the last visits.
    posterior : Posterior
        What is known after these.
    dial : Dial
        How each was read then.
    """

    series: Integers
    years: Floats
    posterior: Posterior
    dial: Dial


@dataclass(frozen=True, slots=True)
class Outlook:
    """What is known of a fleet after its last visits, ready to be asked about later times."""

    model: Model
    blocks: tuple[_Block, ...]


@dataclass(frozen=True, slots=True)
class Expected:
    """What is expected of one series at one time.

    Attributes
    ----------
    levels : array, shape (bins,)
        Levels about which the readings of a visit scatter, % air.
    masses : array, shape (kinds, bins)
        Their probability; sums to 1.
    noise : array, shape (kinds,)
        Standard deviation of a reading about its level, % air.
    bins : Bins
        The lattice of the levels, and how the series is read.
    """

    levels: Floats
    masses: Floats
    noise: Floats
    bins: Bins


def predict_visit(
    ledger: pl.DataFrame, *, settings: Settings | None = None, fit: Fit | None = None
) -> Outlook:
    """Filter every history of a ledger up to its last visit.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    settings : Settings, optional
        As for `drift.forecast.forecasts.forecast`.
    fit : Fit, optional
        Hyper-parameters of much the same fleet; fitted where not given.

    Raises
    ------
    ValueError
        If the ledger is empty, or holds a time or bias that is not finite.
    """
    settings = settings or Settings()
    visits = in_order_of_content(read_visits(ledger, resolution=settings.resolution))
    if fit is None:
        fit = fit_fleet(visits, tolerance=settings.tolerance, sample=settings.sample)
    grid = make_grid(fit.hyper, resolutions=visits.resolutions)
    model = Model(settings, fit.hyper, grid)
    visits = with_points_heard(visits, hyper=fit.hyper, grid=grid)
    tables = make_tables(model.hyper, grid, resolutions=visits.resolutions)
    made = []
    for part in blocks(visits, np.flatnonzero(visits.last)):
        state = walk(visits, part, hyper=model.hyper, grid=grid, tables=tables)
        posterior = read_posterior(take(state, np.arange(part.size)), grid)
        dial = last_dial(visits, part, visits.count[part] - 1)
        made.append(_Block(visits.series[part], state.years, posterior, dial))
    return Outlook(model, tuple(made))


def expected_at(outlook: Outlook, times: dict[int, float]) -> dict[int, Expected]:
    """Return what is expected of series at times.

    Parameters
    ----------
    outlook : Outlook
        Of the fleet.
    times : dict of int to float
        Time, `t_years`, by series; a time before the last visit stands for that visit's.

    Returns
    -------
    dict of int to Expected
        By series; those that the outlook does not hold are left out.
    """
    found: dict[int, Expected] = {}
    for block in outlook.blocks:
        asked = np.array([int(name) in times for name in block.series], dtype=bool)
        rows = np.flatnonzero(asked)
        if rows.size:
            found |= _expected_of(block, rows, outlook.model, times)
    return found


def _expected_of(
    block: _Block, rows: Integers, model: Model, times: dict[int, float]
) -> dict[int, Expected]:
    """Return what is expected of some series of a block."""
    hyper, names = model.hyper, block.series[rows]
    apart = [
        (slice(k, k + 1), kind.shocks * hyper.shock_rate) for k, kind in enumerate(hyper.kinds)
    ]
    noise = np.array([kind.noise for kind in hyper.kinds]) * hyper.noise_sd
    wanted = np.array([times[int(name)] for name in names])
    ahead = np.maximum(wanted - block.years[rows], 0.0)
    dial = Dial(block.dial.reading[rows], block.dial.resolution[rows], block.dial.replicates[rows])
    posterior = take_posterior(block.posterior, rows)
    found = {}
    for at, bins in alike(ahead, dial, model):
        reference = reference_bin(posterior.middle[at], dial.reading[at], bins)
        masses = level_masses(
            take_posterior(posterior, at),
            ahead[at],
            reference,
            groups=apart,
            bins=bins,
            hyper=hyper,
        )
        masses = spread_masses(masses, np.full(at.size, hyper.visit_sd**2), bins=bins)
        masses /= masses.sum(axis=(1, 2), keepdims=True)
        size = masses.shape[2]
        for place, row in enumerate(at):
            levels = reference[place] + (np.arange(size) - size // 2) * bins.step
            found[int(names[row])] = Expected(levels, masses[place], noise, bins)
    return found


class Bands:
    """Bands of single readings and of their means, with the tables computed so far."""

    def __init__(self, outlook: Outlook) -> None:
        self._hyper = outlook.model.hyper
        self._tables: dict[Bins, Floats] = {}

    def band(self, expected: Expected, *, replicates: int, level: float) -> tuple[float, float]:
        """Return the band of the mean of `replicates` readings, % air.

        Parameters
        ----------
        expected : Expected
            Of one series.
        replicates : int
            Readings averaged, at least 1; for 1 the band is that of a single reading.
        level : float
            Coverage, 0 to 1.
        """
        bins = replace(expected.bins, replicates=max(1, min(replicates, 10)))
        if bins not in self._tables:
            self._tables[bins] = reading_table(bins, self._hyper)
        table = self._tables[bins]
        means = np.einsum("kb,kbm->m", expected.masses, table)[None]
        reference = expected.levels[expected.levels.size // 2][None]
        lattice = mean_lattice(reference, table.shape[2], bins=bins)
        low, high = mean_band(means, lattice, bins=bins, level=level)
        return float(low[0]), float(high[0])
