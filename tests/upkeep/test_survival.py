"""Time in tolerance, against published examples, R's and SciPy's results and simulated lives."""

import math
from collections.abc import Callable, Sequence
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray
from scipy import stats
from statsmodels.duration.survfunc import SurvfuncRight

from drift.meter.ledger import build_ledger
from drift.upkeep.reliability.censored_intervals import (
    censored_intervals,
    judged_visits,
    periods_of,
)
from drift.upkeep.reliability.survival import fit_survival, resampled_interval, survival_at, time_to
from drift.upkeep.reliability.weibull import fit_weibull, survival, survival_interval, time_interval
from tests.published.reference_tables import column, rows
from tests.sittings import START, sessions, sitting, table

Floats = NDArray[np.float64]


def remission() -> tuple[Floats, Floats]:
    """Return the bounds of the 6-MP remission times."""
    treated = [row for row in rows("h_km_6mp") if row["group_6mp"] == "1"]
    weeks = np.array([float(row["weeks"]) for row in treated])
    relapsed = np.array([row["relapsed"] == "1" for row in treated])
    return weeks, np.where(relapsed, weeks, np.inf)


def cosmesis() -> tuple[Floats, Floats]:
    """Return the bounds of the months to cosmetic deterioration."""
    both = rows("h_turnbull_cosmesis")
    return (
        np.array([float(row["lower_months"]) for row in both]),
        np.array([float(row["upper_months"] or "inf") for row in both]),
    )


def test_exact_and_open_lengths_give_kaplan_and_meier() -> None:
    """6-MP remissions (Freireich and others 1963): survival as published and as R gives it."""
    fit = fit_survival(*remission())
    at = column("h_km_6mp_expected", "time")
    low, high = survival_at(fit, at)
    assert low == pytest.approx(column("h_km_6mp_expected", "S_published"), abs=5.01e-4)
    assert low == pytest.approx(column("h_km_6mp_expected", "S_recomputed"), abs=1e-8)
    assert high == pytest.approx(low, abs=1e-12)
    assert time_to(fit, 0.5) == (23.0, 23.0)


def test_right_censored_estimate_equals_statsmodels() -> None:
    """On random right-censored lengths with ties the estimate is SurvfuncRight's to 1e-9."""
    rng = np.random.default_rng(8)
    times = rng.integers(1, 15, 60).astype(float)
    ended = rng.random(60) < 0.6
    theirs = SurvfuncRight(times, ended.astype(int))
    fit = fit_survival(times, np.where(ended, times, np.inf))
    assert survival_at(fit, theirs.surv_times)[0] == pytest.approx(theirs.surv_prob, abs=1e-9)


def test_interval_censored_example_as_published() -> None:
    """Cosmetic deterioration (Finkelstein and Wolfe 1985): S at 5 to 48 months, log L −58.0600."""
    fit = fit_survival(*cosmesis())
    assert fit.log_likelihood == pytest.approx(-58.0600, abs=5e-5)
    published = [row for row in rows("h_turnbull_cosmesis_expected") if row["S_after_published"]]
    for row in published:
        low, high = survival_at(fit, float(row["interval_right"]))
        assert low == pytest.approx(float(row["S_after_published"]), abs=0.002)
        assert high == pytest.approx(low, abs=1e-12)


def test_interval_censored_masses_equal_another_programs() -> None:
    """Cosmetic deterioration: intervals and masses as self-consistency to 1e-14 in R gives them."""
    fit = fit_survival(*cosmesis())
    assert fit.left == pytest.approx(column("h_turnbull_cosmesis_expected", "interval_left"))
    assert fit.right == pytest.approx(column("h_turnbull_cosmesis_expected", "interval_right"))
    mass = column("h_turnbull_cosmesis_expected", "mass_recomputed")
    assert fit.mass == pytest.approx(mass, abs=1e-6)


def plain_self_consistency(low: Floats, high: Floats, weights: Floats) -> Floats:
    """Return survival after each distinct upper bound by the plain, slow iteration."""
    ends = np.unique(high)
    covers = (low[:, None] < ends) & (ends <= high[:, None])
    mass = np.full(ends.size, 1 / ends.size)
    for _ in range(20000):
        chance = covers @ mass
        mass = mass * (covers.T @ (weights / chance)) / weights.sum()
    return 1 - np.cumsum(mass)


def test_weighted_fit_equals_plain_self_consistency() -> None:
    """The fast climb reaches the likelihood that 20000 plain steps on every end reach."""
    rng = np.random.default_rng(2)
    low = rng.integers(0, 8, 40).astype(float)
    high = np.where(rng.random(40) < 0.3, np.inf, low + rng.integers(1, 5, 40))
    weights = rng.integers(1, 4, 40).astype(float)
    fit = fit_survival(low, high, weights=weights)
    plain = plain_self_consistency(low, high, weights)
    ends = np.unique(high)
    after = dict(zip(ends, plain, strict=True)) | {0.0: 1.0}

    def chance(bound: float) -> float:
        return next(float(after[end]) for end in sorted(after, reverse=True) if end <= bound)

    slow = sum(
        w * math.log(chance(a) - (0.0 if math.isinf(b) else chance(b)))
        for a, b, w in zip(low, high, weights, strict=True)
    )
    assert fit.log_likelihood == pytest.approx(slow, abs=1e-5)
    assert fit.log_likelihood >= slow - 1e-6
    assert fit.gap < 1e-5


def test_inside_a_step_the_estimate_is_a_range() -> None:
    """One length known to lie in (2, 4] leaves survival at 3 anywhere from 0 to 1."""
    fit = fit_survival([2.0], [4.0])
    low, high = survival_at(fit, [2.0, 3.0, 4.0])
    assert low.tolist() == [1.0, 0.0, 0.0]
    assert high.tolist() == [1.0, 1.0, 0.0]
    assert time_to(fit, 0.5) == (2.0, 4.0)


def test_survival_that_never_falls_has_no_time() -> None:
    """Where nothing ended, survival stays 1 as far as it was seen and no time is given."""
    fit = fit_survival([3.0, 5.0], [np.inf, np.inf])
    assert time_to(fit, 0.95) == (np.inf, np.inf)
    assert survival_at(fit, [4.9])[0] == 1.0


def lives(
    rng: np.random.Generator, count: int, *, shape: float, scale: float, visits: int = 12
) -> tuple[Floats, Floats, Floats]:
    """Return true lives and the bounds that checks about every 91 days put on them."""
    true = scale * rng.weibull(shape, count)
    checks = np.cumsum(91 + rng.integers(-14, 15, (count, visits)), axis=1).astype(float)
    seen = (checks < true[:, None]).sum(axis=1)
    row = np.arange(count)
    low = np.where(seen > 0, checks[row, np.maximum(seen - 1, 0)], 0.0)
    high = np.where(seen < visits, checks[row, np.minimum(seen, visits - 1)], np.inf)
    return true, low, high


def test_resampled_intervals_cover() -> None:
    """In 24 simulated fleets the 90 % limits at a year hold the true survival 18 times or more."""
    rng = np.random.default_rng(4)
    truth = math.exp(-((365 / 600) ** 2))
    held = 0
    for _ in range(24):
        _, low, high = lives(rng, 50, shape=2.0, scale=600.0, visits=6)
        bottom, top = resampled_interval(
            low, high, [365.0], cluster=np.arange(50), confidence=0.9, draws=40
        )
        held += bool(bottom[0] <= truth <= top[0])
    # 18 or more of 24 has probability 0.99 at a true 90 % (binomial).
    assert held >= 18


def test_resampling_repeats_itself() -> None:
    """The same question has the same answer, and another start another one."""
    rng = np.random.default_rng(4)
    _, low, high = lives(rng, 40, shape=2.0, scale=500.0, visits=6)
    ask: Callable[[int], Floats] = lambda seed: resampled_interval(  # noqa: E731 - one call, two seeds
        low, high, [365.0], cluster=np.arange(40) // 2, draws=30, seed=seed
    )[0]
    assert ask(1) == ask(1)
    assert ask(1) != ask(2)


def test_weibull_fit_equals_scipys() -> None:
    """Cosmetic deterioration: scipy.stats.weibull_min.fit on CensoredData gives the same law."""
    low, high = cosmesis()
    ended = np.isfinite(high)
    data = stats.CensoredData(
        interval=np.stack([low[ended], high[ended]], axis=1), right=low[~ended]
    )
    shape, _, scale = stats.weibull_min.fit(data, floc=0)
    fit = fit_weibull(low, high)
    assert fit is not None
    assert (fit.shape, fit.scale) == pytest.approx((shape, scale), rel=5e-6)
    inside = stats.weibull_min.sf(low, shape, scale=scale) - np.where(
        ended, stats.weibull_min.sf(np.where(ended, high, 1.0), shape, scale=scale), 0.0
    )
    assert fit.log_likelihood == pytest.approx(np.log(inside).sum(), abs=1e-9)


def test_weibull_fit_is_a_maximum_found_from_any_scale() -> None:
    """Lengths in another unit change the scale by it, and neither shape nor time ratios."""
    rng = np.random.default_rng(6)
    _, low, high = lives(rng, 120, shape=2.5, scale=500.0)
    days, years = fit_weibull(low, high), fit_weibull(low / 365.25, high / 365.25)
    assert days is not None
    assert years is not None
    assert years.shape == pytest.approx(days.shape, rel=1e-7)
    assert years.scale * 365.25 == pytest.approx(days.scale, rel=1e-7)
    limits = time_interval(days, 0.95)
    assert np.array(time_interval(years, 0.95)) * 365.25 == pytest.approx(limits, rel=1e-4)


def test_profile_limits_stand_where_the_likelihood_has_fallen() -> None:
    """At both limits the best law through them lies χ²/2 = 1.9207 below the maximum."""
    low, high = cosmesis()
    fit = fit_weibull(low, high)
    assert fit is not None
    ended = np.isfinite(high)

    def best_through(time: float, chance: float) -> float:
        shapes = np.exp(np.linspace(np.log(0.3), np.log(5), 4001))
        scale = time / (-math.log(chance)) ** (1 / shapes)
        with np.errstate(over="ignore", divide="ignore"):
            begun = np.exp(-((low[:, None] / scale) ** shapes))
            done = np.where(
                ended[:, None],
                np.exp(-((np.where(ended, high, 1.0)[:, None] / scale) ** shapes)),
                0,
            )
            return float(np.log(begun - done).sum(axis=0).max())

    for limit in survival_interval(fit, 24.0):
        assert fit.log_likelihood - best_through(24.0, limit) == pytest.approx(1.92073, abs=1e-3)
    for limit in time_interval(fit, 0.9):
        assert fit.log_likelihood - best_through(limit, 0.9) == pytest.approx(1.92073, abs=1e-3)
    low_s, high_s = survival_interval(fit, 24.0)
    assert low_s < float(survival(fit, 24.0)) < high_s


def covered(fleets: int, *, seed: int) -> tuple[float, float]:
    """Return how often 95 % limits hold the true survival at 182 days and the true time at 0.9."""
    rng = np.random.default_rng(seed)
    shape, scale = 1.8, 700.0
    time = scale * (-math.log(0.9)) ** (1 / shape)
    chance = math.exp(-((182 / scale) ** shape))
    held = np.zeros((fleets, 2))
    for k in range(fleets):
        _, low, high = lives(rng, 60, shape=shape, scale=scale)
        fit = fit_weibull(low, high)
        assert fit is not None
        bounds = survival_interval(fit, 182.0), time_interval(fit, 0.9)
        held[k] = [bounds[0][0] <= chance <= bounds[0][1], bounds[1][0] <= time <= bounds[1][1]]
    share = held.mean(axis=0)
    return float(share[0]), float(share[1])


def test_weibull_intervals_cover() -> None:
    """On 30 simulated groups of 60 spells both 95 % limits hold the truth 26 times or more."""
    # 26 or more of 30 has probability 0.98 at a true 95 % (binomial).
    assert min(covered(30, seed=1)) >= 26 / 30


@pytest.mark.long
def test_weibull_intervals_cover_at_full_size() -> None:
    """On 1000 simulated groups both kinds of 95 % limits cover 93 to 97 %."""
    for share in covered(1000, seed=2):
        assert 0.93 <= share <= 0.97


def test_lengths_of_unlike_meters_widen_the_limits() -> None:
    """Where each meter has its own scale, limits that know the meters are wider, and cover."""
    rng = np.random.default_rng(9)
    meters, each = 40, 8
    scale = 500.0 * np.exp(rng.normal(0, 0.6, meters))
    _, low, high = lives(rng, meters * each, shape=2.0, scale=1.0)
    true = np.repeat(scale, each) * rng.weibull(2.0, meters * each)
    checks = 91.0 * np.arange(1, 13)
    seen = (checks < true[:, None]).sum(axis=1)
    low = 91.0 * seen
    high = np.where(seen < 12, 91.0 * (seen + 1), np.inf)
    apart = fit_weibull(low, high)
    tied = fit_weibull(low, high, cluster=np.repeat(np.arange(meters), each))
    assert apart is not None
    assert tied is not None
    narrow, wide = survival_interval(apart, 182.0), survival_interval(tied, 182.0)
    assert wide[0] < narrow[0] < narrow[1] < wide[1]


def test_too_few_ends_show_no_law() -> None:
    """Two ended spells fit nothing, and neither do lives that all ended before the first check."""
    assert fit_weibull([91.0, 182.0, 91.0], [182.0, 273.0, np.inf]) is None
    assert fit_weibull([0.0] * 6 + [91.0] * 3, [91.0] * 6 + [np.inf] * 3) is None


def test_impossible_lengths_are_refused() -> None:
    """A bound below 0, an upper below its lower, or weights of nothing raise."""
    with pytest.raises(ValueError, match="0 ≤ lower ≤ upper"):
        fit_survival([-1.0], [2.0])
    with pytest.raises(ValueError, match="at least one"):
        fit_survival([], [])
    with pytest.raises(ValueError, match="weights"):
        fit_survival([1.0], [2.0], weights=[0.0])
    with pytest.raises(ValueError, match="0 ≤ lower < upper"):
        fit_weibull([2.0], [2.0])
    with pytest.raises(ValueError, match="target"):
        time_to(fit_survival([1.0], [2.0]), 1.0)


Rows = Sequence[dict[str, object]]


def ledger(sat: Rows, *, service: Rows = ()) -> pl.DataFrame:
    return build_ledger(
        sessions(sat),
        marks=table("marks"),
        service=table("service", service),
        meters=table("meters"),
        resolution_pct=0.1,
    )


def cut(frame: pl.DataFrame) -> list[tuple[object, ...]]:
    found = censored_intervals(frame, tolerance=0.1, comparison="absolute")
    return found.select("starts", "lower_days", "upper_days", "ends").rows()


RESET = {"meter_id": "A", "action": "hand_reset"}


def test_a_spell_ends_between_the_last_check_in_and_the_first_out() -> None:
    """First visit to found out at 182 (last in at 91), then after the reset seen in until 273."""
    rows_ = [
        sitting(0, [0.0]),
        sitting(91, [0.05]),
        sitting(182, [0.15]),
        sitting(182, [0.0], stage="as_left"),
        sitting(273, [0.05]),
    ]
    assert cut(ledger(rows_)) == [
        ("first_visit", 91.0, 182.0, "found_out"),
        ("adjustment", 91.0, None, "still_in"),
    ]


def test_a_spell_found_out_at_its_first_check_has_no_lower_bound() -> None:
    """Out at the first check after it began, it may have failed at once: (0, 91]."""
    assert cut(ledger([sitting(0, [0.0]), sitting(91, [-0.2])])) == [
        ("first_visit", 0.0, 91.0, "found_out")
    ]


def test_an_adjustment_in_tolerance_cuts_a_spell_short() -> None:
    """Reset although it passed: longer than 91 days, and a new spell begins."""
    rows_ = [
        sitting(0, [0.0]),
        sitting(91, [0.08]),
        sitting(91, [0.0], stage="as_left"),
        sitting(182, [0.02]),
    ]
    reset = [{**RESET, "performed_on": START + timedelta(days=91)}]
    assert cut(ledger(rows_, service=reset)) == [
        ("first_visit", 91.0, None, "adjusted"),
        ("adjustment", 91.0, None, "still_in"),
    ]


def test_a_change_between_visits_cuts_a_spell_and_begins_none() -> None:
    """Work on day 120 leaves the first spell at its last check; what it left was never read."""
    rows_ = [sitting(0, [0.0]), sitting(91, [0.05]), sitting(182, [0.15]), sitting(273, [0.2])]
    reset = [{**RESET, "performed_on": START + timedelta(days=120)}]
    frame = ledger(rows_, service=reset)
    assert cut(frame) == [("first_visit", 91.0, None, "adjusted")]
    visits = judged_visits(frame, tolerance=0.1, comparison="absolute", by="meter")
    checked = periods_of(visits)
    assert checked["days"].to_list() == [91.0]


def test_one_point_out_puts_the_meter_out_but_not_its_other_points() -> None:
    """By meter the spell ends at 91 days; by series only that of the point found out does."""
    rows_ = [
        sitting(0, [0.0]),
        sitting(0, [0.0], point=10.0),
        sitting(91, [0.05]),
        sitting(91, [0.2], point=10.0),
    ]
    frame = ledger(rows_)
    assert cut(frame) == [("first_visit", 0.0, 91.0, "found_out")]
    each = censored_intervals(frame, tolerance=0.1, comparison="absolute", by="series")
    assert each.select("unit", "lower_days", "upper_days").rows() == [
        ("0", 91.0, None),
        ("1", 0.0, 91.0),
    ]


def test_a_meter_left_out_begins_neither_spell_nor_period() -> None:
    """Found and left at 0.2, it starts nothing until it has been put right at 91 days."""
    rows_ = [
        sitting(0, [0.2]),
        sitting(91, [0.2]),
        sitting(91, [0.0], stage="as_left"),
        sitting(182, [0.12]),
        sitting(273, [0.05]),
    ]
    frame = ledger(rows_)
    assert cut(frame) == [("adjustment", 0.0, 91.0, "found_out")]
    visits = judged_visits(frame, tolerance=0.1, comparison="absolute", by="meter")
    checked = periods_of(visits)
    assert checked.select("days", "passed").rows() == [(91.0, False)]


def test_tolerance_is_compared_in_decimal() -> None:
    """A bias of 3.1 − 3.0 is in, as the decimals say and binary numbers do not."""
    frame = ledger([sitting(0, [0.0]), sitting(91, [3.1 - 3.0])])
    assert cut(frame) == [("first_visit", 91.0, None, "still_in")]


@pytest.mark.parametrize("late", [2, 3, 5])
def test_a_flat_likelihood_shows_no_law(late: int) -> None:
    """Some end at once and others hardly ever: 95 % would last days, or longer than the world."""
    low = np.r_[np.zeros(4), np.full(late, 900.0), np.full(late, 1800.0)]
    high = np.r_[np.full(4, 91.0), np.full(late, 1000.0), np.full(late, np.inf)]
    assert fit_weibull(low, high) is None


def test_lengths_that_show_a_law_keep_it() -> None:
    """30 lengths of a law that ages are fitted, those of a constant hazard in most samples too."""
    rng = np.random.default_rng(2)
    fitted = []
    for shape in (2.0,) * 10 + (1.0,) * 10:
        age = np.ceil(400 * rng.weibull(shape, 30) / 91) * 91
        fitted.append(fit_weibull(age - 91, age) is not None)
    assert all(fitted[:10])
    assert sum(fitted[10:]) >= 9
