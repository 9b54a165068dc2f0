"""Wander and noise: the covariance of drift steps and fits under it, against dense algebra."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize, stats
from statsmodels.regression.linear_model import GLS

from drift.trend import jump_scan, local_level, t_mixtures
from drift.trend.rank_tests import inflation, kendall_score, wander_p

Floats = NDArray[np.float64]


def _covariance(times: Floats, shares: NDArray[np.bool_], ratio: float) -> Floats:
    """Return the covariance of steps, built from readings and wander one by one.

    Every reading has variance ½, so a step's noise has variance 1; wander has the variance `ratio`
    in a mean interval.  A step is its ending reading less its starting one, which is the ending
    one of the step before where that is shared.
    """
    years = np.diff(times)
    count = years.size
    readings = np.zeros((count, 2 * count))
    for k in range(count):
        readings[k, k] = 1.0
        readings[k, k - 1 if shares[k] else count + k] = -1.0
    noise = readings @ readings.T / 2
    return (noise + np.diag(ratio * years / years.mean())) / (1 + ratio)


def _case(seed: int, count: int = 9) -> tuple[Floats, NDArray[np.bool_], Floats]:
    """Return times, sharing and steps of one series with a few readings made anew."""
    rng = np.random.default_rng(seed)
    shares = rng.random(count) < 0.7
    shares[0] = False
    times = 20 + np.cumsum(rng.uniform(0.1, 0.5, count + 1))
    return times, shares, rng.normal(0.01, 0.05, count)


@pytest.mark.parametrize("seed", range(3))
def test_fits_equal_statsmodels_gls_at_every_ratio(seed: int) -> None:
    """Slope, its variance, squares and restricted likelihood equal GLS with the full covariance."""
    times, shares, steps = _case(seed)
    years = np.diff(times)
    fits = local_level.fit_slopes(years[None, :], steps[None, :], shares[None, :])
    likelihoods = []
    for index, ratio in enumerate(local_level.RATIOS):
        dense = _covariance(times, shares, ratio)
        fit = GLS(steps, years[:, None], sigma=dense).fit()
        assert fits["slope"][0, index] == pytest.approx(fit.params[0], rel=1e-9)
        assert fits["squares"][0, index] == pytest.approx(fit.ssr, rel=1e-9)
        unit = fits["unit_variance"][0, index]
        assert unit * fit.scale == pytest.approx(fit.cov_params()[0, 0], rel=1e-9)
        freedom = steps.size - 1
        terms = np.linalg.slogdet(dense)[1] - np.log(unit) + freedom * np.log(fit.ssr)
        likelihoods.append(-terms / 2)
    assert fits["log_likelihood"][0] == pytest.approx(likelihoods, rel=1e-9)


def test_without_wander_it_is_least_squares_and_with_nothing_else_the_ends() -> None:
    """On a carried-over path ratio 0 gives the line through all visits, a huge one the ends'."""
    times, _, steps = _case(7)
    path = np.concatenate([[0.0], np.cumsum(steps)])
    shares = np.arange(steps.size) > 0
    fits = local_level.fit_slopes(np.diff(times)[None, :], steps[None, :], shares[None, :])
    line = stats.linregress(times, path)
    assert fits["slope"][0, 0] == pytest.approx(line.slope, rel=1e-9)
    ends = (path[-1] - path[0]) / (times[-1] - times[0])
    assert fits["slope"][0, -1] == pytest.approx(ends, rel=0.02)
    residual = path - line.intercept - line.slope * times
    assert fits["squares"][0, 0] / 2 == pytest.approx((residual**2).sum(), rel=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_jumps_equal_statsmodels_gls_with_dummies(seed: int) -> None:
    """Each candidate's size, variance and squares equal GLS with a column for it, others known."""
    times, shares, steps = _case(seed, count=11)
    years = np.diff(times)
    known = np.array([[3]])
    scan = jump_scan.scan_jumps(
        years[None, :],
        steps[None, :],
        shares[None, :],
        local_level.default_weights(),
        floor=np.zeros(1),
        known=known,
    )
    assert np.isneginf(scan.score[3, 0])  # a jump there is in the model already
    for index in (0, 8, 15):
        dense = _covariance(times, shares, local_level.RATIOS[index])
        for jump in (0, 2, 7, 10):
            design = np.stack([years, np.eye(11)[3], np.eye(11)[jump]], axis=1)
            fit = GLS(steps, design, sigma=dense).fit()
            assert scan.size[jump, 0, index] == pytest.approx(fit.params[2], rel=1e-8)
            assert scan.squares[jump, 0, index] == pytest.approx(fit.ssr, rel=1e-8)
            variance = scan.unit_variance[jump, 0, index] * fit.scale
            assert variance == pytest.approx(fit.cov_params()[2, 2], rel=1e-8)


def test_weights_are_learnt_where_there_is_a_fleet() -> None:
    """A wandering fleet puts its weight on large ratios, a quiet one on small, none on default."""
    rng = np.random.default_rng(5)
    shares = np.tile(np.arange(23) > 0, (300, 1))
    years = np.full((300, 23), 0.25)
    means = []
    for wander in (0.0, 0.06):
        noise = np.diff(rng.normal(0, 0.03, (300, 24)), axis=1)
        steps = noise + rng.normal(0, 1, (300, 23)) * wander * 0.5
        fits = local_level.fit_slopes(years, steps, shares)
        weights = local_level.learn_weights(fits["log_likelihood"])
        assert weights.sum() == pytest.approx(1)
        means.append((weights * np.log(local_level.RATIOS + 1e-4)).sum())
        others = local_level.learn_weights_from_others(fits["log_likelihood"])
        assert others.sum(axis=1) == pytest.approx(np.ones(300))
    # True ratios: 0 and 0.06² × 0.25/(2 × 0.03²) = 0.5.
    assert means[0] < np.log(0.01)
    assert means[1] == pytest.approx(np.log(0.5), abs=0.5)
    nothing = np.empty((0, local_level.RATIOS.size))
    assert local_level.learn_weights(nothing).tolist() == local_level.default_weights().tolist()
    alone = local_level.learn_weights_from_others(fits["log_likelihood"][:1])
    assert alone[0] == pytest.approx(local_level.default_weights())


def test_mixture_probabilities_and_quantiles() -> None:
    """Against a sum of scipy t distributions and a bracketing root finder."""
    rng = np.random.default_rng(1)
    weight = rng.dirichlet(np.full(6, 0.4), 8)
    mixed = t_mixtures.Mixtures(weight, rng.normal(size=(8, 6)), rng.uniform(0.05, 4, (8, 6)), 3.0)
    at = {p: t_mixtures.mixture_quantile(mixed, p) for p in (0.001, 0.025, 0.5, 0.975)}
    for row in range(8):

        def excess(x: float, p: float, row: int = row) -> float:
            parts = stats.t.cdf(x, 3, loc=mixed.centre[row], scale=mixed.scale[row])
            return float((weight[row] * parts).sum()) - p

        for p, quantiles in at.items():
            root = optimize.brentq(excess, -500, 500, args=(p,), xtol=1e-13)
            assert quantiles[row] == pytest.approx(root, abs=1e-7)
        bound = np.full(8, 0.3)
        assert t_mixtures.below(mixed, bound)[row] == pytest.approx(excess(0.3, 0.0), abs=1e-12)
        assert t_mixtures.above(mixed, bound)[row] == pytest.approx(-excess(0.3, 1.0), abs=1e-12)


@pytest.mark.parametrize(("visits", "ratio"), [(10, 0.0), (12, 0.3), (24, 0.02), (40, 3.0)])
def test_variance_of_s_under_wander(visits: int, ratio: float) -> None:
    """The arcsine formula against 6,000 simulated paths; exactly 1 where nothing wanders."""
    rng = np.random.default_rng(visits)
    paths = rng.normal(0, np.sqrt(0.5), (6000, visits))
    paths += np.sqrt(ratio) * rng.normal(size=(6000, visits)).cumsum(axis=1)
    times = np.tile(np.arange(float(visits)), (6000, 1))
    s, variance, _ = kendall_score(times, paths)
    ours = float(inflation(visits, np.array([ratio]))[0])
    assert s.var() / variance[0] == pytest.approx(ours, rel=0.06)
    if ratio == 0:
        assert ours == pytest.approx(1, abs=1e-12)
    p = wander_p(
        s,
        variance,
        ratios=np.full((6000, 1), ratio),
        weights=np.ones((6000, 1)),
        visits=visits,
    )
    for nominal in (0.05, 0.01):
        assert (p <= nominal).mean() <= nominal + 3 * np.sqrt(nominal / 6000)


def test_inflation_between_computed_lengths_and_beyond() -> None:
    """Interpolated lengths lie between their neighbours; 129 visits are beyond what is computed."""
    ratios = np.array([0.0, 0.001, 0.1, 10.0])
    fifty, below, above = (inflation(n, ratios) for n in (50, 45, 54))
    assert ((below <= fifty + 1e-12) & (fifty <= above + 1e-12)).all()
    assert np.isnan(inflation(129, ratios)).all()
