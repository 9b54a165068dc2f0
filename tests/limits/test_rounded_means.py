"""The exact law of means of rounded readings, by which limits of simulated fleets are judged."""

import numpy as np
import pytest

from tests.limits.rounded_means import (
    attainable_limits,
    distribution_of_mean,
    moments_of_mean,
    normal_rate_outside,
    rate_outside,
)


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
    """Exact mean and spread of readings in steps of 0.1, derived apart from the code tested."""
    found = moments_of_mean(distribution_of_mean([centre], sigma=sigma, resolution=0.1))
    assert found[0][0] == pytest.approx(mean, abs=6e-7)
    assert found[1][0] == pytest.approx(spread, abs=6e-7)


@pytest.mark.parametrize(
    ("ratio", "worst"), [(0.2, 0.145068), (0.3, 0.053866), (0.4, 0.013528), (0.5, 0.002289)]
)
def test_bias_of_a_mean_of_rounded_readings(ratio: float, worst: float) -> None:
    """Largest bias of the mean over all places of the centre, in steps, derived apart."""
    places = np.linspace(0, 0.5, 401)
    mean, _ = moments_of_mean(distribution_of_mean(places, sigma=ratio, resolution=1.0))
    assert np.abs(mean - places).max() == pytest.approx(worst, abs=2e-6)


@pytest.mark.parametrize(
    ("sigma", "rate"), [(0.03, 0.09558), (0.04, 0.00018), (0.05, 0.00270), (0.06, 0.01242)]
)
def test_the_textbook_chart_of_a_coarse_dial(sigma: float, rate: float) -> None:
    """False alarms of mean ± 2.66 mean moving ranges, step 0.1, centre on a mark."""
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


@pytest.mark.parametrize("centre", [0.0, 0.05, 0.1])
def test_neither_side_is_favoured_where_both_are_equal(centre: float) -> None:
    """On a mark or midway between two a process has as much above as below, and so its limits."""
    law = distribution_of_mean([centre], sigma=0.03, resolution=0.1)
    limits = attainable_limits(law, nominal=0.0027)
    assert limits.upper[0] - centre == pytest.approx(centre - limits.lower[0])
    assert limits.rate[0] <= 0.0027
