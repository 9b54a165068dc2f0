"""What shares of checks passed prove, against tables, exact arithmetic and scipy."""

import numpy as np
import polars as pl
import pytest
from scipy import stats

from drift.upkeep.reliability.censored_intervals import PERIODS
from drift.upkeep.reliability.reliability import (
    RELIABILITY,
    alike_p,
    binomial_interval,
    end_of_period_reliability,
    exponential_interval,
    passes_needed,
    proven_reliability,
    settled_reliability,
    weibull_interval,
)


def test_passes_without_a_failure_prove_little() -> None:
    """8, 20 and 59 passes prove 0.687656, 0.860892 and 0.950492: 0.05^(1/n), worked out by hand."""
    proven = proven_reliability([8, 20, 59], [8, 20, 59])
    assert proven == pytest.approx([0.687656, 0.860892, 0.950492], abs=5e-7)
    assert proven == pytest.approx(0.05 ** (1 / np.array([8, 20, 59])), abs=1e-12)


def test_passes_needed_to_prove_a_target() -> None:
    """59 passes prove 0.95 and 29 prove 0.90 at 95 % confidence, the usual success-run numbers."""
    assert passes_needed(0.95) == 59
    assert passes_needed(0.90) == 29
    assert passes_needed(0.5, confidence=0.75) == 2  # exactly 2, which a float just misses


def test_exact_interval_of_18_passes_in_20() -> None:
    """18 of 20: 0.683017 to 0.987651, exact binomial limits recomputed with SciPy's beta."""
    limits = np.array(binomial_interval(18, 20))
    assert limits == pytest.approx([0.683017, 0.987651], abs=5e-7)


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_exact_intervals_equal_scipys(confidence: float) -> None:
    """Every count of up to 12 checks gives the limits of ``scipy.stats.binomtest``."""
    for checks in range(1, 13):
        passes = np.arange(checks + 1)
        low, high = binomial_interval(passes, checks, confidence=confidence)
        proven = proven_reliability(passes, checks, confidence=confidence)
        for k in passes:
            both = stats.binomtest(int(k), checks).proportion_ci(confidence)
            one = stats.binomtest(int(k), checks, alternative="greater").proportion_ci(confidence)
            assert (low[k], high[k]) == pytest.approx((both.low, both.high), abs=1e-9)
            assert proven[k] == pytest.approx(one.low, abs=1e-9)


def test_exact_intervals_cover_at_least_as_stated() -> None:
    """Summed over all outcomes of 20 checks, 95 % limits hold any true share 95 % of the time."""
    passes = np.arange(21)
    low, high = binomial_interval(passes, 20)
    for true in np.linspace(0.02, 0.98, 49):
        chance = stats.binom.pmf(passes, 20, true)
        assert chance[(low <= true) & (true <= high)].sum() >= 0.95 - 1e-12


def test_exponential_intervals() -> None:
    """365 d from 75 % to 95 % is 65.079 d; 3 months from 80 % to 90 % are 1.41649, by hand."""
    assert exponential_interval(365, observed=0.75, target=0.95) == pytest.approx(65.079, abs=5e-4)
    assert exponential_interval(3, observed=0.80, target=0.90) == pytest.approx(1.41649, abs=5e-6)


def test_weibull_interval_of_known_shape() -> None:
    """Shape 2, 12 months from 80 % to 90 % are 8.24571 months, worked out by hand."""
    assert weibull_interval(12, observed=0.8, target=0.9, shape=2) == pytest.approx(
        8.24571, abs=5e-6
    )


def test_intervals_at_the_ends() -> None:
    """Where all passed the interval has no end; where none did, no time is short enough."""
    assert np.isinf(exponential_interval(91, observed=1.0, target=0.95))
    assert exponential_interval(91, observed=0.0, target=0.95) == 0.0


def test_reduction_factor_of_the_simple_response() -> None:
    """An extension of 0.1 asks for b 0.575902 at 90 % and 0.836492 at 95 %, by hand."""
    for target, reduction in ((0.90, 0.575902), (0.95, 0.836492)):
        settled = settled_reliability(extension=0.1, reduction=reduction)
        assert settled == pytest.approx(target, abs=5e-7)


@pytest.mark.parametrize("target", [0.8, 0.9, 0.97])
def test_simple_response_settles_at_its_target(target: float) -> None:
    """Played on exponential lives, the rule passes the share of checks that its factors aim at."""
    extension = 0.05
    reduction = 1 - (1 + extension) ** (-target / (1 - target))
    assert settled_reliability(extension=extension, reduction=reduction) == pytest.approx(target)
    rng = np.random.default_rng(5)
    log_interval, passed = np.zeros(200), np.zeros(200)
    rounds = 3000
    for turn in range(rounds):
        passes = rng.exponential(10.0, 200) > np.exp(log_interval)
        log_interval += np.where(passes, np.log1p(extension), np.log1p(-reduction))
        passed += passes if turn >= rounds // 2 else 0
    assert passed.mean() / (rounds // 2) == pytest.approx(target, abs=0.003)


def checked(rows: list[tuple[str, float, bool]]) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {"unit": meter, "meter_id": meter, "end_t_years": 1.0, "days": days, "passed": passed}
            for meter, days, passed in rows
        ],
        schema=PERIODS,
    )


def test_reliability_is_given_for_fleet_like_meters_and_each_meter() -> None:
    """Counts add up over meters; a meter without a group is in the fleet and on its own only."""
    periods = checked(
        [("A", 90.0, True), ("A", 92.0, False), ("B", 100.0, True), ("C", 50.0, True)]
    )
    groups = pl.DataFrame({"meter_id": ["A", "B"], "name": ["fine", "fine"]})
    table = end_of_period_reliability(periods, groups)
    assert table.schema == pl.Schema(RELIABILITY)
    assert table.select("scope", "name", "meters", "checks", "passes", "days").rows() == [
        ("fleet", "fleet", 3, 4, 3, 91.0),
        ("like", "fine", 2, 3, 2, 92.0),
        ("meter", "A", 1, 2, 1, 91.0),
        ("meter", "B", 1, 1, 1, 100.0),
        ("meter", "C", 1, 1, 1, 50.0),
    ]
    whole = stats.binomtest(3, 4).proportion_ci(0.95)
    assert table.row(0)[6:8] == pytest.approx((whole.low, whole.high), abs=1e-9)
    assert table["alike_p"][2] is None


def test_no_period_gives_no_row() -> None:
    """A fleet seen once has no end of a period, so nothing is claimed of it."""
    groups = pl.DataFrame(schema={"meter_id": pl.String, "name": pl.String})
    assert end_of_period_reliability(checked([]), groups).is_empty()


def test_unlike_meters_are_told_from_alike_ones() -> None:
    """Under one true share p is below 0.05 5 % of the time; two kinds of meters are seen."""
    rng = np.random.default_rng(3)
    checks = np.full(12, 20)
    alike = [alike_p(rng.binomial(20, 0.9, 12), checks) for _ in range(120)]
    assert np.mean([p is not None and p < 0.05 for p in alike]) <= 0.05 + 2 * np.sqrt(
        0.05 * 0.95 / 120
    )
    mixed = alike_p(rng.binomial(20, np.repeat([0.99, 0.6], 6)), checks)
    assert mixed is not None
    assert mixed < 0.01


def test_evenness_cannot_be_tested_without_a_failure_or_a_second_meter() -> None:
    """Where nothing can differ there is no p value."""
    assert alike_p(np.array([20, 20]), np.array([20, 20])) is None
    assert alike_p(np.array([0, 0]), np.array([20, 20])) is None
    assert alike_p(np.array([15]), np.array([20])) is None


def test_impossible_arguments_are_refused() -> None:
    """Counts, shares and factors out of range raise instead of giving a number."""
    with pytest.raises(ValueError, match="passes must lie"):
        binomial_interval(3, 2)
    with pytest.raises(ValueError, match="confidence"):
        proven_reliability(2, 2, confidence=1.0)
    with pytest.raises(ValueError, match="target"):
        passes_needed(1.0)
    with pytest.raises(ValueError, match="interval"):
        exponential_interval(0.0, observed=0.9, target=0.95)
    with pytest.raises(ValueError, match="observed"):
        exponential_interval(91, observed=1.2, target=0.95)
    with pytest.raises(ValueError, match="shape"):
        weibull_interval(91, observed=0.9, target=0.95, shape=0.0)
    with pytest.raises(ValueError, match="reduction"):
        settled_reliability(extension=0.1, reduction=1.0)
