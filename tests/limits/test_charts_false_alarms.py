"""Charts of rounded readings in control raise no more alarms than they say, in every kind of cell.

Rates are exact for the limits that simulated baselines lead to; only the baselines are random.  The
whole table is printed by tests/benchmarks/false_alarms.py.
"""

import numpy as np
import pytest

from tests.benchmarks.false_alarms import SIGMAS, STEPS, cells, measure, mixed_fleet
from tests.limits.chart_fleets import Cell

MOST = 1.3


@pytest.mark.parametrize("visits", [7, 20])
@pytest.mark.parametrize("sigma", [0.02, 0.04, 0.06])
@pytest.mark.parametrize("step", STEPS)
def test_single_readings_keep_the_rate(step: float, sigma: float, visits: int) -> None:
    """A pooled fleet on and off the marks of its dial: at most 1.3 times the nominal rate."""
    textbook = []
    for offset in (0.0, 0.25, 0.5):
        row = measure(Cell(step=step, sigma=sigma, offset=offset), meters=80, visits=visits, seed=1)
        assert row.ours < MOST
        assert row.stated <= 1
        assert row.power[1] <= row.power_unrounded[1] + 0.05
        textbook.append(row.textbook)
    assert max(textbook) > 3 * MOST


@pytest.mark.parametrize("offset", [0.0, 0.5])
@pytest.mark.parametrize(("sigma", "between"), [(0.02, 0.0), (0.04, 0.0), (0.02, 0.03)])
def test_means_of_replicates_keep_the_rate(sigma: float, between: float, offset: float) -> None:
    """Means of three readings, with and without a deviation that a visit's readings share."""
    cell = Cell(step=0.1, sigma=sigma, offset=offset, replicates=3, between=between)
    row = measure(cell, meters=80, visits=7, seed=2)
    assert row.ours < MOST


def test_meters_alone_keep_the_rate() -> None:
    """Without a fleet to lend its spread, limits of seven visits widen rather than alarm."""
    for sigma in (0.03, 0.06):
        row = measure(
            Cell(step=0.1, sigma=sigma, offset=0.25), meters=40, visits=7, seed=3, alone=True
        )
        assert row.ours < MOST


def test_a_fleet_of_unequal_meters_keeps_the_rate_of_its_noisiest() -> None:
    """Spreads of 0.02 to 0.06 pooled together: each keeps the rate."""
    rates = [mixed_fleet(meters=200, visits=7, seed=seed) for seed in (1, 2)]
    for key in rates[0]:
        assert np.mean([rate[key] for rate in rates]) < MOST


@pytest.mark.long
@pytest.mark.parametrize("replicates", [1, 3])
@pytest.mark.parametrize("visits", [7, 20])
def test_every_cell_of_the_table(visits: int, replicates: int) -> None:
    """The whole table of the benchmark, three fleets of 200 meters a cell."""
    for cell in cells(replicates=replicates):
        rates = [measure(cell, meters=200, visits=visits, seed=seed).ours for seed in range(3)]
        assert np.mean(rates) < MOST, cell


@pytest.mark.long
def test_every_spread_of_a_mixed_fleet() -> None:
    """Four fleets of 400 unequal meters, rates of every step and spread."""
    rates = [mixed_fleet(meters=400, visits=7, seed=seed) for seed in range(4)]
    for step in STEPS:
        for sigma in SIGMAS:
            assert np.mean([rate[step, sigma] for rate in rates]) < MOST
