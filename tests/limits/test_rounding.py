"""Rounded readings: likelihoods equal integration, exact laws equal simulation."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import integrate, stats
from scipy.optimize import minimize

from drift.limits.rounding.cells import log_cell_probability, sheppard_sigma
from drift.limits.rounding.observations import Patterns
from drift.limits.rounding.replicate_spread import (
    normal_range_tail,
    normal_spread_tail,
    range_law,
    spread_law,
)
from drift.limits.rounding.visit_likelihood import PER_STEP, shapes_of, tabulate
from tests.limits.rounded_means import (
    attainable_limits,
    distribution_of_mean,
    moments_of_mean,
    normal_rate_outside,
    rate_outside,
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


@pytest.mark.parametrize(
    ("sigma", "centre", "mean", "spread"),
    [
        (0.05, 0.025, 0.024771, 0.057735),
        (0.03, 0.025, 0.019613, 0.041245),
        (0.03, 0.0, 0.0, 0.030916),
        (0.02, 0.05, 0.05, 0.05),
    ],
)
def test_moments_of_rounded_readings(
    sigma: float, centre: float, mean: float, spread: float
) -> None:
    """Exact mean and spread of readings in steps of 0.1, derived elsewhere (R2)."""
    found = moments_of_mean(distribution_of_mean([centre], sigma=sigma, resolution=0.1))
    assert found[0][0] == pytest.approx(mean, abs=6e-7)
    assert found[1][0] == pytest.approx(spread, abs=6e-7)


@pytest.mark.parametrize(
    ("ratio", "worst"), [(0.2, 0.145068), (0.3, 0.053866), (0.4, 0.013528), (0.5, 0.002289)]
)
def test_bias_of_a_mean_of_rounded_readings(ratio: float, worst: float) -> None:
    """Largest bias of the mean over all places of the centre, in steps, derived elsewhere (R3)."""
    places = np.linspace(0, 0.5, 401)
    mean, _ = moments_of_mean(distribution_of_mean(places, sigma=ratio, resolution=1.0))
    assert np.abs(mean - places).max() == pytest.approx(worst, abs=2e-6)


@pytest.mark.parametrize(
    ("sigma", "rate"), [(0.03, 0.09558), (0.04, 0.00018), (0.05, 0.00270), (0.06, 0.01242)]
)
def test_the_textbook_chart_of_a_coarse_dial(sigma: float, rate: float) -> None:
    """False alarms of mean ± 2.66 mean moving ranges, step 0.1, centre on a mark (R9)."""
    law = distribution_of_mean([0.0], sigma=sigma, resolution=0.1)
    values, p = law.values[0], law.probabilities[0]
    moving_range = (np.abs(values[:, None] - values) * p[:, None] * p).sum()
    half = 2.65868 * moving_range
    assert rate_outside(law, lower=[-half], upper=[half])[0] == pytest.approx(rate, abs=6e-6)


def test_means_of_replicates_equal_simulation() -> None:
    """The law of means of three rounded readings with a common deviation, against 400,000 draws."""
    random = np.random.default_rng(2)
    visit = random.normal(0.02, 0.03, (400_000, 1))
    means = (np.round((visit + random.normal(0, 0.02, (400_000, 3))) / 0.1) * 0.1).mean(axis=1)
    law = distribution_of_mean([0.02], sigma=0.02, between=0.03, resolution=0.1, replicates=3)
    for value, p in zip(law.values[0], law.probabilities[0], strict=True):
        if p > 1e-4:
            seen = (np.abs(means - value) < 1e-9).mean()
            assert seen == pytest.approx(p, abs=4.5 * np.sqrt(p / 400_000))
    assert law.probabilities.sum() == pytest.approx(1)


def test_limits_take_the_nearest_attainable_rate_not_above() -> None:
    """Limits keep below the nominal rate, and no limit can move one step inward and still do so."""
    places = np.linspace(0, 0.1, 21)
    for sigma, replicates in ((0.03, 1), (0.06, 1), (0.05, 3)):
        law = distribution_of_mean(places, sigma=sigma, resolution=0.1, replicates=replicates)
        limits = attainable_limits(law, nominal=0.0027)
        step = 0.1 / replicates
        assert np.all(limits.rate <= 0.0027)
        rate = rate_outside(law, lower=limits.lower, upper=limits.upper)
        assert rate == pytest.approx(limits.rate, abs=1e-12)
        higher = rate_outside(law, lower=limits.lower + step, upper=limits.upper)
        lower = rate_outside(law, lower=limits.lower, upper=limits.upper - step)
        assert np.all(np.minimum(higher, lower) > 0.0027)


def test_fine_steps_have_normal_rates() -> None:
    """With forty steps in a standard deviation the exact rate is that of the normal law."""
    law = distribution_of_mean([0.3], sigma=1.0, resolution=0.03)
    exact = rate_outside(law, lower=[-2.0], upper=[2.5])[0]
    plain = normal_rate_outside(mean=0.3, sigma=1.0, lower=-2.0, upper=2.5)
    assert exact == pytest.approx(float(plain), rel=0.05)


@pytest.mark.parametrize(("size", "sigma"), [(2, 0.3), (3, 0.5), (5, 0.4), (7, 0.8)])
def test_laws_of_spread_and_range_equal_simulation(size: int, sigma: float) -> None:
    """Chance of at least each standard deviation and range, worst place, against 100,000 draws."""
    random = np.random.default_rng(size)
    worst_spread, worst_range = [], []
    places = np.linspace(0, 0.5, 11 if size < 5 else 3)
    values, chance, _ = spread_law(size, (sigma,))
    widths, range_chance, mean_range = range_law(size, (sigma,))
    ranges = []
    for place in places:
        x = np.rint(place + sigma * random.standard_normal((100_000, size)))
        spread, extent = x.std(axis=1, ddof=1), np.ptp(x, axis=1)
        worst_spread.append([(spread >= value - 1e-9).mean() for value in values[:12]])
        worst_range.append([(extent >= width).mean() for width in widths[:5]])
        ranges.append(extent.mean())
    assert chance[0, :12] == pytest.approx(np.max(worst_spread, axis=0), abs=0.007)
    assert range_chance[0, :5] == pytest.approx(np.max(worst_range, axis=0), abs=0.007)
    assert mean_range[0] == pytest.approx(np.mean(ranges), abs=0.01)


def test_unrounded_laws_of_spread_and_range() -> None:
    """Tails of s equal χ²'s and tails of the range scipy's studentized range with σ known."""
    at = np.array([0.5, 1.0, 2.0, 3.5])
    assert normal_spread_tail(4, at) == pytest.approx(stats.chi2.sf(3 * at**2, 3), rel=1e-12)
    known = stats.studentized_range.sf(at, 5, np.inf)
    assert normal_range_tail(5, at) == pytest.approx(known, abs=1e-9)


def test_one_reading_has_no_law_of_spread() -> None:
    """A single reading has no spread."""
    with pytest.raises(ValueError, match="at least 2 readings"):
        spread_law(1, (0.3,))


@pytest.mark.parametrize("centre", [0.0, 0.05, 0.1])
def test_neither_side_is_favoured_where_both_are_equal(centre: float) -> None:
    """On a mark or midway between two a process has as much above as below, and so its limits."""
    law = distribution_of_mean([centre], sigma=0.03, resolution=0.1)
    limits = attainable_limits(law, nominal=0.0027)
    assert limits.upper[0] - centre == pytest.approx(centre - limits.lower[0])
    assert limits.rate[0] <= 0.0027
