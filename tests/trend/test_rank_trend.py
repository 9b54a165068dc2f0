"""Mann–Kendall, Theil–Sen and Huber's line against publications and plain library fits."""

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from drift.trend.rank_tests import mann_kendall, theil_sen
from drift.trend.regression import huber_slopes
from tests.published.reference_tables import column, expected, rows

Floats = NDArray[np.float64]


def _one(values: Floats, times: Floats | None = None) -> tuple[Floats, Floats]:
    """Return a block of one series."""
    given = np.arange(values.size, dtype=float) if times is None else times
    return given[None, :], values[None, :]


def test_epa_example_with_ties() -> None:
    """US EPA QA/G-9S p. 109: S 22, Var(S) 155.33, Z 1.685 with tie groups of 4 and 2."""
    kendall = mann_kendall(*_one(column("f_mk_epa_qa_g9s", "y")))
    published = expected("f_mk_epa_qa_g9s_expected", "published")
    assert kendall.s[0] == published["S"]
    assert kendall.variance[0] == pytest.approx(published["var_S"], abs=5e-3)
    assert kendall.z[0] == pytest.approx(published["Z"], abs=5e-4)
    recomputed = expected("f_mk_epa_qa_g9s_expected")
    assert kendall.p[0] == pytest.approx(recomputed["p_two_sided"], abs=1e-7)


def test_epa_sulfate_example() -> None:
    """US EPA Unified Guidance example 17-6: Z, p and slope; its limits interpolate, ours do not.

    The guidance takes the limits at fractional ranks of the pair slopes (Gilbert); ours take the
    rounded ranks, as scipy does, so each lies within one pair slope of the published one.
    """
    name = "f_sen_epa_17_6_sulfate"
    times, values = _one(column(name, "sulfate_ppm"), column(name, "sampling_date"))
    published = expected(f"{name}_expected", "published")
    kendall = mann_kendall(times, values)
    sen = theil_sen(times, values, level=0.05)
    assert kendall.z[0] == pytest.approx(published["Z_continuity"], abs=5e-7)
    assert kendall.p[0] == pytest.approx(published["p_two_sided"], rel=5e-7)
    assert kendall.s[0] / 253 == pytest.approx(published["tau_a"], abs=5e-8)
    assert sen.slope[0] == pytest.approx(published["sen_slope"], abs=5e-8)
    first, second = np.triu_indices(values.size, 1)
    run = times[0, second] - times[0, first]
    slopes = np.sort((values[0, second] - values[0, first])[run > 0] / run[run > 0])
    for ours, theirs in (
        (sen.low[0], published["slope_lcl95_gilbert"]),
        (sen.high[0], published["slope_ucl95_gilbert"]),
    ):
        nearest = np.abs(slopes - ours).argmin()
        neighbours = slopes[max(nearest - 1, 0) : nearest + 2]
        assert neighbours[0] - 1e-5 <= theirs <= neighbours[-1] + 1e-5


@pytest.mark.parametrize("series", ["gilbert_p211", "gilbert_p211_nd", "vanbelle_hughes_p129"])
def test_small_published_series(series: str) -> None:
    """Gilbert (1987) p. 211 and van Belle and Hughes (1984) p. 129: S and its tied variance."""
    values = np.array(
        [float(row["y"]) for row in rows("f_mk_small_series") if row["series"] == series]
    )
    wanted = {
        row["quantity"]: float(row["recomputed"])
        for row in rows("f_mk_small_series_expected")
        if row["series"] == series
    }
    kendall = mann_kendall(*_one(values))
    assert kendall.s[0] == wanted["S"]
    assert kendall.variance[0] == pytest.approx(wanted["var_S"], abs=1e-6)
    if "p_exact_one_sided" in wanted:
        assert kendall.p[0] / 2 == pytest.approx(wanted["p_exact_one_sided"], abs=1e-6)


def test_rounded_examples() -> None:
    """R7 and R8 of the project's check values (derived there): ties on a dial read to 0.1."""
    times = np.arange(12) * 0.25
    seven = np.array([0, 0, 0, 0.1, 0, 0.1, 0, 0.1, 0.1, 0.1, 0.2, 0.1])
    eight = np.array([0, 0, 0, 0, 0, 0.1, 0, 0.1, 0.1, 0, 0.1, 0.1])
    block = np.tile(times, (2, 1)), np.stack([seven, eight])
    kendall = mann_kendall(*block)
    assert kendall.s.tolist() == [33, 27]
    assert kendall.variance == pytest.approx([167.6667, 151.6667], abs=1e-4)
    assert kendall.z == pytest.approx([2.471307, 2.111195], abs=1e-6)
    assert kendall.p == pytest.approx([0.013462, 0.034756], abs=1e-6)
    assert theil_sen(*block, level=0.05).slope == pytest.approx([0.0472222, 0.0], abs=1e-7)


@pytest.mark.parametrize("values", [(1, 1, 2, 3, 3, 3), (1, 2, 2, 2, 5), (3, 1, 2, 5, 4, 6)])
def test_exact_p_with_ties_is_that_of_all_orders(values: tuple[int, ...]) -> None:
    """Exact p values up to ten visits equal the share of all orders with as large an S."""
    kendall = mann_kendall(*_one(np.array(values, dtype=float)))
    orders = np.array(list(itertools.permutations(values)), dtype=float)
    times = np.tile(np.arange(len(values), dtype=float), (len(orders), 1))
    as_large = np.abs(mann_kendall(times, orders).s) >= abs(kendall.s[0])
    assert kendall.p[0] == pytest.approx(as_large.mean(), abs=1e-12)


@pytest.mark.parametrize("visits", [3, 5, 9, 16, 33, 34, 60])
def test_equal_to_scipy_without_ties(visits: int) -> None:
    """P values up to 33 visits, S, tau and Sen's slope and limits equal scipy's."""
    rng = np.random.default_rng(visits)
    times = np.sort(rng.normal(size=(12, visits)), axis=1)
    values = rng.normal(size=(12, visits)) + times
    kendall, sen = mann_kendall(times, values), theil_sen(times, values, level=0.1)
    for row in range(12):
        theirs = stats.kendalltau(times[row], values[row])
        assert kendall.s[row] * 2 / visits / (visits - 1) == pytest.approx(
            theirs.statistic, abs=1e-9
        )
        if visits <= 33:
            assert kendall.p[row] == pytest.approx(theirs.pvalue, abs=1e-9)
        slopes = stats.theilslopes(values[row], times[row], alpha=0.9)
        assert (sen.slope[row], sen.low[row], sen.high[row]) == pytest.approx(
            (slopes.slope, slopes.low_slope, slopes.high_slope), abs=1e-9
        )


@pytest.mark.parametrize("visits", [6, 11, 25, 40])
def test_equal_to_scipy_with_ties(visits: int) -> None:
    """With ties in values and times, the variance and Sen's slope and limits equal scipy's.

    scipy's normal approximation has no continuity correction, so its p gives back its variance.
    """
    rng = np.random.default_rng(visits)
    times = np.sort(rng.integers(0, visits - 1, size=(20, visits)), axis=1).astype(float)
    values = np.round(rng.normal(size=(20, visits)) + 0.1 * times)
    kendall, sen = mann_kendall(times, values), theil_sen(times, values, level=0.05)
    for row in range(20):
        theirs = stats.kendalltau(times[row], values[row], method="asymptotic")
        ours = 2 * stats.norm.sf(abs(kendall.s[row]) / np.sqrt(kendall.variance[row]))
        assert ours == pytest.approx(theirs.pvalue, abs=1e-9)
        slopes = stats.theilslopes(values[row], times[row], alpha=0.95)
        assert (sen.slope[row], sen.low[row], sen.high[row]) == pytest.approx(
            (slopes.slope, slopes.low_slope, slopes.high_slope), abs=1e-9
        )


def test_sums_of_decimals_stay_tied() -> None:
    """A path summed from steps of 0.1 keeps its ties although 0.1 + 0.2 is not 0.3 in binary."""
    drifting = np.cumsum([0.0, 0.1, 0.2, -0.3, 0.3, 0.0])
    assert drifting[3] != drifting[0]  # the trap is real
    clean = np.array([0.0, 0.1, 0.3, 0.0, 0.3, 0.3])
    assert mann_kendall(*_one(drifting)).variance == mann_kendall(*_one(clean)).variance


def test_still_and_simultaneous_series() -> None:
    """A series that never moves has p = 1; one of a single date has no slope at all."""
    still = mann_kendall(*_one(np.full(12, 0.1)))
    assert (still.s[0], still.p[0]) == (0, 1)
    times, values = _one(np.arange(5.0), np.full(5, 2.0))
    assert np.isnan(theil_sen(times, values, level=0.05).slope[0])
    assert np.isnan(huber_slopes(times, values)[0])


def test_huber_slope_equals_statsmodels() -> None:
    """Huber's line equals statsmodels RLM with HuberT run to convergence."""
    from statsmodels.robust import norms  # noqa: PLC0415  # a second to import, for this test only
    from statsmodels.robust.robust_linear_model import RLM  # noqa: PLC0415

    rng = np.random.default_rng(2)
    times = 20 + np.sort(rng.uniform(0, 6, (15, 24)), axis=1)
    values = 0.03 * times + 0.05 * rng.standard_t(2, (15, 24))
    slopes = huber_slopes(times, values)
    for row in range(15):
        run = times[row] - times[row].mean()
        model = RLM(values[row], np.stack([np.ones(24), run], axis=1), M=norms.HuberT(1.345))
        fit = model.fit(maxiter=500, tol=1e-14, conv="coefs")
        assert slopes[row] == pytest.approx(fit.params[1], abs=1e-9)


def test_huber_slope_holds_against_one_wild_visit() -> None:
    """One reading of 3 % among clean ones moves the robust slope by less than a hundredth."""
    times, values = _one(0.05 * np.arange(20.0) + 0.01 * np.cos(np.arange(20.0)))
    clean = huber_slopes(times, values)[0]
    values[0, 18] += 3.0
    assert abs(huber_slopes(times, values)[0] - clean) < 0.01 * 0.05 * 20
    assert abs(np.polyfit(times[0], values[0], 1)[0] - clean) > 0.03
