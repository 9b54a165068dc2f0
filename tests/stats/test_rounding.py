"""Rounded readings: estimates equal a library optimiser's, exact laws equal simulation."""

import numpy as np
import pytest
from scipy import integrate, stats
from scipy.optimize import minimize, minimize_scalar

from drift.stats.rounded_rates import (
    attainable_limits,
    distribution_of_mean,
    moments_of_mean,
    normal_rate_outside,
    rate_outside,
)
from drift.stats.rounded_spread import (
    normal_range_tail,
    normal_spread_tail,
    range_law,
    spread_law,
)
from drift.stats.rounding import (
    fit_rounded,
    fit_rounded_mean,
    identifiable,
    log_cell_probability,
    rounded_log_likelihood,
    sheppard_sigma,
)
from tests.stats.reference_tables import column, expected

# Twelve readings in steps of 0.1 of which three cells occur, and eight of which two do.
THREE_CELLS = [0, 0, 0.1, 0, 0.1, 0.1, 0, 0.1, 0.1, 0.1, 0.2, 0.1]
TWO_CELLS = [0, 0, 0, 0.1, 0.1, 0, 0.1, 0]


def test_three_occupied_cells() -> None:
    """Estimates, standard error and likelihood derived elsewhere with two optimisers (R4)."""
    fit = fit_rounded([THREE_CELLS], resolution=0.1)
    assert fit.mean[0] == pytest.approx(0.0750137, abs=5e-8)
    assert fit.sigma[0] == pytest.approx(0.0516813, abs=5e-8)
    assert fit.mean_se[0] == pytest.approx(0.01707, abs=5e-6)
    assert fit.log_likelihood[0] == pytest.approx(-10.780511, abs=5e-7)
    assert fit.identifiable[0]
    assert fit.cells[0] == 3
    x = np.array(THREE_CELLS)
    assert x.std(ddof=1) == pytest.approx(0.0621582, abs=5e-8)
    assert sheppard_sigma(x.std(), resolution=0.1) == pytest.approx(0.0520416, abs=5e-8)


def test_two_occupied_cells_leave_the_spread_open() -> None:
    """With two cells the likelihood rises to 8[.375 ln .375 + .625 ln .625] as σ goes to 0 (R5)."""
    fit = fit_rounded([TWO_CELLS], resolution=0.1)
    assert not fit.identifiable[0]
    assert np.isnan(fit.sigma[0])
    assert fit.log_likelihood[0] == pytest.approx(-5.292506, abs=5e-7)
    mean, _ = fit_rounded_mean([TWO_CELLS], resolution=0.1, sigma=0.05)
    at = rounded_log_likelihood([TWO_CELLS], resolution=0.1, mean=mean, sigma=[0.05])
    assert at[0] == pytest.approx(-5.742985, abs=5e-7)
    assert at[0] < fit.log_likelihood[0]


@pytest.mark.parametrize(
    ("readings", "resolution", "known"),
    [
        ([0.1], 0.1, False),
        ([0.1, 0.1, 0.1], 0.1, False),
        ([0.0, 0.1, 0.1], 0.1, False),
        ([0.0, 0.1, 0.2], 0.1, True),
        ([0.0, 0.2, 0.2], 0.1, True),
        ([0.0, 0.05, 0.1], 0.05, True),
        ([0.0, 0.05, 0.1], [0.1, 0.05, 0.1], False),
        ([3.7, 3.9, 4.0], 0.1, True),
    ],
)
def test_what_determines_a_spread(
    readings: list[float], resolution: float | list[float], known: bool
) -> None:
    """A spread is determined by two cells that neither touch nor overlap, whatever their steps."""
    x = np.array([readings])
    step = np.broadcast_to(np.asarray(resolution, float), x.shape)
    found = identifiable(x, resolution=step, weights=np.ones_like(x))
    assert found.tolist() == [known]
    assert fit_rounded(x, resolution=step).identifiable.tolist() == [known]


def test_grouped_heights() -> None:
    """Heights of 8585 men (Kendall and Stuart, table 1.7, from memory), fit recomputed before."""
    names = ("interval_centre_in", "frequency")
    centres, counts = (column("l_sheppard_heights", name)[None] for name in names)
    known = expected("l_sheppard_heights_expected")
    fit = fit_rounded(centres, resolution=1.0, weights=counts)
    assert fit.mean[0] == pytest.approx(known["grouped_normal_mle_mean"], abs=1e-6)
    assert fit.sigma[0] ** 2 == pytest.approx(known["grouped_normal_mle_variance"], abs=1e-6)
    crude = np.sqrt(known["variance_crude_div_n"])
    corrected = sheppard_sigma(crude, resolution=1.0)
    assert corrected**2 == pytest.approx(known["variance_sheppard"], abs=1e-6)


@pytest.mark.parametrize("step", [0.1, 0.05, 0.001])
def test_fits_equal_a_general_optimiser(step: float) -> None:
    """A fleet's fits equal scipy.optimize.minimize sample by sample to 1e-6."""
    random = np.random.default_rng(5)
    readings = np.round(random.normal(0.013, 0.05, (40, 9)) / step) * step
    fleet = fit_rounded(readings, resolution=step)
    fixed, _ = fit_rounded_mean(readings, resolution=step, sigma=0.04)
    for sample, x in enumerate(readings):

        def unlikelihood(
            p: tuple[float, float], x: np.ndarray[tuple[int], np.dtype[np.float64]] = x
        ) -> float:
            s = float(np.exp(p[1]))
            cells = log_cell_probability((x - step / 2 - p[0]) / s, (x + step / 2 - p[0]) / s)
            return -float(cells.sum())

        alone = minimize_scalar(lambda m: unlikelihood((m, np.log(0.04))), tol=1e-12)
        if fleet.identifiable[sample]:
            both = minimize(
                unlikelihood,
                (x.mean(), np.log(x.std() + step / 4)),
                method="Nelder-Mead",
                options={"xatol": 1e-10, "fatol": 1e-13, "maxiter": 4000},
            )
            assert fleet.mean[sample] == pytest.approx(both.x[0], abs=1e-6)
            assert fleet.sigma[sample] == pytest.approx(np.exp(both.x[1]), abs=1e-6)
            assert fleet.log_likelihood[sample] >= -both.fun - 1e-9
        if np.ptp(x) > 0:
            assert fixed[sample] == pytest.approx(alone.x, abs=1e-6)


def test_every_reading_may_have_its_own_step() -> None:
    """Mixed steps and padding: equal to a general optimiser, and to the sample without padding."""
    readings = np.array([[0.1, 0.05, -0.1, 0.15, 0.0, 0.2, 9.9]])
    steps = np.array([[0.1, 0.05, 0.1, 0.05, 0.1, 0.1, 0.1]])
    weights = np.array([[1.0, 1, 1, 1, 1, 1, 0]])
    padded = fit_rounded(readings, resolution=steps, weights=weights)
    plain = fit_rounded(readings[:, :6], resolution=steps[:, :6])

    def unlikelihood(p: tuple[float, float]) -> float:
        at = rounded_log_likelihood(
            readings[:, :6], resolution=steps[:, :6], mean=[p[0]], sigma=[float(np.exp(p[1]))]
        )
        return -float(at[0])

    found = minimize(unlikelihood, (0.05, -2.5), method="Nelder-Mead", tol=1e-12)
    assert plain.mean[0] == pytest.approx(found.x[0], abs=1e-6)
    assert plain.sigma[0] == pytest.approx(np.exp(found.x[1]), abs=1e-6)
    assert padded.mean == pytest.approx(plain.mean, abs=1e-12)
    assert padded.sigma == pytest.approx(plain.sigma, abs=1e-12)


def test_estimates_are_right_on_average() -> None:
    """Spread of 20 readings in steps of two σ, centres anywhere: within 6 %; the naive is not."""
    random = np.random.default_rng(8)
    centre = random.uniform(-0.05, 0.05, (3000, 1))
    readings = np.round(random.normal(centre, 0.05, (3000, 20)) / 0.1) * 0.1
    fit = fit_rounded(readings, resolution=0.1)
    known = fit.identifiable
    assert known.mean() > 0.7
    root = np.sqrt(np.mean(fit.sigma[known] ** 2))
    assert root == pytest.approx(0.05, rel=0.06)
    assert np.sqrt(readings[known].var(axis=1, ddof=1).mean()) > 0.057


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


def test_impossible_readings_are_refused() -> None:
    """A step of 0 or below, a reading that is no number, an empty sample and no spread at all."""
    with pytest.raises(ValueError, match="must be above 0"):
        fit_rounded([[0.0, 0.1]], resolution=0.0)
    with pytest.raises(ValueError, match="must be above 0"):
        fit_rounded([[0.0, 0.1]], resolution=-0.1)
    with pytest.raises(ValueError, match="finite number"):
        fit_rounded([[0.0, np.nan]], resolution=0.1)
    with pytest.raises(ValueError, match="no reading"):
        fit_rounded([[0.0, 0.1]], resolution=0.1, weights=[[0.0, 0.0]])
    with pytest.raises(ValueError, match="above 0"):
        fit_rounded_mean([[0.0, 0.1]], resolution=0.1, sigma=0.0)
    with pytest.raises(ValueError, match="not both 0"):
        distribution_of_mean([0.0], sigma=0.0, resolution=0.1)
    with pytest.raises(ValueError, match="above 0"):
        distribution_of_mean([0.0], sigma=0.1, resolution=0.0)
    with pytest.raises(ValueError, match="at least one reading"):
        distribution_of_mean([0.0], sigma=0.1, resolution=0.1, replicates=0)
    with pytest.raises(ValueError, match="no more than noise"):
        distribution_of_mean([0.0], sigma=1.0, resolution=0.001)
    with pytest.raises(ValueError, match="at least 2 readings"):
        spread_law(1, (0.3,))


@pytest.mark.parametrize("centre", [0.0, 0.05, 0.1])
def test_neither_side_is_favoured_where_both_are_equal(centre: float) -> None:
    """On a mark or midway between two a process has as much above as below, and so its limits."""
    law = distribution_of_mean([centre], sigma=0.03, resolution=0.1)
    limits = attainable_limits(law, nominal=0.0027)
    assert limits.upper[0] - centre == pytest.approx(centre - limits.lower[0])
    assert limits.rate[0] <= 0.0027
