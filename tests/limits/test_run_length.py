"""Run lengths against published tables, other methods, and the rules on random series."""

import itertools
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from drift.limits.charts.shape import CHARTED
from drift.limits.rule_zones import ZONES
from drift.limits.rules import RULES, apply_rules
from drift.limits.runs.rule_run_length import rule_run_lengths, zone_chances
from drift.limits.runs.run_length import (
    RunLengths,
    chance_at,
    chance_by,
    constant_means,
    cusum_run_lengths,
    drifting_means,
    ewma_run_lengths,
    follow,
    mean_visits,
    quantile_visits,
)

Floats = NDArray[np.float64]

REFERENCE = Path(__file__).resolve().parents[1] / "published"
NAMES = tuple(rule.name for rule in RULES)
BEYOND = ("beyond_limits",)
PUBLISHED_NAMES = {
    "1": "beyond_limits",
    "2": "two_of_three_outer",
    "3": "four_of_five_middle",
    "4": "long_run_one_side",
}
ALL_FOUR = tuple(PUBLISHED_NAMES.values())


def by_rules(means: Floats, rules: tuple[str, ...] = BEYOND) -> RunLengths:
    return rule_run_lengths(means, rules=rules, limit_sigmas=3.0)


def shifts(frame: pl.DataFrame) -> Floats:
    return constant_means(tuple(frame["shift_sigma"].cast(pl.Float64)))


# Published values


def test_shewhart_run_lengths() -> None:
    """e-Handbook 6.3.2.3.1, Shewhart column: mean run lengths 1/p, to nine digits."""
    table = pl.read_csv(REFERENCE / "d_arl_shewhart_3sigma.csv")
    mean = mean_visits(by_rules(shifts(table)))
    np.testing.assert_allclose(mean, table["arl_exact"], atol=5e-7)
    # Printed to two decimals; the first two rows are not correctly rounded in print.
    np.testing.assert_allclose(
        mean[2:], table["arl_published_ehandbook_6_3_2_3_1"][2:], rtol=2.5e-3
    )


@pytest.mark.parametrize("rule_set", ["C1", "C12", "C13", "C14", "C1234"])
def test_run_lengths_of_rule_sets(rule_set: str) -> None:
    """Champ and Woodall (1987), Table 1, printed to 0.01 (digits from memory)."""
    table = pl.read_csv(REFERENCE / "d_arl_runrules.csv").filter(rule_set=rule_set)
    rules = tuple(PUBLISHED_NAMES[digit] for digit in rule_set[1:])
    mean = mean_visits(by_rules(shifts(table), rules))
    np.testing.assert_allclose(mean, table["arl_published"], atol=0.0052)
    np.testing.assert_allclose(mean, table["arl_recomputed"], atol=1e-6)


def test_cusum_run_lengths() -> None:
    """Lucas and Crosier (1982), two-sided CUSUM with k 0.5 and h 4 (digits from memory)."""
    table = pl.read_csv(REFERENCE / "d_arl_cusum_k05_h4.csv")
    mean = mean_visits(cusum_run_lengths(shifts(table), reference_sigmas=0.5, decision_sigmas=4.0))
    np.testing.assert_allclose(mean, table["arl_two_sided_published"], rtol=2.5e-3)
    np.testing.assert_allclose(mean, table["arl_two_sided_recomputed"], atol=1e-6)


@pytest.mark.parametrize(("weight", "limit"), [(0.4, 3.054), (0.2, 2.962), (0.1, 2.814)])
def test_ewma_run_lengths(weight: float, limit: float) -> None:
    """Lucas and Saccucci (1990), limits at their lasting width; tolerance as in SOURCES.md."""
    table = pl.read_csv(REFERENCE / "d_arl_ewma.csv").filter(pl.col("lambda") == weight)
    lengths = ewma_run_lengths(shifts(table), weight=weight, limit_sigmas=limit, early_limits=False)
    mean = mean_visits(lengths)
    published = table["arl_published"].to_numpy()
    assert np.all(np.abs(mean - published) <= np.where(published > 100, 0.5, 0.1))
    np.testing.assert_allclose(mean, table["arl_recomputed"], rtol=1e-6)


@pytest.mark.parametrize(
    ("sigma", "expected"), [(0.03, 0.09558), (0.04, 0.00018), (0.05, 0.00270), (0.06, 0.01242)]
)
def test_false_alarms_of_a_rounded_individuals_chart(sigma: float, expected: float) -> None:
    """Check value R9: a dial read to 0.1 with the centre on a mark (derived, to five decimals)."""
    lengths = rule_run_lengths(
        constant_means((0.0,)), rules=BEYOND, limit_sigmas=3.0, resolution_sigmas=0.1 / sigma
    )
    assert chance_by(lengths, visits=1)[0] == pytest.approx(expected, abs=5e-6)


# Other methods


def brook_evans(k: float, h: float, mean: float, cells: int) -> float:
    """Return the mean run length of an upper CUSUM from a chain of `cells` cells.

    Brook and Evans (1972), Biometrika 59, 539-549.
    """
    width = 2 * h / (2 * cells - 1)
    steps = np.arange(cells)
    edge = (steps[None, :] - steps[:, None] + 0.5) * width + k - mean
    moves = ndtr(edge) - ndtr(edge - width)
    moves[:, 0] = ndtr(edge[:, 0])
    lengths = np.linalg.solve(np.eye(cells) - moves, np.ones(cells))
    return float(lengths[0])


@pytest.mark.parametrize("mean", [0.0, 0.7])
def test_cusum_agrees_with_a_chain_of_cells(mean: float) -> None:
    """Brook-Evans chains with Richardson extrapolation, joined by Kemp's 1/L = 1/L+ + 1/L-."""

    def extrapolated(level: float) -> float:
        coarse, fine = (brook_evans(0.5, 5.0, level, cells) for cells in (100, 200))
        return fine + (fine - coarse) / 3

    expected = 1 / (1 / extrapolated(mean) + 1 / extrapolated(-mean))
    lengths = cusum_run_lengths(constant_means((mean,)), reference_sigmas=0.5, decision_sigmas=5.0)
    assert mean_visits(lengths)[0] == pytest.approx(expected, rel=2e-5)


def test_ewma_of_weight_one_is_a_shewhart_chart() -> None:
    """With all weight on the newest point the EWMA chart is the individuals chart."""
    means = constant_means((0.0, 0.8, 2.0))
    for early in (True, False):
        ewma = ewma_run_lengths(means, weight=1.0, limit_sigmas=3.0, early_limits=early)
        np.testing.assert_allclose(mean_visits(ewma), mean_visits(by_rules(means)), rtol=1e-7)


def test_rounding_to_a_fine_step_changes_nothing() -> None:
    """Readings to a thousandth of sigma give the run lengths of unrounded ones."""
    means = constant_means((0.0, 1.0))
    fine = rule_run_lengths(means, rules=ALL_FOUR, limit_sigmas=3.0, resolution_sigmas=1e-3)
    np.testing.assert_allclose(mean_visits(fine), mean_visits(by_rules(means, ALL_FOUR)), rtol=6e-3)


def test_zone_chances_sum_to_one() -> None:
    """Every point lies in one zone, rounded or not, wherever the mean has gone."""
    mean = np.array([-20.0, -0.3, 0.0, 4.0])
    for step in (0.0, 0.4, 3.0):
        chances = zone_chances(mean, limit_sigmas=3.0, resolution_sigmas=step, offset_sigmas=0.1)
        assert chances.shape == (len(ZONES), len(mean))
        np.testing.assert_allclose(chances.sum(axis=0), 1.0, atol=1e-14)
        assert chances.min() >= 0


def climbs_by(points: int) -> float:
    """Return the share of orders of so many values with six in a row rising or falling."""
    orders = np.array(list(itertools.permutations(range(points))))
    up = np.diff(orders, axis=1) > 0
    rises = np.lib.stride_tricks.sliding_window_view(up, 5, axis=1).sum(axis=2)
    return float(np.mean(np.isin(rises, (0, 5)).any(axis=1)))


@pytest.mark.parametrize("points", [5, 6, 7, 8])
def test_climb_agrees_with_counting_permutations(points: int) -> None:
    """Without limits a climb depends on order alone: all orders of a few values are counted."""
    climbing = by_rules(constant_means((0.0, 1.7)), ("steady_climb",))
    expected = 0.0 if points < 6 else climbs_by(points)
    np.testing.assert_allclose(chance_by(climbing, visits=points), expected, atol=1e-9)


# The rules themselves, on random series


def first_signals(values: Floats, rules: tuple[str, ...]) -> NDArray[np.int64]:
    """Return the visit at which the first of `rules` speaks on each row; 0 for none."""
    fleet, visits = values.shape
    points = pl.DataFrame(
        {
            "series": np.repeat(np.arange(fleet), visits),
            "visit": np.tile(np.arange(1, visits + 1), fleet),
            "value": values.ravel(),
        }
    ).with_columns(
        chart=pl.lit("individuals"),
        t_years=pl.lit(0.0),
        phase=pl.lit(1),
        centre=pl.lit(0.0),
        lower=pl.lit(-3.0),
        upper=pl.lit(3.0),
        in_baseline=pl.lit(value=False),
    )
    found = apply_rules(points.select(CHARTED.keys()), rules=rules)
    first = found.group_by("series").agg(pl.col("visit").min())
    signals = np.zeros(fleet, dtype=np.int64)
    signals[first["series"].to_numpy()] = first["visit"].to_numpy()
    return signals


def assert_chances(signals: NDArray[np.int64], lengths: RunLengths, visits: list[int]) -> None:
    """Compare the share that has spoken with its exact chance: within four standard errors."""
    for visit in visits:
        exact = float(chance_by(lengths, visits=visit)[0])
        share = float(np.mean((signals > 0) & (signals <= visit)))
        error = np.sqrt(max(exact * (1 - exact), 1e-4) / len(signals))
        assert abs(share - exact) < 4 * error, (visit, share, exact)


def compare_with_rules(rules: tuple[str, ...], path: Floats, fleet: int, seed: int) -> None:
    generator = np.random.default_rng(seed)
    visits = 40
    rows = np.minimum(np.arange(visits), len(path) - 1)
    values = path[rows, 0] + generator.normal(size=(fleet, visits))
    assert_chances(first_signals(values, rules), by_rules(path, rules), [1, 3, 6, 9, 15, 25, 40])


RULE_SETS = [*[(name,) for name in NAMES], ALL_FOUR, NAMES]


@pytest.mark.parametrize("rules", RULE_SETS, ids="+".join)
@pytest.mark.parametrize("drift", [0.0, 0.05])
def test_rules_speak_as_often_as_computed(rules: tuple[str, ...], drift: float) -> None:
    """What a rule promises is what it does: 4,000 series at rest, shifted and drifting."""
    path = drifting_means((drift,), until_sigmas=6.0) if drift else constant_means((0.4,))
    compare_with_rules(rules, path, fleet=4_000, seed=11)


@pytest.mark.long
@pytest.mark.parametrize("rules", RULE_SETS, ids="+".join)
@pytest.mark.parametrize("drift", [0.0, 0.02, 0.1])
def test_rules_speak_as_often_as_computed_long(rules: tuple[str, ...], drift: float) -> None:
    """The same on 50,000 series."""
    path = drifting_means((drift,), until_sigmas=6.0) if drift else constant_means((0.0,))
    compare_with_rules(rules, path, fleet=50_000, seed=12)


def simulate_ewma(values: Floats, *, weight: float, limit: float, early: bool) -> NDArray[np.int64]:
    signals = np.zeros(len(values), dtype=np.int64)
    level = np.zeros(len(values))
    for visit in range(1, values.shape[1] + 1):
        level = weight * values[:, visit - 1] + (1 - weight) * level
        share = 1 - (1 - weight) ** (2 * visit) if early else 1.0
        out = np.abs(level) > limit * np.sqrt(weight / (2 - weight) * share)
        signals[out & (signals == 0)] = visit
    return signals


def simulate_cusum(values: Floats, *, k: float, h: float) -> NDArray[np.int64]:
    signals = np.zeros(len(values), dtype=np.int64)
    high, low = np.zeros(len(values)), np.zeros(len(values))
    for visit in range(1, values.shape[1] + 1):
        high = np.maximum(0, high + values[:, visit - 1] - k)
        low = np.maximum(0, low - values[:, visit - 1] - k)
        signals[((high > h) | (low > h)) & (signals == 0)] = visit
    return signals


@pytest.mark.parametrize("early", [True, False])
def test_ewma_speaks_as_often_as_computed(early: bool) -> None:
    """Early limits and a drifting mean, on 20,000 simulated charts."""
    path = drifting_means((0.04,), until_sigmas=8.0)
    values = path[:40, 0] + np.random.default_rng(5).normal(size=(20_000, 40))
    signals = simulate_ewma(values, weight=0.2, limit=2.7, early=early)
    lengths = ewma_run_lengths(path, weight=0.2, limit_sigmas=2.7, early_limits=early)
    assert_chances(signals, lengths, [1, 2, 5, 10, 20, 30, 40])


def test_cusum_speaks_as_often_as_computed() -> None:
    """Both sides together while the mean drifts, on 20,000 simulated charts."""
    path = drifting_means((0.02,), until_sigmas=11.0)
    values = path[:60, 0] + np.random.default_rng(6).normal(size=(20_000, 60))
    signals = simulate_cusum(values, k=0.25, h=3.0)
    lengths = cusum_run_lengths(path, reference_sigmas=0.25, decision_sigmas=3.0)
    assert_chances(signals, lengths, [2, 5, 10, 20, 30, 45, 60])


# The distribution


def test_a_shewhart_run_length_is_geometric() -> None:
    """Mean, quantiles and chances of a chart without memory follow from its one probability."""
    lengths = by_rules(constant_means((0.0,)))
    p = 2 * float(ndtr(-3.0))
    for visits in (1, 10, 200, 3000):
        assert chance_by(lengths, visits=visits)[0] == pytest.approx(1 - (1 - p) ** visits)
    for chance in (0.05, 0.5, 0.9, 0.999):
        expected = np.ceil(np.log(1 - chance) / np.log(1 - p))
        assert quantile_visits(lengths, chance=chance)[0] == expected
    at = chance_at(lengths, visits=500)[:, 0]
    np.testing.assert_allclose(at, p * (1 - p) ** np.arange(500), rtol=1e-6)


Make = Callable[[Floats], RunLengths]
EVERY_KIND: dict[str, Make] = {
    "rules": lambda path: by_rules(path, ALL_FOUR),
    "climb": lambda path: by_rules(path, NAMES),
    "ewma": lambda path: ewma_run_lengths(path, weight=0.2, limit_sigmas=3.0, early_limits=True),
    "cusum": lambda path: cusum_run_lengths(path, reference_sigmas=0.5, decision_sigmas=4.0),
}


@pytest.mark.parametrize("make", EVERY_KIND.values(), ids=EVERY_KIND)
def test_quantiles_chances_and_means_agree(make: Make) -> None:
    """The quantile is where the chance is first reached, and the mean is the sum over visits."""
    for path in (constant_means((0.0, -1.0)), drifting_means((0.1, -0.3), until_sigmas=11.0)):
        lengths = make(path)
        for chance in (0.1, 0.5, 0.9):
            for at, visits in enumerate(quantile_visits(lengths, chance=chance).astype(int)):
                assert chance_by(lengths, visits=int(visits))[at] >= chance - 1e-9
                assert chance_by(lengths, visits=int(visits) - 1)[at] < chance
        far = 20_000
        spoken = chance_at(lengths, visits=far)
        np.testing.assert_allclose(spoken.sum(axis=0), 1.0, atol=1e-9)
        means = (np.arange(1, far + 1)[:, None] * spoken).sum(axis=0)
        np.testing.assert_allclose(mean_visits(lengths), means, rtol=1e-8)


@pytest.mark.parametrize("make", EVERY_KIND.values(), ids=EVERY_KIND)
def test_both_directions_are_alike(make: Make) -> None:
    """A fall is noticed as soon as a rise."""
    for path in (constant_means((0.7, -0.7)), drifting_means((0.2, -0.2), until_sigmas=12.0)):
        up, down = mean_visits(make(path))
        assert up == pytest.approx(down, rel=1e-9)


def test_what_never_speaks_has_no_mean_and_no_quantile() -> None:
    """Far above the centre no point swings to the other side: infinite, never nan."""
    lengths = by_rules(constant_means((40.0, 0.0)), ("wide_swing",))
    mean, median = mean_visits(lengths), quantile_visits(lengths, chance=0.5)
    assert mean[0] == median[0] == np.inf
    assert 0 < median[1] < mean[1] < np.inf


@pytest.mark.parametrize("make", EVERY_KIND.values(), ids=EVERY_KIND)
def test_a_path_of_equal_means_is_a_constant_mean(make: Make) -> None:
    """A path that says the same mean for many visits equals the one-row path."""
    path = np.full((70, 1), 0.3)
    np.testing.assert_allclose(mean_visits(make(path)), mean_visits(make(path[:1])), rtol=1e-8)


# Bad input


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda means: by_rules(means, ("beyond",)), "did you mean 'beyond_limits'"),
        (lambda means: by_rules(means, ()), "at least one rule"),
        (
            lambda means: rule_run_lengths(
                means, rules=("steady_climb",), limit_sigmas=3.0, resolution_sigmas=1.0
            ),
            "no exact run length on rounded readings",
        ),
        (
            lambda means: ewma_run_lengths(means, weight=0.0, limit_sigmas=3.0, early_limits=True),
            "weight over 0",
        ),
        (
            lambda means: cusum_run_lengths(means, reference_sigmas=0.5, decision_sigmas=0.0),
            "h over 0",
        ),
        (lambda _: drifting_means((0.1, 0.0), until_sigmas=9.0), "does not reach 9 sigma"),
        (lambda _: drifting_means((1e-7,), until_sigmas=9.0), "does not reach 9 sigma"),
    ],
)
def test_impossible_settings(call: Callable[[Floats], object], message: str) -> None:
    """Each setting that cannot be meant is refused in words."""
    with pytest.raises(ValueError, match=message):
        call(constant_means((0.0,)))


def test_a_chain_without_a_geometric_tail_is_refused() -> None:
    """A chart whose chance to speak keeps changing is an error after a set number of visits."""

    def restless(state: Floats, mean: Floats, visit: int) -> tuple[Floats, Floats]:
        del mean
        state = state * (1 - 1e-5 * (2 + np.sin(visit)))
        return state, state[0]

    with pytest.raises(ArithmeticError, match="no geometric tail"):
        follow(np.ones((1, 1)), constant_means((0.0,)), advance=restless)
