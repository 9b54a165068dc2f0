"""Rounded readings: the likelihoods that limits rest on equal integration and published fits."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import integrate, stats
from scipy.optimize import minimize

from drift.limits.rounding.cells import log_cell_probability, sheppard_sigma
from drift.limits.rounding.observations import Patterns
from drift.limits.rounding.visit_likelihood import (
    PER_STEP,
    Visit,
    chance_at_least,
    shapes_of,
    tabulate,
)
from tests.published.reference_tables import column, expected


def test_grouped_heights() -> None:
    """Heights of 8585 men (Kendall and Stuart, table 1.7, from memory): Sheppard's correction."""
    known = expected("l_sheppard_heights_expected")
    crude = np.sqrt(known["variance_crude_div_n"])
    corrected = sheppard_sigma(crude, resolution=1.0)
    assert corrected**2 == pytest.approx(known["variance_sheppard"], abs=1e-6)


def test_grouped_heights_are_likeliest_at_the_published_fit() -> None:
    """The cells' likelihood of the heights peaks at the mean and spread recomputed before."""
    names = ("interval_centre_in", "frequency")
    centres, counts = (column("l_sheppard_heights", name) for name in names)
    known = expected("l_sheppard_heights_expected")

    def unlikelihood(p: NDArray[np.float64]) -> float:
        low = (centres - 0.5 - p[0]) / p[1]
        return -float(counts @ log_cell_probability(low, low + 1 / p[1]))

    at = (known["grouped_normal_mle_mean"], np.sqrt(known["grouped_normal_mle_variance"]))
    found = minimize(unlikelihood, (67.0, 2.0), method="Nelder-Mead", tol=1e-10)
    assert found.x == pytest.approx(at, abs=1e-5)


@pytest.mark.parametrize("within", [0.2, 0.4, 0.8])
@pytest.mark.parametrize("between", [0.3, 0.9])
def test_likelihood_of_a_visit_equals_integration(within: float, between: float) -> None:
    """What limits are set by: a visit of three rounded readings against scipy.integrate.quad.

    Model: N(centre, between²) for the visit, N(visit, within²) for its readings, in steps of 1.
    """
    readings = np.array([0.0, 1.0, 1.0])
    patterns = Patterns(
        replicates=np.array([3]),
        steps=np.array([float(PER_STEP)]),
        offsets=PER_STEP * readings[None],
    )
    in_grid = within * PER_STEP
    table = tabulate(
        patterns,
        shapes_of(patterns, within=in_grid),
        within=in_grid,
        betweens=np.array([between * PER_STEP]),
        reach=2 * PER_STEP,
    )
    for centre in (-1.5, -0.3, 0.0, 0.5, 1.1, 2.0):

        def density(level: float, centre: float = centre) -> float:
            low = (readings - 0.5 - level) / within
            cells = stats.norm.cdf(low + 1 / within) - stats.norm.cdf(low)
            return float(np.prod(cells) * stats.norm.pdf(level, centre, between))

        exact, _ = integrate.quad(density, centre - 8, centre + 8, epsabs=0, limit=200)
        place = 2 * PER_STEP + round(centre * PER_STEP)
        assert np.exp(table[0, 0, place]) == pytest.approx(exact, rel=0.01)


@pytest.mark.parametrize("step", [20.0, 13.2])
@pytest.mark.parametrize("phase", [0, 8])
def test_chance_of_a_mean_equals_integration(step: float, phase: int) -> None:
    """The mean of two readings of a new visit, wherever its process lies among the steps.

    A step that is no whole number of grid units is tabulated centre by centre.
    """
    spread, within = 6.0, 5.0
    centres = np.arange(-50.0, 51.0)
    chance, values, _ = chance_at_least(
        centres, Visit(2, step, phase), spreads=np.array([spread]), within=within
    )
    cells = np.arange(-9, 10)
    for centre in (-50, -23, 0, 1, 34, 50):
        levels = np.linspace(centre - 9 * spread, centre + 9 * spread, 4001)
        share = stats.norm.pdf(levels, centre, spread) * (levels[1] - levels[0])
        low = (phase + (cells - 0.5) * step - levels[:, None]) / within
        one = stats.norm.cdf(low + step / within) - stats.norm.cdf(low)
        both = share @ np.array([np.convolve(each, each) for each in one])
        means = phase + np.arange(2 * cells[0], 2 * cells[-1] + 1) * step / 2
        exact = [both[means > value - step / 4].sum() for value in values]
        assert chance[0, centre + 50] == pytest.approx(exact, abs=1e-7)


@pytest.mark.parametrize("edges", [(-1.0, 0.5), (3.0, 3.001), (12.0, 13.0), (-40.0, -39.0)])
def test_cells_keep_their_digits(edges: tuple[float, float]) -> None:
    """Probabilities of narrow and far cells equal numerical integration of the scaled density."""
    low, high = edges
    near = low if abs(low) < abs(high) else high
    scaled, _ = integrate.quad(
        lambda z: np.exp((near**2 - z**2) / 2), low, high, epsabs=0, epsrel=1e-12
    )
    known = np.log(scaled) - near**2 / 2 - np.log(2 * np.pi) / 2
    assert log_cell_probability(low, high) == pytest.approx(known, abs=1e-10)
    assert log_cell_probability(-high, -low) == pytest.approx(known, abs=1e-10)
